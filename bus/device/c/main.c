/* The device's loop: the same on every board and core. */
#include "board.h"
#include "calibration_bytes.h"
#include "firmware.h"

/* So many bytes at once, before the clock is looked at again: a line that never rests must not stop it. */
#define BYTES_AT_ONCE (64u)

int main(void)
{
    static firmware_t firmware;
    uint8_t byte = 0u;

    board_start();
    firmware_start(&firmware, calibration_bytes, CALIBRATION_BYTES, board_now_ms());
    for (;;)
    {
        const uint32_t now_ms = board_now_ms();
        uint32_t taken = 0u;

        while ((taken < BYTES_AT_ONCE) && board_read(&byte))
        {
            firmware_take(&firmware, byte, now_ms);
            taken++;
        }
        /* After the bytes: what has come while this processor was kept from running is no silence. */
        firmware_run(&firmware, now_ms);
        if (taken == 0u)
        {
            board_rest();
        }
    }
}
