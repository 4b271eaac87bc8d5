/* Why the chip started, a number that is another at each start, and the watchdog. */
#include "board.h"

enum {
    WATCHDOG_US = 10000,   /* five steps */
    HAD_POWER_ON = 1 << 8, /* also after a brown-out */
    REASON_TIMER = 1 << 0,
    REASON_FORCED = 1 << 1
};

/* Memory that no start clears. It keeps its words through a short dip of the supply and hardly
 * ever through a power cut: that tells a brown-out, by likelihood and not for certain. */
static uint32_t mark[2] __attribute__((section(".kept")));
#define MARK_A 0x5AFE1001u
#define MARK_B 0xA501EFFEu

uint8_t reset_cause(void)
{
    bool kept = mark[0] == MARK_A && mark[1] == MARK_B;
    uint32_t reason = REG(WATCHDOG_REASON);
    mark[0] = MARK_A;
    mark[1] = MARK_B;
    if ((reason & REASON_FORCED) != 0u) {
        return FE_COMMANDED;
    }
    if ((reason & REASON_TIMER) != 0u) {
        return FE_WATCHDOG;
    }
    if ((REG(CHIP_RESET) & HAD_POWER_ON) != 0u) {
        return kept ? FE_BROWN_OUT : FE_POWER_ON;
    }
    return FE_CAUSE_UNKNOWN;
}

/* From the ring oscillator's random bit, many for each of ours; never 0. */
uint32_t random_number(void)
{
    uint32_t value = 0;
    for (uint32_t i = 0; i < 256u; i++) {
        value = (value << 1 | value >> 31) ^ (REG(ROSC_RANDOMBIT) & 1u);
    }
    return value != 0u ? value : 1u;
}

void watchdog_start(void)
{
    REG(PSM_WDSEL) = 0x1FFFC; /* a bite resets all but the two oscillators */
    watchdog_feed();
    REG(WATCHDOG_CTRL) = 1u << 30;
}

void watchdog_feed(void)
{
    REG(WATCHDOG_LOAD) = 2u * WATCHDOG_US; /* it counts twice a microsecond (erratum RP2040-E1) */
}
