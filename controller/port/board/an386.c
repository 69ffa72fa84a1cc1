/* Board support for the AN386 image of the MPS2 board (Cortex-M4), as QEMU emulates it: CMSDK UART 0, which holds one
 * byte, and the core's own timer, which counts at 25 MHz there. */
#include "board.h"

#include "cortex.h"

typedef struct
{
    volatile uint32_t data;
    volatile uint32_t state;
    volatile uint32_t control;
    volatile uint32_t interrupts;
    volatile uint32_t divisor;
} uart_t;

#define UART_FULL (1u)
#define UART_READY (2u)
#define UART_SEND_RECEIVE_AND_INTERRUPT (0xBu)
#define UART_RECEIVED (2u)
#define UART_FASTEST (16u)
#define UART_IRQ (1u)
#define COUNTS_OF_10_MS (250000u)

/* The register block's address is the board's, so it is a number here and nowhere else. */
static uart_t *const uart = (uart_t *)0x40004000u;

void board_start(void)
{
    uart->divisor = UART_FASTEST;
    uart->control = UART_SEND_RECEIVE_AND_INTERRUPT;
    cortex_start(UART_IRQ, COUNTS_OF_10_MS);
}

uint32_t board_now_ms(void)
{
    return cortex_now_ms();
}

void board_rest(void)
{
    cortex_wait();
    uart->interrupts = UART_RECEIVED;
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
        while ((uart->state & UART_FULL) != 0u)
        {
            /* waits for room */
        }
        uart->data = (uint32_t)bytes[at];
    }
}
