/* The clock of a Cortex-M board by the core's own timer. */
#include "systick.h"

#define STEP_MS (10u)
#define PROCESSOR_CLOCK_INTERRUPT_AND_ON (7u)
#define PENDING (0x04000000u)
#define CLEAR_PENDING (0x02000000u)

typedef struct
{
    volatile uint32_t control;
    volatile uint32_t reload;
    volatile uint32_t value;
} systick_t;

/* The addresses are the same on every Cortex-M. */
static systick_t *const timer = (systick_t *)0xE000E010u;
static volatile uint32_t *const interrupt_state = (volatile uint32_t *)0xE000ED04u;

static uint32_t time_ms;

void systick_start(uint32_t counts_of_10_ms)
{
    time_ms = 0u;
    timer->reload = counts_of_10_ms - 1u;
    timer->value = 0u;
    timer->control = PROCESSOR_CLOCK_INTERRUPT_AND_ON;
}

uint32_t systick_now_ms(void)
{
    if ((*interrupt_state & PENDING) != 0u)
    {
        *interrupt_state = CLEAR_PENDING;
        time_ms += STEP_MS;
    }

    return time_ms;
}
