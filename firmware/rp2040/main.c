/* A front end on an RP2040. All work is done in interrupts; in between the processor sleeps.
 *
 * The step's interrupt: what was measured up to its tick -> the core -> supplies and the line.
 * Bytes from the host: noted by an interrupt of their own that goes first, worked on between
 * steps. So the core is never entered twice. */
#include "board.h"

fe_front_end front;

static enum fe_config_fault fault;
static char name[FE_MAX_FIRMWARE + 1];

static const fe_board board = {.id = BOARD_ID,
                               .wheels = WHEELS,
                               .converters = CONVERTER_INPUTS,
                               .outputs = OUTPUTS,
                               .digital_in = DIGITAL_IN,
                               .digital_out = DIGITAL_OUT,
                               .slow = SLOW_INPUTS,
                               .converter_inputs = CONVERTER_INPUTS,
                               .slow_inputs = SLOW_INPUTS,
                               .tick_hz = TICK_HZ};

void set_pin(uint32_t pin, uint32_t function, uint32_t pad)
{
    REG(PADS_PIN(pin)) = pad;
    REG(IO_CTRL(pin)) = function;
}

static void send_slow(uint32_t tick)
{
    static uint32_t frames;
    static const uint8_t index[SLOW_INPUTS] = {0, 1, 2, 3, 4, 5, 6, 7};
    float value[SLOW_INPUTS];
    frames++;
    if (front.config.slow == 0u || frames < front.config.frame_hz / front.config.slow_hz) {
        return;
    }
    frames = 0;
    for (uint32_t i = 0; i < front.config.slow; i++) {
        const fe_slow_config *slow = &front.config.slow_channel[i];
        value[i] = slow->scale * slow_volts(slow->input) + slow->offset;
    }
    fe_slow(&front, front.config.slow, index, value, tick);
}

/* 500 times a second or more: currents, permission, supplies; then, once a frame, the rest. */
void step_interrupt(void)
{
    static fe_inputs inputs;
    static uint16_t measured[FE_MAX_OUTPUTS];
    static uint32_t steps;
    uint32_t tick = clock_next_step();
    inputs.digital = contacts_read();
    supplies_read(measured);
    fe_measured(&front, measured);
    fe_permit(&front, inputs.digital, tick);
    supplies_ask(front.permission.set_point);
    steps++;
    bool frame = steps >= front.config.permits_per_frame;
    if (frame) {
        steps = 0;
        converters_read(&inputs);
    }
    teeth_collect(tick);
    if (frame) {
        fe_sample(&front, &inputs, tick);
        serial_send();
        slow_step();
        send_slow(tick);
    }
    serial_send();
    watchdog_feed();
    if (fault == FE_CONFIG_SOUND) {
        supplies_alive();
    }
}

/* "drumlin-rp2040 1.0", and what is wrong with the configuration. */
static void set_name(void)
{
    const char *parts[3] = {"drumlin-rp2040 1.0", ", ", fe_config_words(fault)};
    size_t count = fault == FE_CONFIG_SOUND ? 1u : 3u;
    size_t at = 0;
    for (size_t i = 0; i < count; i++) {
        for (const char *from = parts[i]; *from != '\0' && at < FE_MAX_FIRMWARE; from++) {
            name[at] = *from;
            at++;
        }
    }
    front.config.firmware = name;
}

static void enable(uint32_t interrupt, uint32_t priority)
{
    uint32_t shift = 8u * (interrupt % 4u) + 6u;
    REG(NVIC_IPR(interrupt)) = (REG(NVIC_IPR(interrupt)) & ~(3u << shift)) | priority << shift;
    REG(NVIC_ISER) = 1u << interrupt;
}

int main(void)
{
    /* ADC, DMA, I2C0, IO, pads, PIO0, PWM, SPI1, UART0 out of reset */
    const uint32_t needed = 1u << 0 | 1u << 2 | 1u << 3 | 1u << 5 | 1u << 8 | 1u << 10 | 1u << 14
                            | 1u << 17 | 1u << 22;
    uint8_t cause = reset_cause();
    clock_start();
    CLEAR(RESETS_RESET) = needed;
    while ((REG(RESETS_DONE) & needed) != needed) {
    }
    watchdog_start();
    fault = fe_config_read(&front.config, &board, CONFIG_RECORD, FE_RECORD_MAX);
    set_name();
    fe_boot(&front, random_number(), cause, 0);
    contacts_start();
    supplies_start();
    converters_start();
    slow_start();
    serial_start(front.config.baud);
    teeth_start();
    enable(IRQ_UART0, 0);
    enable(IRQ_PWM_WRAP, 1);
    enable(IRQ_DMA_0, 1);
    enable(IRQ_BYTES, 1);
    clock_start_steps(front.config.ticks_per_permit);
    for (;;) {
        __asm volatile("wfi");
    }
}
