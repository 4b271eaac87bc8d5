/* Absorber supplies: a PWM output of 20 kHz for each, which a filter and an amplifier turn into
 * 0 to 10 V; the coils' currents come back to the ADC, which runs by itself into a ring.
 *
 * After any reset the pins are inputs pulled down: the supplies are asked for nothing. A processor
 * or crystal that stops may leave a PWM pin high. So a pulse train on PIN_ALIVE, one edge a step,
 * must hold the supplies enabled through a circuit that lets go without it. */
#include "board.h"

enum {
    PWM_STEPS = 6000, /* 120 MHz / 20 kHz */
    RING = 64,
    RING_BYTES_LOG2 = 7,
    AVERAGED = 8,     /* conversions of each coil in a step */
    ADC_HZ = 48000000
};

static uint16_t ring[RING] __attribute__((aligned(128)));
static uint16_t level[OUTPUTS];

static void start_conversions(void)
{
    REG(ADC_CS) = 1u; /* on, idle, first input */
    REG(DMA_ABORT) = 1u << DMA_CURRENTS_A | 1u << DMA_CURRENTS_B;
    while (((REG(DMA_CTRL(DMA_CURRENTS_A)) | REG(DMA_CTRL(DMA_CURRENTS_B))) & DMA_BUSY) != 0u) {
    }
    REG(ADC_FCS) = 0;
    while ((REG(ADC_FCS) & 1u << 8) == 0u) {
        (void)REG(ADC_FIFO);
    }
    REG(ADC_FCS) = 1u << 24 | 1u << 11 | 1u << 10 | 1u << 3 | 1u; /* DMA at each; errors forgotten */
    for (uint32_t i = 0; i < 2u; i++) {
        uint32_t channel = DMA_CURRENTS_A + i;
        uint32_t other = DMA_CURRENTS_B - i;
        uint32_t control = DMA_QUIET | (uint32_t)DREQ_ADC << DMA_DREQ | other << DMA_CHAIN
                           | DMA_RING_WRITES | RING_BYTES_LOG2 << DMA_RING_BITS
                           | DMA_STEP_WRITE | DMA_HALFWORD | DMA_ENABLE;
        REG(DMA_READ(channel)) = ADC_FIFO;
        REG(DMA_WRITE(channel)) = (uint32_t)(uintptr_t)ring;
        REG(DMA_COUNT(channel)) = RING;
        REG(DMA_CTRL(channel)) = control; /* started by the other one */
    }
    REG(DMA_CTRL_TRIG(DMA_CURRENTS_A)) = REG(DMA_CTRL(DMA_CURRENTS_A));
    REG(ADC_CS) = 0xFu << 16 | 1u << 3 | 1u; /* the four inputs in turn, without end */
}

void supplies_start(void)
{
    uint32_t rate = (uint32_t)front.config.permit_hz * AVERAGED * OUTPUTS;
    for (uint32_t slice = PIN_SUPPLY / 2; slice < (PIN_SUPPLY + OUTPUTS) / 2; slice++) {
        REG(PWM_CC(slice)) = 0;
        REG(PWM_DIV(slice)) = 1u << 4;
        REG(PWM_TOP(slice)) = PWM_STEPS - 1;
        REG(PWM_CSR(slice)) = 1;
    }
    for (uint32_t i = 0; i < OUTPUTS; i++) {
        set_pin(PIN_SUPPLY + i, PIN_PWM, PAD_PULLED_DOWN);
        set_pin(PIN_CURRENT + i, PIN_NONE, PAD_ANALOGUE);
    }
    REG(SIO_OE_SET) = 1u << PIN_ALIVE;
    set_pin(PIN_ALIVE, PIN_SIO, PAD_PULLED_DOWN);
    REG(ADC_CS) = 1u;
    while ((REG(ADC_CS) & 1u << 8) == 0u) {
    }
    REG(ADC_DIV) = (ADC_HZ / rate - 1u) << 8;
    start_conversions();
}

void supplies_ask(const uint16_t *set_points)
{
    for (uint32_t i = 0; i < front.config.outputs; i++) {
        uint32_t full = front.config.output[i].output_full;
        level[i] = (uint16_t)(((uint32_t)set_points[i] * PWM_STEPS + full / 2u) / full);
    }
    for (uint32_t pair = 0; pair < OUTPUTS / 2; pair++) {
        REG(PWM_CC(PIN_SUPPLY / 2u + pair)) =
            (uint32_t)level[2u * pair + 1u] << 16 | level[2u * pair];
    }
}

void supplies_off(void)
{
    for (uint32_t pair = 0; pair < OUTPUTS / 2; pair++) {
        REG(PWM_CC(PIN_SUPPLY / 2u + pair)) = 0;
    }
}

void supplies_alive(void)
{
    REG(SIO_OUT_XOR) = 1u << PIN_ALIVE;
}

/* The mean of the last step, so that the ripple of supply and PWM does not show. */
void supplies_read(uint16_t *measured)
{
    uint32_t sum[OUTPUTS] = {0, 0, 0, 0};
    uint32_t both = DMA_ENABLE | DMA_BUSY; /* the channel that runs tells where the ring is */
    uint32_t running = (REG(DMA_CTRL(DMA_CURRENTS_A)) & both) == both ? DMA_CURRENTS_A
                                                                       : DMA_CURRENTS_B;
    uint32_t head = (REG(DMA_WRITE(running)) - (uint32_t)(uintptr_t)ring) / 2u;
    for (uint32_t i = 1; i <= AVERAGED * OUTPUTS; i++) {
        uint32_t at = (head - i) % RING;
        sum[at % OUTPUTS] += ring[at];
    }
    for (uint32_t i = 0; i < front.config.outputs; i++) {
        const fe_output_config *output = &front.config.output[i];
        int32_t span = (int32_t)(sum[i] * 65536u / (AVERAGED * 4096u)) - output->read_zero;
        uint32_t steps = span > 0 ? ((uint32_t)span * output->read_full + 32768u) >> 16 : 0u;
        measured[i] = (uint16_t)(steps < 0xFFFFu ? steps : 0xFFFFu);
    }
    if ((REG(ADC_FCS) & 1u << 11) != 0u) { /* one was lost: the ring's order with it */
        start_conversions();
    }
}
