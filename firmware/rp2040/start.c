/* From reset to main: everything is copied to RAM and runs there, where no access waits for
 * flash, and what an interrupt takes is always the same. */
#include "board.h"

extern uint32_t image_start[], image_end[], image_load[], bss_start[], bss_end[], stack_top[];

int main(void);
void step_interrupt(void);
void dma_interrupt(void);
void uart_interrupt(void);
void bytes_interrupt(void);
void reset(void);
void fault(void);
void *memcpy(void *to, const void *from, size_t n);
void *memset(void *to, int value, size_t n);

/* The compiler calls these by itself. */
void *memcpy(void *to, const void *from, size_t n)
{
    uint8_t *write = to;
    const uint8_t *read = from;
    for (size_t i = 0; i < n; i++) {
        write[i] = read[i];
    }
    return to;
}

void *memset(void *to, int value, size_t n)
{
    uint8_t *write = to;
    for (size_t i = 0; i < n; i++) {
        write[i] = (uint8_t)value;
    }
    return to;
}

/* Nothing can be asked of the supplies any more; the watchdog bites soon after. */
void fault(void)
{
    supplies_off();
    for (;;) {
    }
}

typedef void (*handler)(void);
typedef union {
    uint32_t *stack;
    handler run;
} vector;

__attribute__((section(".vectors"), used)) static const vector vectors[48] = {
    [0] = {.stack = stack_top},
    [1] = {.run = reset},
    [2 ... 19] = {.run = fault},
    [16 + IRQ_PWM_WRAP] = {.run = step_interrupt},
    [21 ... 26] = {.run = fault},
    [16 + IRQ_DMA_0] = {.run = dma_interrupt},
    [28 ... 35] = {.run = fault},
    [16 + IRQ_UART0] = {.run = uart_interrupt},
    [37 ... 41] = {.run = fault},
    [16 + IRQ_BYTES] = {.run = bytes_interrupt},
    [43 ... 47] = {.run = fault}};

__attribute__((section(".start.entry"), used)) static const vector entry[2] = {
    {.stack = stack_top}, {.run = reset}};

__attribute__((section(".start"))) void reset(void)
{
    const uint32_t *from = image_load;
    for (uint32_t *to = image_start; to < image_end; to++) {
        *to = *from;
        from++;
    }
    for (uint32_t *to = bss_start; to < bss_end; to++) {
        *to = 0;
    }
    REG(SCB_VTOR) = (uint32_t)(uintptr_t)vectors;
    (void)main();
}

__attribute__((section(".boot2"), used)) static const uint8_t boot2[256] = {
#include "boot2.inc"
};
