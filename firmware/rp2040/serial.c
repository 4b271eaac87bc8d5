/* The line: a UART. Bytes come in by an interrupt that goes before all others and only notes them
 * with their time; they are worked on when no frame is being made. Bytes go out by DMA. */
#include "board.h"

enum { RING = 512 };

static struct {
    uint16_t counter; /* of the tick, when the byte was read */
    uint8_t byte;
} ring[RING];
static volatile uint16_t written;
static uint16_t taken;
static volatile bool sending;

void serial_start(uint32_t baud)
{
    uint32_t divide = (CLK_HZ * 4u + baud / 2u) / baud; /* in 1/64 of 16 clocks */
    set_pin(PIN_TX, PIN_UART, PAD_PULLED_DOWN);
    set_pin(PIN_RX, PIN_UART, PAD_PULLED_UP);
    REG(UART_IBRD) = divide >> 6;
    REG(UART_FBRD) = divide & 63u;
    REG(UART_LCR_H) = 3u << 5 | 1u << 4; /* 8 bits, FIFO */
    REG(UART_IFLS) = 0;                  /* interrupt at 4 bytes, or 32 bit times after the last */
    REG(UART_DMACR) = 1u << 1;
    REG(UART_IMSC) = 1u << 4 | 1u << 6;
    REG(UART_CR) = 1u << 9 | 1u << 8 | 1u;
    REG(DMA_INTE0) = 1u << DMA_LINE;
}

void serial_send(void)
{
    if (sending) {
        return;
    }
    size_t n = 0;
    const uint8_t *data = fe_line_take(&front.line, &n);
    if (n > 0u) {
        sending = true;
        REG(DMA_READ(DMA_LINE)) = (uint32_t)(uintptr_t)data;
        REG(DMA_WRITE(DMA_LINE)) = UART_DR;
        REG(DMA_COUNT(DMA_LINE)) = n;
        REG(DMA_CTRL_TRIG(DMA_LINE)) = (uint32_t)DREQ_UART0_TX << DMA_DREQ
                                       | (uint32_t)DMA_LINE << DMA_CHAIN | DMA_STEP_READ
                                       | DMA_ENABLE;
    }
}

void dma_interrupt(void)
{
    REG(DMA_INTS0) = 1u << DMA_LINE;
    sending = false;
    serial_send();
}

void uart_interrupt(void)
{
    while ((REG(UART_FR) & 1u << 4) == 0u) {
        uint16_t at = written;
        ring[at].byte = (uint8_t)REG(UART_DR);
        ring[at].counter = (uint16_t)REG(PWM_CTR(SLICE_TICK));
        written = (uint16_t)((at + 1u) % RING);
    }
    REG(UART_ICR) = 1u << 4 | 1u << 6;
    REG(NVIC_ISPR) = 1u << IRQ_BYTES;
}

/* What the bytes mean. A set point is in force when this ends. */
void bytes_interrupt(void)
{
    while (taken != written) {
        uint16_t at = taken;
        fe_byte(&front, ring[at].byte, clock_at(ring[at].counter));
        taken = (uint16_t)((at + 1u) % RING);
    }
    supplies_ask(front.permission.set_point);
    contacts_set(front.permission.digital_out);
    serial_send();
}
