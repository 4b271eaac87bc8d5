/* Digital inputs (high: closed or present, a broken wire reads open) and outputs (fans). */
#include "board.h"

void contacts_start(void)
{
    for (uint32_t i = 0; i < DIGITAL_IN; i++) {
        set_pin(PIN_DIGITAL_IN + i, PIN_SIO, PAD_PULLED_DOWN);
    }
    REG(SIO_OE_SET) = ((1u << DIGITAL_OUT) - 1u) << PIN_DIGITAL_OUT;
    for (uint32_t i = 0; i < DIGITAL_OUT; i++) {
        set_pin(PIN_DIGITAL_OUT + i, PIN_SIO, PAD_PULLED_DOWN);
    }
}

uint16_t contacts_read(void)
{
    uint32_t present = (1u << front.config.digital_in) - 1u;
    return (uint16_t)((REG(SIO_IN) >> PIN_DIGITAL_IN ^ front.config.inverted) & present);
}

void contacts_set(uint8_t outputs)
{
    uint32_t present = (1u << front.config.digital_out) - 1u;
    REG(SIO_OUT_SET) = (outputs & present) << PIN_DIGITAL_OUT;
    REG(SIO_OUT_CLR) = (~(uint32_t)outputs & present) << PIN_DIGITAL_OUT;
}
