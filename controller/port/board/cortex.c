/* What every Cortex-M core brings for its board: a clock by its own timer, and rest until something comes. */
#include "cortex.h"

#define STEP_MS (10u)
#define PROCESSOR_CLOCK_INTERRUPT_AND_ON (7u)
#define PENDING (0x04000000u)
#define CLEAR_PENDING (0x02000000u)

typedef struct
{
    volatile uint32_t control;
    volatile uint32_t reload;
    volatile uint32_t value;
} core_timer_t;

/* The addresses are the same on every Cortex-M. */
static core_timer_t *const timer = (core_timer_t *)0xE000E010u;
static volatile uint32_t *const interrupt_state = (volatile uint32_t *)0xE000ED04u;
static volatile uint32_t *const irq_enable = (volatile uint32_t *)0xE000E100u;
static volatile uint32_t *const irq_clear_pending = (volatile uint32_t *)0xE000E280u;

static uint32_t time_ms;

void cortex_start(uint32_t irq, uint32_t counts_of_10_ms)
{
    /* Interrupts stay masked: a pending one only ends a wait. */
    __asm__ volatile("cpsid i");
    *irq_enable = irq;
    time_ms = 0u;
    timer->reload = counts_of_10_ms - 1u;
    timer->value = 0u;
    timer->control = PROCESSOR_CLOCK_INTERRUPT_AND_ON;
}

uint32_t cortex_now_ms(void)
{
    if ((*interrupt_state & PENDING) != 0u)
    {
        *interrupt_state = CLEAR_PENDING;
        time_ms += STEP_MS;
    }

    return time_ms;
}

void cortex_wait(void)
{
    __asm__ volatile("wfi");
}

void cortex_waited(uint32_t irq)
{
    *irq_clear_pending = irq;
}
