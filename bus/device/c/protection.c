/* End-to-end protection of a frame's data. Checksums are worked out bit by bit: small rather than quick. */
#include "protection.h"

#define POLYNOMIAL_1D (0x1Du)
#define POLYNOMIAL_2F (0x2Fu)
#define POLYNOMIAL_1021 (0x1021u)
#define CRC_8 (0x80u)
#define CRC_16 (0x8000u)
/* of the checksum in profile 5 */
#define WIDE_BYTES (2u)
#define NO_COUNTER (15u)

/* One byte more into a checksum whose highest bit is `top`. */
static uint32_t crc_byte(uint32_t crc, uint32_t byte, uint32_t polynomial, uint32_t top)
{
    const uint32_t mask = (top << 1u) - 1u;
    uint32_t next = crc ^ ((top == CRC_8) ? byte : (byte << 8u));

    for (uint32_t bit = 0u; bit < 8u; bit++)
    {
        next = ((next & top) != 0u) ? ((next << 1u) ^ polynomial) : (next << 1u);
    }

    return next & mask;
}

static uint32_t crc_bytes(uint32_t crc, const uint8_t *data, uint32_t from, uint32_t end, uint32_t polynomial,
        uint32_t top)
{
    uint32_t next = crc;

    for (uint32_t at = from; at < end; at++)
    {
        next = crc_byte(next, (uint32_t)data[at], polynomial, top);
    }

    return next;
}

static uint32_t checksum_1(const frame_protection_t *protection, const uint8_t *data, uint32_t length, uint32_t counter)
{
    const uint32_t low = (uint32_t)protection->data_id & 0xFFu;
    const uint32_t high = (uint32_t)protection->data_id >> 8u;
    const uint32_t place = (uint32_t)protection->offset;
    uint32_t crc = 0u;

    if (protection->profile == PROTECTION_1_ALTERNATING)
    {
        crc = crc_byte(crc, ((counter & 1u) != 0u) ? high : low, POLYNOMIAL_1D, CRC_8);
    }
    else
    {
        crc = crc_byte(crc, low, POLYNOMIAL_1D, CRC_8);
    }
    if (protection->profile == PROTECTION_1_BOTH)
    {
        crc = crc_byte(crc, high, POLYNOMIAL_1D, CRC_8);
    }
    if (protection->profile == PROTECTION_1_NIBBLE)
    {
        crc = crc_byte(crc, 0u, POLYNOMIAL_1D, CRC_8);
    }
    crc = crc_bytes(crc, data, 0u, place, POLYNOMIAL_1D, CRC_8);

    return crc_bytes(crc, data, place + 1u, length, POLYNOMIAL_1D, CRC_8);
}

static uint32_t checksum_2(const frame_protection_t *protection, const uint8_t *data, uint32_t length, uint32_t counter)
{
    uint32_t crc = crc_bytes(0xFFu, data, 1u, length, POLYNOMIAL_2F, CRC_8);

    crc = crc_byte(crc, (uint32_t)protection->data_ids[counter], POLYNOMIAL_2F, CRC_8);

    return crc ^ 0xFFu;
}

static uint32_t checksum_5(const frame_protection_t *protection, const uint8_t *data, uint32_t length)
{
    const uint32_t place = (uint32_t)protection->offset;
    uint32_t crc = crc_bytes(0xFFFFu, data, 0u, place, POLYNOMIAL_1021, CRC_16);

    crc = crc_bytes(crc, data, place + WIDE_BYTES, length, POLYNOMIAL_1021, CRC_16);
    crc = crc_byte(crc, (uint32_t)protection->data_id & 0xFFu, POLYNOMIAL_1021, CRC_16);

    return crc_byte(crc, (uint32_t)protection->data_id >> 8u, POLYNOMIAL_1021, CRC_16);
}

int32_t protection_read(const frame_protection_t *protection, const uint8_t *data, uint32_t length)
{
    const uint32_t place = (uint32_t)protection->offset;
    uint32_t counter = 0u;
    bool good = false;

    if (protection->profile == PROTECTION_5)
    {
        const uint32_t told = (uint32_t)data[place] | ((uint32_t)data[place + 1u] << 8u);

        counter = (uint32_t)data[place + WIDE_BYTES];
        good = checksum_5(protection, data, length) == told;
    }
    else if (protection->profile == PROTECTION_2)
    {
        counter = (uint32_t)data[1] & 15u;
        good = checksum_2(protection, data, length, counter) == (uint32_t)data[0];
    }
    else
    {
        const uint32_t byte = (uint32_t)data[place + 1u];

        counter = byte & 15u;
        good = (counter != NO_COUNTER) && (checksum_1(protection, data, length, counter) == (uint32_t)data[place]);
        if (protection->profile == PROTECTION_1_NIBBLE)
        {
            good = good && ((byte >> 4u) == (((uint32_t)protection->data_id >> 8u) & 15u));
        }
    }

    return good ? (int32_t)counter : PROTECTION_BAD;
}

void protection_write(const frame_protection_t *protection, uint8_t *data, uint32_t length, int32_t counter)
{
    const uint32_t place = (uint32_t)protection->offset;
    const uint32_t count = (uint32_t)counter;

    if (protection->profile == PROTECTION_5)
    {
        data[place + WIDE_BYTES] = (uint8_t)(count & 0xFFu);
        const uint32_t crc = checksum_5(protection, data, length);
        data[place] = (uint8_t)(crc & 0xFFu);
        data[place + 1u] = (uint8_t)(crc >> 8u);
    }
    else if (protection->profile == PROTECTION_2)
    {
        data[1] = (uint8_t)(((uint32_t)data[1] & 0xF0u) | count);
        data[0] = (uint8_t)checksum_2(protection, data, length, count);
    }
    else
    {
        uint32_t high = (uint32_t)data[place + 1u] & 0xF0u;

        if (protection->profile == PROTECTION_1_NIBBLE)
        {
            high = (((uint32_t)protection->data_id >> 8u) & 15u) << 4u;
        }
        data[place + 1u] = (uint8_t)(high | count);
        data[place] = (uint8_t)checksum_1(protection, data, length, count);
    }
}
