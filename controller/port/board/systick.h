/* The clock of a Cortex-M board by the core's own timer, in steps of 10 ms. Interrupts stay masked: a pending one only
 * ends a wait, and is counted when the time is asked for. */
#ifndef SYSTICK_H
#define SYSTICK_H

#include <stdint.h>

void systick_start(uint32_t counts_of_10_ms);
uint32_t systick_now_ms(void);

#endif
