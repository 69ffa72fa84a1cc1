/* The rules as a device: nothing goes in before a good calibration image, nor on inputs out of range. */
#include "device.h"

#include "calibration_image.h"
#include "checks.h"

int32_t device_start(device_t *device, const uint8_t *image, uint32_t size)
{
    const int32_t result = calibration_image_read(image, size, &device->k);

    device->ready = result == IMAGE_GOOD;
    rules_start(&device->m);

    return result;
}

void device_tick(device_t *device, const rules_inputs_t *x, rules_command_t *c)
{
    rules_inputs_t in_range = *x;

    c->duty_ppm = 0;
    c->state = RULES_STATE_IDLE;
    c->reason = RULES_REASON_START;
    c->refusal = RULES_REASON_START;
    c->warnings = 0;
    c->band = 0;
    if (device->ready)
    {
        (void)rules_inputs_limit(&in_range);
        rules_tick(&device->k, &in_range, &device->m, c);
    }
}
