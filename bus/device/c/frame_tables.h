/* What a CAN map is made of, as tables: messages, where their signals lie, how they are scaled and protected. */
#ifndef FRAME_TABLES_H
#define FRAME_TABLES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Set in a message's identifier where it has 29 bits. */
#define FRAME_EXTENDED (0x80000000u)
/* Data page and parameter group of a 29-bit identifier: without priority and source address. */
#define FRAME_GROUP_MASK (0x83FFFF00u)

/* End-to-end protection: AUTOSAR E2E profiles 1 (by how the data ID enters the checksum), 2 and 5. */
#define PROTECTION_NONE (0u)
#define PROTECTION_1_BOTH (1u)
#define PROTECTION_1_ALTERNATING (2u)
#define PROTECTION_1_LOW (3u)
#define PROTECTION_1_NIBBLE (4u)
#define PROTECTION_2 (5u)
#define PROTECTION_5 (6u)

typedef struct
{
    uint8_t profile;
    /* byte of the checksum; the counter follows it */
    uint8_t offset;
    uint16_t data_id;
    /* profile 2: one a counter value */
    uint8_t data_ids[16];
    /* the counter starts over at 0 after this many */
    uint16_t counter_values;
} frame_protection_t;

/* A word of the DBC: the field's bits and what they mean in the rules' counts. */
typedef struct
{
    uint64_t field;
    int32_t ours;
} frame_code_t;

/* One signal. Either its codes, or a line: result = floor((count * slope + offset) / divisor), from raw counts to the
 * rules' for what is received, from the rules' to raw counts for what is sent. */
typedef struct
{
    /* from the lowest bit of the data read as one number in the signal's byte order */
    uint8_t shift;
    bool is_big_endian;
    bool is_signed;
    /* all of the signal's bits, unshifted */
    uint64_t mask;
    /* raw counts that carry a value */
    int64_t raw_low;
    int64_t raw_high;
    int64_t slope;
    int64_t offset;
    int64_t divisor;
    const frame_code_t *codes;
    uint32_t code_count;
    /* sent where no code fits */
    uint64_t spare_field;
    /* value before the first good reading */
    int32_t start;
    int32_t timeout_ms;
} frame_signal_t;

typedef struct
{
    /* identifier with FRAME_EXTENDED; where parameter groups count, the bits of FRAME_GROUP_MASK */
    uint32_t key;
    uint8_t length;
    int32_t period_ms;
    int32_t timeout_ms;
    frame_protection_t protection;
    uint32_t first_signal;
    uint32_t signal_count;
} frame_message_t;

/* What the receiver knows of a sender's counter. */
#define WATCH_FRESH (0u)
#define WATCH_FOLLOWING (1u)
#define WATCH_LOST (2u)
#define WATCH_SYNCING (3u)

/* How a counter stands to the last one that counted. */
#define STEP_SAME (0u)
#define STEP_NEXT (1u)
#define STEP_AHEAD (2u)
#define STEP_JUMP (3u)
#define STEPS (4u)

/* A row of the counter policy. */
typedef struct
{
    uint8_t outcome;
    uint8_t watch;
    bool moves_baseline;
} frame_policy_t;

#endif
