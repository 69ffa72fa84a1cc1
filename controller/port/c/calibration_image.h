/* Reading a calibration image: little-endian, magic, format, signature, values, CRC-32 (IEEE 802.3). */
#ifndef CALIBRATION_IMAGE_H
#define CALIBRATION_IMAGE_H

#include "rules.h"

#define IMAGE_GOOD (0)
/* Shorter or longer than the number of keys asks for. */
#define IMAGE_WRONG_SIZE (1)
/* Does not start as a calibration image. */
#define IMAGE_NO_IMAGE (2)
/* A format that this firmware does not read. */
#define IMAGE_WRONG_FORMAT (3)
/* Made for other rules: other keys, ranges or order. */
#define IMAGE_OTHER_RULES (4)
/* The checksum does not match. */
#define IMAGE_CORRUPT (5)
/* A value out of its range, or a relation between values that does not hold. */
#define IMAGE_BAD_VALUES (6)

/* Check an image and read it; k is written only where the result is IMAGE_GOOD. */
int32_t calibration_image_read(const uint8_t *image, uint32_t size, rules_calibration_t *k);

#endif
