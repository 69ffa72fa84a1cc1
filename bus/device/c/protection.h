/* End-to-end protection of a frame's data: AUTOSAR E2E profiles 1, 2 and 5. */
#ifndef PROTECTION_H
#define PROTECTION_H

#include "frame_tables.h"

/* In place of a counter: the checksum is wrong. */
#define PROTECTION_BAD (-1)

/* The counter of a protected frame, or PROTECTION_BAD. */
int32_t protection_read(const frame_protection_t *protection, const uint8_t *data, uint32_t length);

/* Write counter and checksum. */
void protection_write(const frame_protection_t *protection, uint8_t *data, uint32_t length, int32_t counter);

#endif
