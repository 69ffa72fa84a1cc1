/* Reset of a Cortex-M: stack and reset vector, memory as C expects it, then main. */
#include <stdint.h>

extern uint32_t link_stack_top;
extern uint32_t link_data_from;
extern uint32_t link_data_start;
extern uint32_t link_data_end;
extern uint32_t link_bss_start;
extern uint32_t link_bss_end;

int main(void);
void Reset_Handler(void);
void Stop_Handler(void);

void Stop_Handler(void)
{
    /* A fault: stand still; the watchdog of a real board ends this. */
    for (;;)
    {
    }
}

void Reset_Handler(void)
{
    volatile uint32_t *from = &link_data_from;

    for (volatile uint32_t *to = &link_data_start; to < &link_data_end; to++)
    {
        *to = *from;
        from++;
    }
    for (volatile uint32_t *to = &link_bss_start; to < &link_bss_end; to++)
    {
        *to = 0u;
    }
    (void)main();
    Stop_Handler();
}

typedef void (*handler_t)(void);

typedef struct
{
    uint32_t *stack_top;
    handler_t handlers[15];
} vectors_t;

__attribute__((section(".vectors"), used)) static const vectors_t vectors = {
    &link_stack_top,
    {Reset_Handler, Stop_Handler, Stop_Handler, Stop_Handler, Stop_Handler, Stop_Handler, 0, 0, 0, 0, Stop_Handler,
            Stop_Handler, 0, Stop_Handler, Stop_Handler},
};
