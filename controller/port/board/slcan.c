/* CAN frames as lines of text (slcan). */
#include "slcan.h"

#define CARRIAGE_RETURN (0x0Du)
#define BELL (0x07u)
#define NO_DIGIT (16u)
#define HIGHEST_STANDARD (0x7FFu)
#define HIGHEST_EXTENDED (0x1FFFFFFFu)

void slcan_start(slcan_t *port)
{
    port->used = 0u;
    port->is_open = false;
    port->answer_bytes = 0u;
}

static uint32_t digit(uint8_t sign)
{
    uint32_t value = NO_DIGIT;

    if ((sign >= (uint8_t)'0') && (sign <= (uint8_t)'9'))
    {
        value = (uint32_t)sign - (uint32_t)'0';
    }
    else if ((sign >= (uint8_t)'A') && (sign <= (uint8_t)'F'))
    {
        value = ((uint32_t)sign - (uint32_t)'A') + 10u;
    }
    else if ((sign >= (uint8_t)'a') && (sign <= (uint8_t)'f'))
    {
        value = ((uint32_t)sign - (uint32_t)'a') + 10u;
    }
    else
    {
        /* no digit */
    }

    return value;
}

/* Reads `count` hexadecimal digits; false where one is none. */
static bool number(const uint8_t *text, uint32_t count, uint32_t *value)
{
    bool good = true;

    *value = 0u;
    for (uint32_t at = 0u; at < count; at++)
    {
        const uint32_t next = digit(text[at]);

        good = good && (next != NO_DIGIT);
        *value = (*value << 4u) | (next & 15u);
    }

    return good;
}

static bool read_frame(const slcan_t *port, can_frame_t *frame)
{
    const bool is_extended = port->line[0] == (uint8_t)'T';
    const uint32_t digits = is_extended ? 8u : 3u;
    uint32_t ident = 0u;
    uint32_t length = 0u;
    bool good = port->used >= (digits + 2u);

    if (good)
    {
        good = number(&port->line[1], digits, &ident) && number(&port->line[digits + 1u], 1u, &length);
    }
    good = good && (ident <= (is_extended ? HIGHEST_EXTENDED : HIGHEST_STANDARD));
    good = good && (length <= CAN_BYTES) && (port->used == (digits + 2u + (2u * length)));
    if (good)
    {
        frame->ident = ident;
        frame->is_extended = is_extended;
        frame->length = (uint8_t)length;
        for (uint32_t at = 0u; at < length; at++)
        {
            uint32_t byte = 0u;

            good = number(&port->line[digits + 2u + (2u * at)], 2u, &byte) && good;
            frame->data[at] = (uint8_t)byte;
        }
    }

    return good;
}

static void answer(slcan_t *port, const char *text, uint32_t bytes)
{
    for (uint32_t at = 0u; at < bytes; at++)
    {
        port->answer[at] = (uint8_t)text[at];
    }
    port->answer_bytes = bytes;
}

/* A command's line, or a bell for what is none. */
static void read_command(slcan_t *port)
{
    const uint8_t letter = (port->used == 0u) ? (uint8_t)0 : port->line[0];

    if ((letter == (uint8_t)'O') || (letter == (uint8_t)'L'))
    {
        port->is_open = true;
        answer(port, "\r", 1u);
    }
    else if (letter == (uint8_t)'C')
    {
        port->is_open = false;
        answer(port, "\r", 1u);
    }
    else if (letter == (uint8_t)'V')
    {
        answer(port, "V1010\r", 6u);
    }
    else if (letter == (uint8_t)'N')
    {
        answer(port, "N0000\r", 6u);
    }
    else if (letter == (uint8_t)'F')
    {
        answer(port, "F00\r", 4u);
    }
    else if ((letter == (uint8_t)'S') || (letter == (uint8_t)'Z') || (letter == (uint8_t)'X') || (letter == (uint8_t)0))
    {
        answer(port, "\r", 1u);
    }
    else
    {
        answer(port, "\a", 1u);
    }
}

bool slcan_take(slcan_t *port, uint8_t byte, can_frame_t *frame)
{
    bool has_frame = false;

    port->answer_bytes = 0u;
    if (byte != (uint8_t)CARRIAGE_RETURN)
    {
        if (port->used < SLCAN_LINE_BYTES)
        {
            port->line[port->used] = byte;
            port->used++;
        }
    }
    else
    {
        /* A line that fills the buffer is longer than any of the protocol. */
        if (port->used == SLCAN_LINE_BYTES)
        {
            answer(port, "\a", 1u);
        }
        else if ((port->used != 0u) && ((port->line[0] == (uint8_t)'t') || (port->line[0] == (uint8_t)'T')))
        {
            has_frame = port->is_open && read_frame(port, frame);
            if (!has_frame)
            {
                answer(port, "\a", 1u);
            }
        }
        else
        {
            read_command(port);
        }
        port->used = 0u;
    }

    return has_frame;
}

static uint8_t sign_of(uint32_t value)
{
    const uint32_t low = value & 15u;

    return (uint8_t)((low < 10u) ? (low + (uint32_t)'0') : ((low - 10u) + (uint32_t)'A'));
}

uint32_t slcan_write(const slcan_t *port, const can_frame_t *frame, uint8_t line[SLCAN_LINE_BYTES])
{
    const uint32_t digits = frame->is_extended ? 8u : 3u;
    uint32_t used = 0u;

    if (port->is_open)
    {
        line[0] = frame->is_extended ? (uint8_t)'T' : (uint8_t)'t';
        for (uint32_t at = 0u; at < digits; at++)
        {
            line[1u + at] = sign_of(frame->ident >> (4u * ((digits - 1u) - at)));
        }
        line[1u + digits] = sign_of((uint32_t)frame->length);
        used = digits + 2u;
        for (uint32_t at = 0u; at < (uint32_t)frame->length; at++)
        {
            line[used] = sign_of((uint32_t)frame->data[at] >> 4u);
            line[used + 1u] = sign_of((uint32_t)frame->data[at]);
            used += 2u;
        }
        line[used] = (uint8_t)CARRIAGE_RETURN;
        used++;
    }

    return used;
}
