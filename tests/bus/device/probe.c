/* The frames of a map, for tests from outside C. */
#include "frames.h"

static frames_t frames;

#define UNKNOWN (7u)

void probe_start(void);
uint32_t probe_take(uint32_t ident, uint32_t is_extended, const uint8_t *data, uint32_t length, int32_t now_ms);
uint32_t probe_signals(int32_t *values, int32_t *good_ms);
uint32_t probe_command(const int32_t *fields, uint8_t *data);

void probe_start(void)
{
    frames_start(&frames);
}

uint32_t probe_take(uint32_t ident, uint32_t is_extended, const uint8_t *data, uint32_t length, int32_t now_ms)
{
    can_frame_t frame = {ident, is_extended != 0u, (uint8_t)length, {0}};
    const uint32_t place = frames_message(&frame);

    for (uint32_t at = 0u; at < length; at++)
    {
        frame.data[at] = data[at];
    }
    return (place == FRAME_UNKNOWN) ? UNKNOWN : frames_take(&frames, place, &frame, now_ms);
}

uint32_t probe_signals(int32_t *values, int32_t *good_ms)
{
    for (uint32_t slot = 0u; slot < CAN_MAP_SIGNALS; slot++)
    {
        values[slot] = frames.values[slot];
        good_ms[slot] = frames.good_ms[slot];
    }
    return CAN_MAP_SIGNALS;
}

uint32_t probe_command(const int32_t *fields, uint8_t *data)
{
    const rules_command_t c = {
        .duty_ppm = fields[0], .state = fields[1], .reason = fields[2],
        .refusal = fields[3], .warnings = fields[4], .band = fields[5],
    };
    can_frame_t frame;

    frames_command(&frames, &c, &frame);
    for (uint32_t at = 0u; at < (uint32_t)frame.length; at++)
    {
        data[at] = frame.data[at];
    }
    return (uint32_t)frame.length;
}
