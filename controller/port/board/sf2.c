/* Board support for a SmartFusion2 board (Cortex-M3), as QEMU emulates it: a 16550 UART with its FIFOs, which takes
 * bytes by the dozen, and the core's own timer, which counts at 142 MHz there. */
#include "board.h"

#include "cortex.h"

typedef struct
{
    volatile uint32_t data;
    volatile uint32_t interrupts;
    volatile uint32_t fifo;
    volatile uint32_t line;
    volatile uint32_t modem;
    volatile uint32_t state;
} uart_t;

#define UART_8_BITS (0x03u)
#define UART_DIVISOR_SHOWN (0x80u)
#define UART_FASTEST (1u)
/* FIFO on; an interrupt at 14 bytes, or when the line has been still for four */
#define UART_FIFO_OF_14 (0xC1u)
#define UART_RECEIVED (0x01u)
#define UART_READY (0x01u)
#define UART_ROOM (0x20u)
#define UART_IRQ (0x400u)
#define COUNTS_OF_10_MS (1420000u)

/* The register block's address is the board's, so it is a number here and nowhere else. */
static uart_t *const uart = (uart_t *)0x40000000u;

void board_start(void)
{
    uart->line = UART_8_BITS | UART_DIVISOR_SHOWN;
    uart->data = UART_FASTEST;
    uart->interrupts = 0u;
    uart->line = UART_8_BITS;
    uart->fifo = UART_FIFO_OF_14;
    uart->interrupts = UART_RECEIVED;
    cortex_start(UART_IRQ, COUNTS_OF_10_MS);
}

uint32_t board_now_ms(void)
{
    return cortex_now_ms();
}

void board_rest(void)
{
    cortex_wait();
    cortex_waited(UART_IRQ);
}

bool board_read(uint8_t *byte)
{
    const bool ready = (uart->state & UART_READY) != 0u;

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
        while ((uart->state & UART_ROOM) == 0u)
        {
            /* waits for room */
        }
        uart->data = (uint32_t)bytes[at];
    }
}
