/* The device's loop: the same on every board and core. */
#include "board.h"
#include "calibration_bytes.h"
#include "firmware.h"

int main(void)
{
    static firmware_t firmware;
    uint8_t byte = 0u;

    board_start();
    firmware_start(&firmware, calibration_bytes, CALIBRATION_BYTES, board_now_ms());
    for (;;)
    {
        firmware_run(&firmware, board_now_ms());
        if (board_read(&byte))
        {
            firmware_take(&firmware, byte, board_now_ms());
        }
        else
        {
            board_rest();
        }
    }
}
