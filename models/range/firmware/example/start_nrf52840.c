/* From reset to main, and the vector table; for an nRF52840, without a C library. */
#include <stddef.h>
#include <stdint.h>

extern uint32_t link_data_from[];
extern uint32_t link_data[];
extern uint32_t link_data_end[];
extern uint32_t link_bss[];
extern uint32_t link_bss_end[];
extern uint32_t link_stack_top[];

int main(void);
void Reset_Handler(void);
void Default_Handler(void);
void SPIM_Handler(void);
void TIMER_Handler(void);
void RTC_Handler(void);
void *memset(void *to, int value, size_t n);
void *memcpy(void *restrict to, const void *restrict from, size_t n);

/* Volatile, so that no compiler makes them calls of themselves. */
void *memset(void *to, int value, size_t n)
{
    volatile uint8_t *byte = (volatile uint8_t *)to;
    for (; n != 0u; n--) {
        *byte++ = (uint8_t)value;
    }
    return to;
}

void *memcpy(void *restrict to, const void *restrict from, size_t n)
{
    volatile uint8_t *out = (volatile uint8_t *)to;
    const uint8_t *in = (const uint8_t *)from;
    for (; n != 0u; n--) {
        *out++ = *in++;
    }
    return to;
}

void Default_Handler(void)
{
    for (;;) { /* the watchdog ends it, if it runs */
    }
}

void Reset_Handler(void)
{
    const uint32_t *from = link_data_from;
    for (uint32_t *to = link_data; to != link_data_end; to++) {
        *to = *from++;
    }
    for (uint32_t *to = link_bss; to != link_bss_end; to++) {
        *to = 0u;
    }
    (void)main();
    Default_Handler();
}

typedef void (*handler)(void);

typedef struct {
    uint32_t *stack_top;
    handler reset;
    handler core[14];
    handler chip[48];
} vector_table;

#define OTHER Default_Handler

/* Interrupts 3, 8 and 17 are the example's; the rest is not enabled. */
__attribute__((section(".vectors"), used)) const vector_table vectors = {
    link_stack_top,
    Reset_Handler,
    {OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER,
     OTHER},
    {OTHER, OTHER, OTHER, SPIM_Handler, OTHER, OTHER, OTHER, OTHER, TIMER_Handler, OTHER, OTHER,
     OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, RTC_Handler, OTHER, OTHER, OTHER, OTHER, OTHER,
     OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER,
     OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER, OTHER},
};
