/* Where a core in an emulator and its emulator meet. */
#ifndef MAILBOX_H
#define MAILBOX_H

#include <stdint.h>

#define MAILBOX_IN_BYTES (2048u)
/* A byte in brings at most three out. */
#define MAILBOX_OUT_BYTES (8192u)

typedef struct
{
    uint32_t now_ms;
    uint32_t in_at;
    uint32_t in_count;
    uint32_t out_count;
} mailbox_t;

extern uint8_t mailbox_in[MAILBOX_IN_BYTES];
extern uint8_t mailbox_out[MAILBOX_OUT_BYTES];
extern volatile mailbox_t mailbox;

#endif
