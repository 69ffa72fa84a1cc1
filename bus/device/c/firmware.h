/* The device: a serial CAN line, the map's frames and the rules. The board brings bytes and the time.
 *
 * Free-running, it ticks every 10 ms of the board's clock. The bench's phase 0 (start) puts it into lock-step: as after
 * power-up, with duty 0 announced; then each phase 1 (tick) makes one tick and one command. Phase 2 (end), or silence,
 * announces duty 0 and puts it back to free-running, as after power-up.
 */
#ifndef FIRMWARE_H
#define FIRMWARE_H

#include "device.h"
#include "frames.h"
#include "slcan.h"

/* Frames that are kept from one tick of lock-step to the next; more are lost. */
#define FIRMWARE_WAITING (48u)

typedef struct
{
    slcan_t port;
    frames_t frames;
    device_t device;
    const uint8_t *image;
    uint32_t image_bytes;
    /* what the image's check found: IMAGE_GOOD, or why the duty stays 0 (calibration_image.h) */
    int32_t image_result;
    bool in_lock_step;
    bool has_ticked;
    /* of the board's clock: last free-running tick; last word of the bench in lock-step */
    uint32_t tick_ms;
    uint32_t told_ms;
    /* of the bench's clock */
    int32_t bench_ms;
    can_frame_t waiting[FIRMWARE_WAITING];
    uint32_t waiting_places[FIRMWARE_WAITING];
    uint32_t waiting_count;
} firmware_t;

/* Power up, with a calibration image that stays where it is. */
void firmware_start(firmware_t *firmware, const uint8_t *image, uint32_t image_bytes, uint32_t now_ms);

/* Take a byte of the serial line. */
void firmware_take(firmware_t *firmware, uint8_t byte, uint32_t now_ms);

/* Do what is due. */
void firmware_run(firmware_t *firmware, uint32_t now_ms);

#endif
