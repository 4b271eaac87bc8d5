/* Crystal and PLLs, and time: one PWM slice counts ticks without end, another one in step with it
 * wraps 500 times a second or more and interrupts. A step of 2 ms is 20,000 ticks: the counter's
 * 16 bits tell the tick of anything that is looked at within 3 ms. */
#include "board.h"

enum { ENABLE_MAGIC = 0xFAB, RANGE_1_TO_15_MHZ = 0xAA0 };

static volatile uint32_t step_tick; /* of the step begun last; the counter's low 16 bits agree */
static uint32_t step_ticks;

static void start_pll(uint32_t pll, uint32_t multiply, uint32_t divide_a, uint32_t divide_b)
{
    REG(pll + PLL_CS) = 1; /* reference: the crystal as it is */
    REG(pll + PLL_FBDIV) = multiply;
    CLEAR(pll + PLL_PWR) = 1u << 0 | 1u << 5;
    while ((REG(pll + PLL_CS) >> 31) == 0u) {
    }
    REG(pll + PLL_PRIM) = divide_a << 16 | divide_b << 12;
    CLEAR(pll + PLL_PWR) = 1u << 3;
}

/* Should the crystal not start, this waits for ever with all pins as after a reset: inputs,
 * pulled down. The supplies are then asked for nothing. */
void clock_start(void)
{
    REG(XOSC_STARTUP) = 47; /* 1 ms at 12 MHz, in steps of 256 periods */
    REG(XOSC_CTRL) = (uint32_t)ENABLE_MAGIC << 12 | RANGE_1_TO_15_MHZ;
    while ((REG(XOSC_STATUS) >> 31) == 0u) {
    }
    REG(CLK_REF_CTRL) = 2; /* the crystal */
    while ((REG(CLK_REF_SELECTED) & 1u << 2) == 0u) {
    }
    REG(CLK_SYS_CTRL) = 0; /* from it, while the PLL starts */
    while ((REG(CLK_SYS_SELECTED) & 1u << 0) == 0u) {
    }
    CLEAR(RESETS_RESET) = 1u << 12 | 1u << 13;
    while ((REG(RESETS_DONE) >> 12 & 3u) != 3u) {
    }
    start_pll(PLL_SYS_BASE, 100, 5, 2); /* 1200 MHz / 10 */
    start_pll(PLL_USB_BASE, 100, 5, 5); /* 1200 MHz / 25 = 48 MHz, for the ADC */
    REG(CLK_SYS_CTRL) = 1;              /* the PLL */
    while ((REG(CLK_SYS_SELECTED) & 1u << 1) == 0u) {
    }
    REG(CLK_PERI_CTRL) = 1u << 11;      /* the system's clock */
    REG(CLK_ADC_CTRL) = 1u << 11;       /* the other PLL */
    REG(WATCHDOG_TICK) = 1u << 9 | CRYSTAL_MHZ;
}

void clock_start_steps(uint32_t ticks_per_step)
{
    uint32_t divide = CLK_HZ / TICK_HZ;
    step_ticks = ticks_per_step;
    step_tick = 0;
    REG(PWM_DIV(SLICE_TICK)) = divide << 4;
    REG(PWM_TOP(SLICE_TICK)) = 0xFFFF;
    REG(PWM_CTR(SLICE_TICK)) = 0;
    REG(PWM_DIV(SLICE_STEP)) = divide << 4;
    REG(PWM_TOP(SLICE_STEP)) = ticks_per_step - 1u;
    REG(PWM_CTR(SLICE_STEP)) = 0;
    REG(PWM_INTR) = 0xFF;
    REG(PWM_INTE) = 1u << SLICE_STEP;
    SET(PWM_EN) = 1u << SLICE_TICK | 1u << SLICE_STEP;
}

uint32_t clock_next_step(void)
{
    REG(PWM_INTR) = 1u << SLICE_STEP;
    step_tick += step_ticks;
    return step_tick;
}

uint32_t clock_now(void)
{
    uint32_t step = step_tick;
    return step + ((REG(PWM_CTR(SLICE_TICK)) - step) & 0xFFFFu);
}

uint32_t clock_at(uint32_t counter)
{
    return step_tick + (uint32_t)(int32_t)(int16_t)(counter - step_tick);
}
