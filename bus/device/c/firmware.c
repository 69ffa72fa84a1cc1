/* The device: a serial CAN line, the map's frames and the rules. */
#include "firmware.h"

#include "board.h"
#include "calibration_image.h"

#define TICK_MS (10u)
/* A bench in lock-step that says nothing for so long of the board's time is gone: once it has ticked, and before. */
#define SILENCE_MS (2000u)
#define START_SILENCE_MS (10000u)
/* The board's clock in the rules' own range; it starts anew after 24 days. */
#define CLOCK_MASK (0x7FFFFFFFu)

#define PHASE_START (0)
#define PHASE_TICK (1)
#define PHASE_END (2)

static void send_command(firmware_t *firmware, const rules_command_t *c)
{
    can_frame_t frame;
    uint8_t line[SLCAN_LINE_BYTES];

    frames_command(&firmware->frames, c, &frame);
    board_write(line, slcan_write(&firmware->port, &frame, line));
}

static int32_t board_clock(uint32_t now_ms)
{
    const uint32_t in_range_ms = now_ms & CLOCK_MASK;

    return (int32_t)in_range_ms;
}

static void tick(firmware_t *firmware, int32_t now_ms)
{
    rules_inputs_t x;
    rules_command_t c;

    frames_inputs(&firmware->frames, now_ms, &x);
    device_tick(&firmware->device, &x, &c);
    send_command(firmware, &c);
}

static void announce_out(firmware_t *firmware)
{
    const rules_command_t out = {0};

    send_command(firmware, &out);
}

/* All but the serial line and the bench's time message: as after power-up. */
static void forget(firmware_t *firmware)
{
    frames_restart(&firmware->frames);
    firmware->image_result = device_start(&firmware->device, firmware->image, firmware->image_bytes);
    firmware->waiting_count = 0u;
    firmware->has_ticked = false;
}

static void run_free(firmware_t *firmware, uint32_t now_ms)
{
    forget(firmware);
    frames_start(&firmware->frames);
    firmware->in_lock_step = false;
    firmware->tick_ms = now_ms;
}

void firmware_start(firmware_t *firmware, const uint8_t *image, uint32_t image_bytes, uint32_t now_ms)
{
    slcan_start(&firmware->port);
    firmware->image = image;
    firmware->image_bytes = image_bytes;
    firmware->told_ms = now_ms;
    firmware->bench_ms = 0;
    run_free(firmware, now_ms);
}

static void tick_in_lock_step(firmware_t *firmware)
{
    /* Frames before the tick arrived at its time. */
    for (uint32_t at = 0u; at < firmware->waiting_count; at++)
    {
        (void)frames_take(&firmware->frames, firmware->waiting_places[at], &firmware->waiting[at], firmware->bench_ms);
    }
    firmware->waiting_count = 0u;
    firmware->has_ticked = true;
    tick(firmware, firmware->bench_ms);
}

static void take_phase(firmware_t *firmware, int32_t phase, uint32_t now_ms)
{
    if (phase == PHASE_START)
    {
        forget(firmware);
        announce_out(firmware);
        forget(firmware);
        firmware->in_lock_step = true;
    }
    else if (phase == PHASE_END)
    {
        announce_out(firmware);
        run_free(firmware, now_ms);
    }
    else if (firmware->in_lock_step)
    {
        tick_in_lock_step(firmware);
    }
    else
    {
        /* A tick without a start is a bench in real time: it tells its time and drives nothing by it. */
    }
}

static void take_frame(firmware_t *firmware, const can_frame_t *frame, uint32_t now_ms)
{
    const uint32_t place = frames_message(frame);
    bool is_time = false;

    if (place == CAN_MAP_TIME)
    {
        is_time = frames_take(&firmware->frames, place, frame, 0) == FRAME_BELIEVED;
    }
    if (is_time)
    {
        firmware->told_ms = now_ms;
        firmware->bench_ms = firmware->frames.values[CAN_MAP_TIME_SLOT];
        take_phase(firmware, firmware->frames.values[CAN_MAP_PHASE_SLOT], now_ms);
    }
    else if ((place == FRAME_UNKNOWN) || (place == CAN_MAP_TIME))
    {
        /* not ours */
    }
    else if (!firmware->in_lock_step)
    {
        (void)frames_take(&firmware->frames, place, frame, board_clock(now_ms));
    }
    else if (firmware->waiting_count < FIRMWARE_WAITING)
    {
        firmware->waiting[firmware->waiting_count] = *frame;
        firmware->waiting_places[firmware->waiting_count] = place;
        firmware->waiting_count++;
    }
    else
    {
        /* More than a tick can bring: lost, and the signal's age will tell. */
    }
}

void firmware_take(firmware_t *firmware, uint8_t byte, uint32_t now_ms)
{
    can_frame_t frame;

    if (slcan_take(&firmware->port, byte, &frame))
    {
        take_frame(firmware, &frame, now_ms);
    }
    board_write(firmware->port.answer, firmware->port.answer_bytes);
}

void firmware_run(firmware_t *firmware, uint32_t now_ms)
{
    if (firmware->in_lock_step)
    {
        const uint32_t limit_ms = firmware->has_ticked ? SILENCE_MS : START_SILENCE_MS;

        if ((now_ms - firmware->told_ms) >= limit_ms)
        {
            announce_out(firmware);
            run_free(firmware, now_ms);
        }
    }
    else if ((now_ms - firmware->tick_ms) >= TICK_MS)
    {
        /* A tick that is late by a whole one is left out, not made up for. */
        firmware->tick_ms = ((now_ms - firmware->tick_ms) >= (2u * TICK_MS)) ? now_ms : (firmware->tick_ms + TICK_MS);
        tick(firmware, board_clock(now_ms));
    }
    else
    {
        /* nothing is due */
    }
}
