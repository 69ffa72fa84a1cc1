/* What a firmware asks of its board: a serial port and a clock. A real board brings its own board.c. */
#ifndef BOARD_H
#define BOARD_H

#include <stdbool.h>
#include <stdint.h>

void board_start(void);

/* The next byte of the serial port; false where none has come. */
bool board_read(uint8_t *byte);

/* The time since start, ms, in steps of 10 ms or finer; it starts anew after 2^32. Asked at least every 10 ms. */
uint32_t board_now_ms(void);

/* Rest until a byte may have come or the time has moved; it may return early. */
void board_rest(void);

/* Send bytes, waiting for room. */
void board_write(const uint8_t *bytes, uint32_t count);

#endif
