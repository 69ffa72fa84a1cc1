/* Board support for the LM3S6965 evaluation board (Cortex-M3), as QEMU emulates it: PL011 UART 0 with its FIFOs
 * and the core's own timer, which counts at 12.5 MHz there. */
#include "board.h"

#include "systick.h"

typedef struct
{
    volatile uint32_t data;
    volatile uint32_t errors;
    volatile uint32_t reserved_1[4];
    volatile uint32_t flags;
    volatile uint32_t reserved_2[4];
    volatile uint32_t line_control;
    volatile uint32_t control;
    volatile uint32_t fifo_levels;
    volatile uint32_t interrupt_mask;
    volatile uint32_t raw_interrupts;
    volatile uint32_t masked_interrupts;
    volatile uint32_t interrupt_clear;
} uart_t;

#define UART_EMPTY (0x10u)
#define UART_FULL (0x20u)
#define UART_8_BITS_WITH_FIFO (0x70u)
#define UART_SEND_AND_RECEIVE (0x301u)
#define UART_RECEIVED (0x50u)
#define UART_IRQ (0x20u)
#define COUNTS_OF_10_MS (125000u)

/* The register blocks' addresses are the board's, so they are numbers here and nowhere else. */
static uart_t *const uart = (uart_t *)0x4000C000u;
static volatile uint32_t *const irq_enable = (volatile uint32_t *)0xE000E100u;
static volatile uint32_t *const irq_clear_pending = (volatile uint32_t *)0xE000E280u;

void board_start(void)
{
    uart->line_control = UART_8_BITS_WITH_FIFO;
    uart->interrupt_mask = UART_RECEIVED;
    uart->control = UART_SEND_AND_RECEIVE;
    /* Interrupts stay masked: a pending one only ends the wait of board_rest. */
    __asm__ volatile("cpsid i");
    *irq_enable = UART_IRQ;
    systick_start(COUNTS_OF_10_MS);
}

uint32_t board_now_ms(void)
{
    return systick_now_ms();
}

void board_rest(void)
{
    __asm__ volatile("wfi");
    uart->interrupt_clear = UART_RECEIVED;
    *irq_clear_pending = UART_IRQ;
}

bool board_read(uint8_t *byte)
{
    const bool ready = (uart->flags & UART_EMPTY) == 0u;

    if (ready)
    {
        *byte = (uint8_t)uart->data;
    }

    return ready;
}

void board_write(const uint8_t *bytes, uint32_t count)
{
    for (uint32_t at = 0u; at < count; at++)
    {
        while ((uart->flags & UART_FULL) != 0u)
        {
            /* waits for room */
        }
        uart->data = (uint32_t)bytes[at];
    }
}
