/* CAN frames of a map. */
#include "frames.h"

#include "protection.h"

#define NEVER (-1)
#define BYTE_BITS (8u)
#define HIGHEST (0x7FFFFFFFFFFFFFFFu)

static void clear_message(frames_t *frames, uint32_t place)
{
    const frame_message_t *message = &can_map_messages[place];
    frame_watch_t *watch = &frames->watches[place];

    watch->watch = WATCH_FRESH;
    watch->baseline = 0;
    watch->believed_ms = 0;
    for (uint32_t at = 0u; at < message->signal_count; at++)
    {
        const uint32_t slot = message->first_signal + at;

        frames->values[slot] = can_map_signals[slot].start;
        frames->good_ms[slot] = NEVER;
    }
}

void frames_restart(frames_t *frames)
{
    for (uint32_t place = 0u; place < CAN_MAP_MESSAGES; place++)
    {
        if (place != CAN_MAP_TIME)
        {
            clear_message(frames, place);
        }
    }
    frames->counter = 0;
}

void frames_start(frames_t *frames)
{
    for (uint32_t place = 0u; place < CAN_MAP_MESSAGES; place++)
    {
        clear_message(frames, place);
    }
    frames->counter = 0;
}

uint32_t frames_message(const can_frame_t *frame)
{
    uint32_t key = frame->ident;
    uint32_t found = FRAME_UNKNOWN;

    if (frame->is_extended)
    {
        key |= FRAME_EXTENDED;
        key &= CAN_MAP_EXTENDED_MASK;
    }
    for (uint32_t place = 0u; place < CAN_MAP_MESSAGES; place++)
    {
        if (can_map_messages[place].key == key)
        {
            found = place;
        }
    }

    return found;
}

/* Does the counter follow? Moves what is remembered as the policy says. */
static uint8_t judge(frame_watch_t *watch, const frame_message_t *message, int32_t counter, int32_t now_ms)
{
    const int32_t values = (int32_t)message->protection.counter_values;
    const int32_t elapsed_ms = now_ms - watch->believed_ms;
    int32_t most = 0;
    int32_t ahead = counter - watch->baseline;
    uint32_t step = STEP_JUMP;

    if ((watch->watch == WATCH_FOLLOWING) && (elapsed_ms > message->timeout_ms))
    {
        watch->watch = WATCH_LOST;
    }
    if (elapsed_ms >= 0)
    {
        /* As many as periods have passed, and some more; beyond half of the counter's values it is behind. */
        most = (elapsed_ms / message->period_ms) + CAN_MAP_COUNTER_SLACK;
        most = (most < (values / 2)) ? most : (values / 2);
    }
    if (ahead < 0)
    {
        ahead += values;
    }
    if (ahead == 0)
    {
        step = STEP_SAME;
    }
    else if (ahead == 1)
    {
        step = STEP_NEXT;
    }
    else if (ahead <= most)
    {
        step = STEP_AHEAD;
    }
    else
    {
        /* a jump */
    }

    const frame_policy_t *row = &can_map_policy[((uint32_t)watch->watch * STEPS) + step];
    watch->watch = row->watch;
    if (row->moves_baseline)
    {
        watch->baseline = counter;
    }

    return row->outcome;
}

static int64_t on_line(const frame_signal_t *signal, int64_t count)
{
    const int64_t scaled = (count * signal->slope) + signal->offset;
    int64_t whole = scaled / signal->divisor;

    /* C rounds towards zero, the conversion rounds down. */
    if ((scaled % signal->divisor) < 0)
    {
        whole--;
    }

    return whole;
}

/* From the field's bits to the rules' count; false where they carry no value. */
static bool decode(const frame_signal_t *signal, uint64_t field, int32_t *value)
{
    bool good = false;

    if (signal->code_count != 0u)
    {
        for (uint32_t at = 0u; at < signal->code_count; at++)
        {
            if (signal->codes[at].field == field)
            {
                *value = signal->codes[at].ours;
                good = true;
            }
        }
    }
    else
    {
        const uint64_t half = (signal->mask >> 1u) + 1u;
        int64_t raw = 0;

        if (signal->is_signed && (field >= half))
        {
            const uint64_t below_zero = signal->mask - field;

            raw = -1 - (int64_t)below_zero;
            good = true;
        }
        else
        {
            good = field <= HIGHEST;
            raw = good ? (int64_t)field : 0;
        }
        good = good && (raw >= signal->raw_low) && (raw <= signal->raw_high);
        if (good)
        {
            *value = (int32_t)on_line(signal, raw);
        }
    }

    return good;
}

static void read_signals(frames_t *frames, const frame_message_t *message, const can_frame_t *frame, int32_t now_ms)
{
    uint64_t little = 0u;
    uint64_t big = 0u;

    for (uint32_t at = 0u; at < (uint32_t)message->length; at++)
    {
        const uint64_t byte = frame->data[at];
        const uint32_t shift = BYTE_BITS * at;

        little |= byte << shift;
        big = (big << BYTE_BITS) | byte;
    }
    for (uint32_t at = 0u; at < message->signal_count; at++)
    {
        const uint32_t slot = message->first_signal + at;
        const frame_signal_t *signal = &can_map_signals[slot];
        const uint64_t word = signal->is_big_endian ? big : little;

        if (decode(signal, (word >> signal->shift) & signal->mask, &frames->values[slot]))
        {
            frames->good_ms[slot] = now_ms;
        }
    }
}

uint8_t frames_take(frames_t *frames, uint32_t place, const can_frame_t *frame, int32_t now_ms)
{
    const frame_message_t *message = &can_map_messages[place];
    frame_watch_t *watch = &frames->watches[place];
    uint8_t outcome = FRAME_BELIEVED;

    if (frame->length != message->length)
    {
        outcome = FRAME_WRONG_LENGTH;
    }
    else if (message->protection.profile != PROTECTION_NONE)
    {
        const int32_t counter = protection_read(&message->protection, frame->data, (uint32_t)message->length);

        outcome = (counter == PROTECTION_BAD) ? FRAME_BAD_CHECKSUM : judge(watch, message, counter, now_ms);
    }
    else
    {
        /* nothing more to be checked */
    }
    if (outcome <= FRAME_BELIEVED_SOME_LOST)
    {
        watch->believed_ms = now_ms;
        read_signals(frames, message, frame, now_ms);
    }

    return outcome;
}

void frames_inputs(const frames_t *frames, int32_t now_ms, rules_inputs_t *x)
{
    int32_t ages_ms[CAN_MAP_SIGNALS];

    for (uint32_t slot = 0u; slot < CAN_MAP_SIGNALS; slot++)
    {
        const int32_t age_ms = now_ms - frames->good_ms[slot];

        /* A reading later than now was made before the clock started anew: it is old. */
        const bool is_old = (frames->good_ms[slot] == NEVER) || (age_ms < 0)
                || (age_ms > can_map_signals[slot].timeout_ms);

        ages_ms[slot] = is_old ? CAN_MAP_AGE_INVALID_MS : age_ms;
    }
    can_map_inputs(frames->values, ages_ms, now_ms, x);
}

/* From the rules' count to the field's bits. */
static uint64_t encode(const frame_signal_t *signal, int32_t value)
{
    uint64_t field = signal->spare_field;

    if (signal->code_count != 0u)
    {
        for (uint32_t at = 0u; at < signal->code_count; at++)
        {
            if (signal->codes[at].ours == value)
            {
                field = signal->codes[at].field;
            }
        }
    }
    else
    {
        int64_t raw = on_line(signal, (int64_t)value);

        raw = (raw < signal->raw_low) ? signal->raw_low : ((raw > signal->raw_high) ? signal->raw_high : raw);
        const int64_t below_zero = -1 - raw;
        field = (raw >= 0) ? (uint64_t)raw : (signal->mask - (uint64_t)below_zero);
    }

    return field & signal->mask;
}

static uint8_t low_byte(uint64_t bits)
{
    const uint64_t low = bits & 0xFFu;

    return (uint8_t)low;
}

void frames_command(frames_t *frames, const rules_command_t *c, can_frame_t *frame)
{
    const frame_message_t *message = &can_map_command;
    int32_t values[CAN_MAP_COMMAND_SIGNALS];
    uint64_t little = CAN_MAP_COMMAND_UNUSED;
    uint64_t big = 0u;

    can_map_command_values(c, values);
    for (uint32_t at = 0u; at < CAN_MAP_COMMAND_SIGNALS; at++)
    {
        const frame_signal_t *signal = &can_map_command_signals[at];
        const uint64_t bits = encode(signal, values[at]) << signal->shift;

        little |= signal->is_big_endian ? 0u : bits;
        big |= signal->is_big_endian ? bits : 0u;
    }
    frame->ident = message->key & ~FRAME_EXTENDED;
    frame->is_extended = (message->key & FRAME_EXTENDED) != 0u;
    frame->length = message->length;
    for (uint32_t at = 0u; at < (uint32_t)message->length; at++)
    {
        const uint32_t shift = BYTE_BITS * at;
        const uint32_t from_end = BYTE_BITS * (((uint32_t)message->length - 1u) - at);
        const uint64_t bits = (little >> shift) | (big >> from_end);

        frame->data[at] = low_byte(bits);
    }
    if (message->protection.profile != PROTECTION_NONE)
    {
        protection_write(&message->protection, frame->data, (uint32_t)message->length, frames->counter);
        frames->counter++;
        if (frames->counter == (int32_t)message->protection.counter_values)
        {
            frames->counter = 0;
        }
    }
}
