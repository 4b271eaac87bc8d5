/* Tooth wheels: a PIO state machine per wheel waits for each change of its pin and pushes a word.
 * That word makes one DMA channel pop it and start another, which copies the tick counter into a
 * ring. So no instruction of the processor stands in a stamp, and rises and falls alternate. */
#include "board.h"

enum { RING = 512, RING_BYTES_LOG2 = 10 };

static uint16_t ring[WHEELS][RING] __attribute__((aligned(1024)));
static uint16_t taken[WHEELS];
static uint32_t popped; /* nobody reads it */

/* The first line waits for a low pin, so that the first change is a rise. */
static const uint16_t program[5] = {
    0x2020, /* wait 0 pin 0 */
    0x20A0, /* wait 1 pin 0: wraps to here */
    0x8020, /* push block */
    0x2020, /* wait 0 pin 0 */
    0x8020  /* push block */
};
enum { WRAP_TOP = 4, WRAP_BOTTOM = 1 };

void teeth_start(void)
{
    for (uint32_t i = 0; i < 5u; i++) {
        REG(PIO_PROGRAM(i)) = program[i];
    }
    for (uint32_t wheel = 0; wheel < front.config.wheels; wheel++) {
        uint32_t pop = 2u * wheel;
        uint32_t stamp = pop + 1u;
        set_pin(PIN_WHEEL + wheel, PIN_PIO0, PAD_PULLED_DOWN);
        REG(PIO_CLKDIV(wheel)) = 1u << 16;
        REG(PIO_EXECCTRL(wheel)) = (uint32_t)WRAP_TOP << 12 | WRAP_BOTTOM << 7;
        REG(PIO_PINCTRL(wheel)) = (PIN_WHEEL + wheel) << 15;
        REG(DMA_READ(stamp)) = PWM_CTR(SLICE_TICK);
        REG(DMA_WRITE(stamp)) = (uint32_t)(uintptr_t)ring[wheel];
        REG(DMA_COUNT(stamp)) = 1;
        REG(DMA_CTRL(stamp)) = DMA_QUIET | (uint32_t)DREQ_ALWAYS << DMA_DREQ | pop << DMA_CHAIN
                               | DMA_RING_WRITES | RING_BYTES_LOG2 << DMA_RING_BITS
                               | DMA_STEP_WRITE | DMA_HALFWORD | DMA_FIRST | DMA_ENABLE;
        REG(DMA_READ(pop)) = PIO_RXF(wheel);
        REG(DMA_WRITE(pop)) = (uint32_t)(uintptr_t)&popped;
        REG(DMA_COUNT(pop)) = 1;
        REG(DMA_CTRL_TRIG(pop)) = DMA_QUIET | (DREQ_PIO0_RX0 + wheel) << DMA_DREQ
                                  | stamp << DMA_CHAIN | DMA_WORD | DMA_FIRST | DMA_ENABLE;
    }
    REG(PIO_CTRL) = (1u << front.config.wheels) - 1u;
}

static uint16_t head_of(uint32_t wheel)
{
    uint32_t at = REG(DMA_WRITE(2u * wheel + 1u)) - (uint32_t)(uintptr_t)ring[wheel];
    return (uint16_t)(at / 2u % RING);
}

static void collect(uint32_t wheel, uint32_t end)
{
    fe_wheel *edges = &front.wheel[wheel];
    uint16_t head = head_of(wheel);
    uint16_t at = taken[wheel];
    uint32_t until = 0;
    bool more = false; /* a change after the end of the frame stands in the ring */
    while (at != head && !more) {
        until = clock_at(ring[wheel][at]);
        more = (int32_t)(until - end) > 0;
        if (!more) {
            fe_wheel_change(edges, until);
            at = (uint16_t)((at + 1u) % RING);
        }
    }
    taken[wheel] = at;
    if (!more) {
        /* A change in the last moments of the frame needs its least width, 50 us at most. */
        do {
            until = clock_now();
        } while (edges->pending && until - end < edges->least_ticks && head_of(wheel) == head);
        if (head_of(wheel) != head) {
            until = clock_at(ring[wheel][head]);
        }
    }
    fe_wheel_close(edges, until);
    if (!more && head_of(wheel) == head) {
        fe_wheel_settle(edges, (REG(SIO_IN) >> (PIN_WHEEL + wheel) & 1u) != 0u);
    }
}

void teeth_collect(uint32_t end)
{
    for (uint32_t wheel = 0; wheel < front.config.wheels; wheel++) {
        collect(wheel, end);
    }
}
