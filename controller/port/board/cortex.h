/* What every Cortex-M core brings for its board: a clock by its own timer, in steps of 10 ms, and rest until something
 * comes. Interrupts stay masked: a pending one only ends a wait; the timer's is counted when the time is asked for. */
#ifndef CORTEX_H
#define CORTEX_H

#include <stdint.h>

/* `irq` is the bit of the serial port's interrupt. */
void cortex_start(uint32_t irq, uint32_t counts_of_10_ms);
uint32_t cortex_now_ms(void);

/* Rest until an interrupt is pending. */
void cortex_wait(void);

/* After a wait, and after the port has been told: the next byte ends the next wait. */
void cortex_waited(uint32_t irq);

#endif
