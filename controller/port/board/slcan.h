/* CAN frames as lines of text, the protocol of serial CAN adapters (slcan): tIIILDD.. and TIIIIIIIILDD.., each
 * ended by a carriage return. O or L opens, C closes, S and the like are answered; no frame passes while closed. */
#ifndef SLCAN_H
#define SLCAN_H

#include <stdbool.h>
#include <stdint.h>

#define CAN_BYTES (8u)
/* T, 8 digits, length, 16 digits, carriage return */
#define SLCAN_LINE_BYTES (27u)
#define SLCAN_ANSWER_BYTES (6u)

typedef struct
{
    uint32_t ident;
    bool is_extended;
    uint8_t length;
    uint8_t data[CAN_BYTES];
} can_frame_t;

typedef struct
{
    uint8_t line[SLCAN_LINE_BYTES];
    /* bytes of the line so far; past the longest line they are counted, not kept */
    uint32_t used;
    bool is_open;
    uint8_t answer[SLCAN_ANSWER_BYTES];
    uint32_t answer_bytes;
} slcan_t;

/* Closed, with an empty line. */
void slcan_start(slcan_t *port);

/* Take a byte. Returns whether it completed a frame; answer holds what has to be sent back, a bell for what is
 * no line of the protocol. */
bool slcan_take(slcan_t *port, uint8_t byte, can_frame_t *frame);

/* Write a frame's line and return its bytes, or 0 while the port is closed. */
uint32_t slcan_write(const slcan_t *port, const can_frame_t *frame, uint8_t line[SLCAN_LINE_BYTES]);

#endif
