/* Load cells: one chip of a common family of simultaneous 24-bit delta-sigma converters with gain
 * (such as ADS131M08), on SPI mode 1. Each exchange is ten words of 24 bits: status, eight
 * channels, CRC. Its registers are written here from memory of the data sheet: check them against
 * the sheet of the chip in hand. Another family needs another file with these two functions. */
#include "board.h"

enum {
    WORDS = 10,
    BYTES = 3 * WORDS,
    REGISTER_CLOCK = 3,
    REGISTER_GAIN1 = 4, /* inputs 0 to 3; the next one 4 to 7 */
    WRITE_REGISTER = 0x6000,
    ALL_CHANNELS = 0xFF00,
    HIGH_RESOLUTION = 2,
    HIGHEST = 0x7FFFFF,
    LOWEST = -0x800000
};

static int32_t last[CONVERTER_INPUTS];
static uint8_t answer[BYTES];

/* One exchange: a command in the first word, its value in the second. */
static void exchange(uint32_t command, uint32_t value)
{
    const uint8_t ask[6] = {(uint8_t)(command >> 8), (uint8_t)command, 0,
                            (uint8_t)(value >> 8),   (uint8_t)value,   0};
    uint32_t sent = 0;
    uint32_t got = 0;
    REG(SIO_OUT_CLR) = 1u << PIN_SPI_SELECT;
    while (got < BYTES) {
        if (sent < BYTES && sent - got < 8u) { /* no more on the way than its FIFO holds */
            REG(SPI1_DR) = sent < 6u ? ask[sent] : 0u;
            sent++;
        }
        if ((REG(SPI1_SR) & 1u << 2) != 0u) {
            answer[got] = (uint8_t)REG(SPI1_DR);
            got++;
        }
    }
    REG(SIO_OUT_SET) = 1u << PIN_SPI_SELECT;
}

void converters_start(void)
{
    const fe_config *config = &front.config;
    uint32_t gains[2] = {0, 0};
    REG(SIO_OUT_SET) = 1u << PIN_SPI_SELECT;
    REG(SIO_OE_SET) = 1u << PIN_SPI_SELECT;
    set_pin(PIN_SPI_SELECT, PIN_SIO, PAD_PULLED_DOWN);
    set_pin(PIN_SPI_IN, PIN_SPI, PAD_PULLED_DOWN);
    set_pin(PIN_SPI_CLOCK, PIN_SPI, PAD_PULLED_DOWN);
    set_pin(PIN_SPI_OUT, PIN_SPI, PAD_PULLED_DOWN);
    set_pin(PIN_DATA_READY, PIN_SIO, PAD_PULLED_UP);
    REG(SPI1_CPSR) = 2;
    REG(SPI1_CR0) = 5u << 8 | 1u << 7 | 7u; /* 120 MHz / 2 / 6 = 10 MHz, mode 1, 8 bits */
    REG(SPI1_CR1) = 1u << 1;
    for (uint32_t i = 0; i < config->converters; i++) {
        uint32_t input = config->converter[i].input;
        gains[input / 4u] |= (uint32_t)config->converter[i].gain << (4u * (input % 4u));
    }
    exchange(WRITE_REGISTER | REGISTER_CLOCK << 7,
             ALL_CHANNELS | (uint32_t)config->converter_rate << 2 | HIGH_RESOLUTION);
    exchange(WRITE_REGISTER | REGISTER_GAIN1 << 7, gains[0]);
    exchange(WRITE_REGISTER | (REGISTER_GAIN1 + 1) << 7, gains[1]);
}

/* CRC-16, polynomial 0x1021, start 0xFFFF, four bits a step. */
static uint32_t crc16(const uint8_t *data, uint32_t n)
{
    static const uint16_t by_nibble[16] = {0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50A5,
                                           0x60C6, 0x70E7, 0x8108, 0x9129, 0xA14A, 0xB16B,
                                           0xC18C, 0xD1AD, 0xE1CE, 0xF1EF};
    uint32_t crc = 0xFFFF;
    for (uint32_t i = 0; i < n; i++) {
        crc = (crc << 4 & 0xFFFFu) ^ by_nibble[(crc >> 12 ^ (uint32_t)data[i] >> 4) & 15u];
        crc = (crc << 4 & 0xFFFFu) ^ by_nibble[(crc >> 12 ^ data[i]) & 15u];
    }
    return crc;
}

/* Whether a new conversion was read whole. The pin that says so keeps its fall until it is read. */
static bool refresh(void)
{
    uint32_t fell = 1u << (4u * PIN_DATA_READY + 2u);
    if ((REG(IO_INTR0) & fell) == 0u) {
        return false;
    }
    REG(IO_INTR0) = fell;
    exchange(0, 0);
    const uint8_t *check = answer + 3u * (WORDS - 1u);
    if (crc16(answer, BYTES - 3u) != ((uint32_t)check[0] << 8 | check[1])) {
        return false;
    }
    for (uint32_t i = 0; i < CONVERTER_INPUTS; i++) {
        const uint8_t *word = answer + 3u * (i + 1u);
        uint32_t bits = (uint32_t)word[0] << 24 | (uint32_t)word[1] << 16 | (uint32_t)word[2] << 8;
        last[i] = (int32_t)bits / 256;
    }
    return true;
}

void converters_read(fe_inputs *inputs)
{
    const fe_config *config = &front.config;
    uint32_t flags = refresh() ? 0u : (uint32_t)FE_NOT_FRESH;
    if (config->excitation_input != FE_NO_CHANNEL) {
        int32_t excitation = last[config->excitation_input];
        if (excitation < config->excitation_low || excitation > config->excitation_high) {
            flags |= FE_BRIDGE_FAULT;
        }
    }
    for (uint32_t i = 0; i < config->converters; i++) {
        int32_t count = last[config->converter[i].input];
        bool saturated = count >= HIGHEST || count <= LOWEST;
        inputs->count[i] = count;
        inputs->flags[i] = (uint8_t)(flags | (saturated ? (uint32_t)FE_SATURATED : 0u));
    }
}
