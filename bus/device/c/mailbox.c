/* Board support of a core that is emulated in another program: it brings bytes and the time, and takes what is written,
 * while the core rests. */
#include "board.h"
#include "mailbox.h"

uint8_t mailbox_in[MAILBOX_IN_BYTES];
uint8_t mailbox_out[MAILBOX_OUT_BYTES];
volatile mailbox_t mailbox;

void board_start(void)
{
    /* memory is as start-up code has left it */
}

void board_rest(void)
{
    /* The emulator stops here and goes on from here. */
}

uint32_t board_now_ms(void)
{
    return mailbox.now_ms;
}

bool board_read(uint8_t *byte)
{
    const bool ready = mailbox.in_at < mailbox.in_count;

    if (ready)
    {
        *byte = mailbox_in[mailbox.in_at];
        mailbox.in_at++;
    }

    return ready;
}

void board_write(const uint8_t *bytes, uint32_t count)
{
    for (uint32_t at = 0u; at < count; at++)
    {
        if (mailbox.out_count < MAILBOX_OUT_BYTES)
        {
            mailbox_out[mailbox.out_count] = bytes[at];
            mailbox.out_count++;
        }
    }
}
