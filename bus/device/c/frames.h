/* CAN frames of a map: from bytes to the rules' inputs and from the rules' command to bytes.
 *
 * A frame counts when its length is the map's, its checksum is right and its counter follows. Within a good frame a
 * signal counts when its raw value is in range. Anything else changes no value and renews no age.
 */
#ifndef FRAMES_H
#define FRAMES_H

#include "can_map.h"
#include "slcan.h"

/* What became of a frame. The first five are verdicts of the counter policy. */
#define FRAME_BELIEVED (0u)
#define FRAME_BELIEVED_SOME_LOST (1u)
#define FRAME_REPEATED (2u)
#define FRAME_WRONG_COUNTER (3u)
#define FRAME_NOT_YET (4u)
#define FRAME_BAD_CHECKSUM (5u)
#define FRAME_WRONG_LENGTH (6u)

/* No message of this map. */
#define FRAME_UNKNOWN (CAN_MAP_MESSAGES)

typedef struct
{
    uint8_t watch;
    int32_t baseline;
    int32_t believed_ms;
} frame_watch_t;

typedef struct
{
    int32_t values[CAN_MAP_SIGNALS];
    /* when each signal was last read well, -1 never */
    int32_t good_ms[CAN_MAP_SIGNALS];
    frame_watch_t watches[CAN_MAP_MESSAGES];
    /* of the next command */
    int32_t counter;
} frames_t;

/* As after power-up. */
void frames_start(frames_t *frames);

/* The same, but what is known of the bench's own time message stays. */
void frames_restart(frames_t *frames);

/* Which message of the map a frame is, or FRAME_UNKNOWN. */
uint32_t frames_message(const can_frame_t *frame);

/* Take a frame of the message at `place` that arrived at now_ms; returns what became of it. */
uint8_t frames_take(frames_t *frames, uint32_t place, const can_frame_t *frame, int32_t now_ms);

/* The rules' inputs as the frames so far have them. */
void frames_inputs(const frames_t *frames, int32_t now_ms, rules_inputs_t *x);

/* The frame of a command, with the next counter. */
void frames_command(frames_t *frames, const rules_command_t *c, can_frame_t *frame);

#endif
