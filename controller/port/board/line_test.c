/* Firmware that tests a serial CAN line: every frame comes back with the next identifier and its bytes inverted.
 *
 * It shows that board support, cable and adapter carry frames whole; it holds no rules and gives no duty.
 */
#include "board.h"
#include "slcan.h"

int main(void)
{
    static slcan_t port;
    uint8_t line[SLCAN_LINE_BYTES];
    can_frame_t frame;
    uint8_t byte = 0u;

    board_start();
    slcan_start(&port);
    for (;;)
    {
        if (board_read(&byte))
        {
            if (slcan_take(&port, byte, &frame))
            {
                frame.ident = (frame.ident + 1u) & (frame.is_extended ? 0x1FFFFFFFu : 0x7FFu);
                for (uint32_t at = 0u; at < (uint32_t)frame.length; at++)
                {
                    frame.data[at] = (uint8_t)~frame.data[at];
                }
                board_write(line, slcan_write(&port, &frame, line));
            }
            board_write(port.answer, port.answer_bytes);
        }
        else
        {
            board_rest();
        }
    }
}
