/* The rules as a device: nothing goes in before a good calibration image, nor on inputs out of range. */
#ifndef DEVICE_H
#define DEVICE_H

#include "rules.h"

/* All that a device is; it needs no other storage. */
typedef struct
{
    /* a good image has been read */
    bool ready;
    rules_calibration_t k;
    rules_memory_t m;
} device_t;

/* Read an image and start. Returns IMAGE_GOOD, or why not (calibration_image.h): then the duty stays 0. */
int32_t device_start(device_t *device, const uint8_t *image, uint32_t size);

/* One tick. An input out of its range counts as lost (checks.h). */
void device_tick(device_t *device, const rules_inputs_t *x, rules_command_t *c);

#endif
