/* Slow channels: one or two chips of a common family of four-channel 16-bit converters (such as
 * ADS1115) on I2C, at addresses 0x48 (inputs 0 to 3) and 0x49 (4 to 7). One step a frame and
 * nothing is waited for: the bus works on its own FIFO in between. */
#include "board.h"

enum {
    ADDRESS = 0x48,
    READ = 1 << 8,
    STOP = 1 << 9,
    RESTART = 1 << 10,
    REGISTER_RESULT = 0,
    REGISTER_CONFIG = 1,
    SINGLE_SHOT = 0x83E3, /* start one of +-4.096 V in 1.2 ms */
    STEP_ASK = 0,
    STEP_READ = 3,        /* two frames and more later */
    STEP_TAKE = 4,
    STEPS = 5
};

static float volts[SLOW_INPUTS];
static uint8_t input, step;

static float no_value(void)
{
    union {
        uint32_t bits;
        float value;
    } number = {0x7FC00000u};
    return number.value;
}

void slow_start(void)
{
    for (uint32_t i = 0; i < SLOW_INPUTS; i++) {
        volts[i] = no_value();
    }
    set_pin(PIN_SDA, PIN_I2C, PAD_PULLED_UP);
    set_pin(PIN_SCL, PIN_I2C, PAD_PULLED_UP);
    REG(I2C_ENABLE) = 0;
    REG(I2C_CON) = 1u << 8 | 1u << 6 | 1u << 5 | 2u << 1 | 1u; /* master, fast, restarts */
    REG(I2C_FS_SCL_HCNT) = 120;                               /* 400 kHz of 120 MHz */
    REG(I2C_FS_SCL_LCNT) = 180;
    REG(I2C_FS_SPKLEN) = 6;
}

static void ask(void)
{
    uint32_t config = SINGLE_SHOT | (4u + input % 4u) << 12;
    REG(I2C_ENABLE) = 0;
    REG(I2C_TAR) = ADDRESS + (uint32_t)input / 4u;
    REG(I2C_ENABLE) = 1;
    REG(I2C_DATA_CMD) = REGISTER_CONFIG;
    REG(I2C_DATA_CMD) = config >> 8;
    REG(I2C_DATA_CMD) = (config & 0xFFu) | STOP;
}

static void take(void)
{
    if (REG(I2C_RXFLR) == 2u) {
        uint32_t high = REG(I2C_DATA_CMD) & 0xFFu;
        int16_t raw = (int16_t)(high << 8 | (REG(I2C_DATA_CMD) & 0xFFu));
        volts[input] = (float)raw * (4.096f / 32768.0f);
    } else {
        volts[input] = no_value();
    }
    (void)REG(I2C_CLR_TX_ABRT);
    input = (uint8_t)((input + 1u) % SLOW_INPUTS);
}

void slow_step(void)
{
    if (step == STEP_ASK) {
        ask();
    } else if (step == STEP_READ) {
        REG(I2C_DATA_CMD) = REGISTER_RESULT;
        REG(I2C_DATA_CMD) = READ | RESTART;
        REG(I2C_DATA_CMD) = READ | STOP;
    } else if (step == STEP_TAKE) {
        take();
    }
    step = (uint8_t)((step + 1u) % STEPS);
}

float slow_volts(uint32_t from)
{
    return volts[from];
}
