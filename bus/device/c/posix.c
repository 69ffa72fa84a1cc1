/* Board support of a process on this machine: its serial line is a TCP connection, one at a time.
 *
 * File 0 is the listening socket and file 1 a pipe whose other end the starter holds: when it is gone, so are we.
 */
#define _POSIX_C_SOURCE 200809L
#include "board.h"

#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#define LISTENER (0)
#define STARTER (1)
#define NOBODY (-1)
#define REST_MS (10)

static int client = NOBODY;
static uint8_t received[4096];
static size_t received_count;
static size_t received_at;

void board_start(void)
{
    received_count = 0u;
    received_at = 0u;
}

uint32_t board_now_ms(void)
{
    struct timespec now;

    (void)clock_gettime(CLOCK_MONOTONIC, &now);

    return ((uint32_t)now.tv_sec * 1000u) + (uint32_t)(now.tv_nsec / 1000000);
}

bool board_read(uint8_t *byte)
{
    const bool ready = received_at < received_count;

    if (ready)
    {
        *byte = received[received_at];
        received_at++;
    }

    return ready;
}

static void hang_up(void)
{
    (void)close(client);
    client = NOBODY;
}

static void answer(void)
{
    const int at_once = 1;

    client = accept(LISTENER, NULL, NULL);
    if (client != NOBODY)
    {
        (void)setsockopt(client, IPPROTO_TCP, TCP_NODELAY, &at_once, (socklen_t)sizeof at_once);
    }
}

static void receive(void)
{
    const ssize_t count = recv(client, received, sizeof received, 0);

    if (count > 0)
    {
        received_count = (size_t)count;
        received_at = 0u;
    }
    else
    {
        hang_up();
    }
}

void board_rest(void)
{
    struct pollfd files[] = {
        {(client == NOBODY) ? LISTENER : client, POLLIN, 0},
        {STARTER, 0, 0},
    };

    if (poll(files, 2u, REST_MS) > 0)
    {
        if (files[1].revents != 0)
        {
            exit(EXIT_SUCCESS);
        }
        if (client == NOBODY)
        {
            answer();
        }
        else
        {
            receive();
        }
    }
}

void board_write(const uint8_t *bytes, uint32_t count)
{
    size_t sent = 0u;

    while ((client != NOBODY) && (sent < (size_t)count))
    {
        const ssize_t more = send(client, &bytes[sent], (size_t)count - sent, MSG_NOSIGNAL);

        if (more > 0)
        {
            sent += (size_t)more;
        }
        else
        {
            hang_up();
        }
    }
}
