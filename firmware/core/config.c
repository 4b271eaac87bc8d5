#include "config.h"

#include "bytes.h"
#include "crc.h"
#include "layout.h"

enum {
    RECORD_MAGIC = 0x43454644, /* "DFEC" */
    HEAD = 36,
    HELLO_FIXED = 30 + 1 + FE_MAX_FIRMWARE + FE_CRC_BYTES,
    SAMPLE_FIXED = 19 + FE_CRC_BYTES + 4, /* and the bytes of the stuffing */
    IDLE_FRAME_HZ = 100,
    LEAST_PERMIT_HZ = 500,
    MOST_PERMITS = 10, /* in a frame */
    IDLE_BAUD = 2000000
};

typedef struct {
    const uint8_t *at, *end;
    bool sound; /* nothing was read past the end */
} reader;

static uint32_t take(reader *from, uint32_t bytes)
{
    uint32_t value = 0;
    if (!from->sound || (size_t)(from->end - from->at) < bytes) {
        from->sound = false;
        return 0;
    }
    for (uint32_t i = 0; i < bytes; i++) {
        value |= (uint32_t)from->at[i] << (8u * i);
    }
    from->at += bytes;
    return value;
}

static float take_float(reader *from)
{
    union {
        uint32_t bits;
        float value;
    } number;
    number.bits = take(from, 4);
    return number.value;
}

static bool same(const uint8_t *a, const uint8_t *b, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        if (a[i] != b[i]) {
            return false;
        }
    }
    return true;
}

/* Whether a name is already in the table for this kind. */
static bool is_taken(const fe_config *config, uint8_t kind, const uint8_t *name, size_t n)
{
    size_t at = 1;
    while (at < config->table_size) {
        const uint8_t *entry = config->table + at;
        size_t length = entry[1];
        if (entry[0] == kind && length == n && same(entry + 2, name, n)) {
            return true;
        }
        at += 3u + length + entry[2u + length];
    }
    return false;
}

/* Appends one channel to HELLO's table; `unit` only where the record has one. */
static enum fe_config_fault add_channel(fe_config *config, reader *from, uint8_t kind)
{
    const uint8_t *text[2] = {0, 0};
    uint32_t length[2] = {0, 0};
    uint32_t texts = kind == FE_SLOW_CHANNEL ? 2u : 1u;
    for (uint32_t i = 0; i < texts; i++) {
        length[i] = take(from, 1);
        text[i] = from->at;
        if (!from->sound || (size_t)(from->end - from->at) < length[i]) {
            return FE_CONFIG_DAMAGED;
        }
        if (length[i] > FE_MAX_NAME || !fe_is_utf8(text[i], length[i])) {
            return FE_CONFIG_NAME;
        }
        from->at += length[i];
    }
    if (length[0] == 0u || is_taken(config, kind, text[0], length[0])) {
        return FE_CONFIG_NAME;
    }
    if (HELLO_FIXED + config->table_size + 3u + length[0] + length[1] > FE_MAX_FRAME) {
        return FE_CONFIG_CHANNELS;
    }
    uint8_t *at = config->table + config->table_size;
    at = fe_put8(at, kind);
    at = fe_put8(at, length[0]);
    at = fe_put_bytes(at, text[0], length[0]);
    at = fe_put8(at, length[1]);
    at = fe_put_bytes(at, text[1], length[1]);
    config->table_size = (uint16_t)(at - config->table);
    config->table[0]++;
    return FE_CONFIG_SOUND;
}

static enum fe_config_fault read_wheel(fe_wheel_config *wheel, reader *from)
{
    uint32_t falling = take(from, 1);
    wheel->falling = falling == 1u;
    wheel->least_100ns = (uint16_t)take(from, 2);
    wheel->top_hz = (uint16_t)take(from, 2);
    bool sound = falling <= 1u && wheel->least_100ns <= 500u && wheel->top_hz > 0u;
    return sound ? FE_CONFIG_SOUND : FE_CONFIG_VALUE;
}

static enum fe_config_fault read_output(fe_output_config *output, reader *from)
{
    output->ceiling = (uint16_t)take(from, 2);
    output->ramp_from = (uint16_t)take(from, 2);
    output->ramp_ms = (uint16_t)take(from, 2);
    output->output_full = (uint16_t)take(from, 2);
    output->read_zero = (int16_t)take(from, 2);
    output->read_full = (uint16_t)take(from, 2);
    if (output->ceiling == 0u || output->ceiling > output->output_full) {
        return FE_CONFIG_CEILING;
    }
    if (output->ramp_from == 0u || output->ramp_ms == 0u) {
        return FE_CONFIG_RAMP;
    }
    return output->read_full > 0u ? FE_CONFIG_SOUND : FE_CONFIG_VALUE;
}

/* One entry of a kind, its channel's name before its settings. */
static enum fe_config_fault read_entry(fe_config *config, const fe_board *board, reader *from,
                                       uint8_t kind, uint8_t index)
{
    enum fe_config_fault fault = add_channel(config, from, kind);
    if (fault != FE_CONFIG_SOUND) {
        return fault;
    }
    switch (kind) {
    case FE_WHEEL:
        return read_wheel(&config->wheel[index], from);
    case FE_CONVERTER:
        config->converter[index].input = (uint8_t)take(from, 1);
        config->converter[index].gain = (uint8_t)take(from, 1);
        if (config->converter[index].input >= board->converter_inputs
            || config->converter[index].gain > 7u) {
            return FE_CONFIG_VALUE;
        }
        return FE_CONFIG_SOUND;
    case FE_OUTPUT:
        return read_output(&config->output[index], from);
    case FE_DIGITAL_IN: {
        uint32_t inverted = take(from, 1);
        config->inverted = (uint16_t)(config->inverted | (inverted << index));
        return inverted <= 1u ? FE_CONFIG_SOUND : FE_CONFIG_VALUE;
    }
    case FE_SLOW_CHANNEL:
        config->slow_channel[index].input = (uint8_t)take(from, 1);
        config->slow_channel[index].scale = take_float(from);
        config->slow_channel[index].offset = take_float(from);
        return config->slow_channel[index].input < board->slow_inputs ? FE_CONFIG_SOUND
                                                                      : FE_CONFIG_VALUE;
    case FE_DIGITAL_OUT:
    default:
        return FE_CONFIG_SOUND;
    }
}

/* The line must carry the regular frames with a fifth to spare; what is left bounds the edges
 * of a burst. */
static enum fe_config_fault check_line(fe_config *config)
{
    uint32_t fixed = SAMPLE_FIXED + 3u * config->wheels + 4u * config->converters
                     + 2u * config->outputs;
    uint32_t edges = 0;
    for (uint8_t i = 0; i < config->wheels; i++) {
        edges += (config->wheel[i].top_hz + (uint32_t)config->frame_hz - 1u) / config->frame_hz;
    }
    uint32_t room = config->baud / 10u / config->frame_hz; /* bytes in a frame period */
    if (fixed + 4u * edges > room - room / 5u) {
        return FE_CONFIG_LINE;
    }
    uint32_t most = room - room / 10u < FE_MAX_FRAME ? room - room / 10u : (uint32_t)FE_MAX_FRAME;
    uint32_t limit = config->wheels > 0u ? (most - fixed) / 4u / config->wheels : 0u;
    config->edge_limit = (uint8_t)(limit < FE_MAX_EDGES ? limit : FE_MAX_EDGES);
    return FE_CONFIG_SOUND;
}

static enum fe_config_fault check_rate(fe_config *config, const fe_board *board)
{
    if (config->frame_hz < 100u || config->frame_hz > 1000u || config->baud < 9600u
        || config->baud > 10000000u) {
        return FE_CONFIG_RATE;
    }
    config->tick_hz = board->tick_hz;
    config->ticks_per_ms = config->tick_hz / 1000u;
    /* Permission and ramp go in steps of 2 ms or less, a whole number of them in a frame. */
    uint32_t permits = (LEAST_PERMIT_HZ + config->frame_hz - 1u) / config->frame_hz;
    while (config->tick_hz % (config->frame_hz * permits) != 0u) {
        permits++;
        if (permits > MOST_PERMITS) {
            return FE_CONFIG_RATE;
        }
    }
    config->permits_per_frame = (uint8_t)permits;
    config->permit_hz = (uint16_t)(config->frame_hz * permits);
    config->ticks_per_permit = config->tick_hz / config->permit_hz;
    return FE_CONFIG_SOUND;
}

/* FNV-1a, 64 bits: any change of the record changes it. */
static uint64_t hash_of(const uint8_t *data, size_t n)
{
    uint64_t hash = 0xCBF29CE484222325u;
    for (size_t i = 0; i < n; i++) {
        hash = (hash ^ data[i]) * 0x100000001B3u;
    }
    return hash;
}

static enum fe_config_fault read_record(fe_config *config, const fe_board *board,
                                        const uint8_t *record, size_t room)
{
    if (room < HEAD + FE_CRC_BYTES || fe_get32(record) != RECORD_MAGIC) {
        return FE_CONFIG_ABSENT;
    }
    if (fe_get16(record + 4) != FE_RECORD_VERSION) {
        return FE_CONFIG_VERSION;
    }
    size_t size = fe_get16(record + 6);
    if (size < HEAD + FE_CRC_BYTES || size > room || fe_crc(record, size) != FE_CRC_RESIDUE) {
        return FE_CONFIG_DAMAGED;
    }
    if (fe_get16(record + 8) != board->id) {
        return FE_CONFIG_BOARD;
    }
    reader from = {record + 10, record + size - FE_CRC_BYTES, true};
    config->frame_hz = (uint16_t)take(&from, 2);
    config->baud = take(&from, 4);
    config->slow_hz = (uint8_t)take(&from, 1);
    config->wheels = (uint8_t)take(&from, 1);
    config->converters = (uint8_t)take(&from, 1);
    config->outputs = (uint8_t)take(&from, 1);
    config->digital_in = (uint8_t)take(&from, 1);
    config->digital_out = (uint8_t)take(&from, 1);
    config->slow = (uint8_t)take(&from, 1);
    config->chain_input = (uint8_t)take(&from, 1);
    config->converter_rate = (uint8_t)take(&from, 1);
    config->excitation_input = (uint8_t)take(&from, 1);
    (void)take(&from, 2); /* spare */
    config->excitation_low = (int32_t)take(&from, 4);
    config->excitation_high = (int32_t)take(&from, 4);
    const uint8_t counts[6] = {config->wheels,     config->converters,  config->outputs,
                               config->digital_in, config->digital_out, config->slow};
    const uint8_t most[6] = {board->wheels,     board->converters,  board->outputs,
                             board->digital_in, board->digital_out, board->slow};
    const uint8_t kinds[6] = {FE_WHEEL,      FE_CONVERTER,   FE_OUTPUT,
                              FE_DIGITAL_IN, FE_DIGITAL_OUT, FE_SLOW_CHANNEL};
    for (size_t i = 0; i < 6u; i++) {
        if (counts[i] > most[i]) {
            return FE_CONFIG_CHANNELS;
        }
    }
    /* Nothing may load the rolls without a stop chain that is read. */
    if (config->chain_input >= config->digital_in) {
        return FE_CONFIG_CHANNELS;
    }
    if (config->slow_hz < 1u || config->slow_hz > 20u || config->converter_rate > 7u
        || (config->excitation_input >= board->converter_inputs
            && config->excitation_input != FE_NO_CHANNEL)) {
        return FE_CONFIG_VALUE;
    }
    enum fe_config_fault fault = check_rate(config, board);
    for (size_t i = 0; i < 6u && fault == FE_CONFIG_SOUND; i++) {
        for (uint8_t index = 0; index < counts[i] && fault == FE_CONFIG_SOUND; index++) {
            fault = read_entry(config, board, &from, kinds[i], index);
            if (!from.sound) {
                fault = FE_CONFIG_DAMAGED;
            }
        }
    }
    if (fault == FE_CONFIG_SOUND && from.at != from.end) {
        fault = FE_CONFIG_DAMAGED;
    }
    if (fault == FE_CONFIG_SOUND) {
        fault = check_line(config);
    }
    config->hash = hash_of(record, size - FE_CRC_BYTES);
    return fault;
}

static void clear(fe_config *config)
{
    *config = (fe_config){.firmware = "", .excitation_input = FE_NO_CHANNEL, .table_size = 1};
}

enum fe_config_fault fe_config_read(fe_config *config, const fe_board *board,
                                    const uint8_t *record, size_t room)
{
    clear(config);
    enum fe_config_fault fault = read_record(config, board, record, room);
    if (fault != FE_CONFIG_SOUND) {
        clear(config);
        config->frame_hz = IDLE_FRAME_HZ;
        config->baud = IDLE_BAUD;
        config->slow_hz = 1;
        (void)check_rate(config, board);
    }
    return fault;
}

const char *fe_config_words(enum fe_config_fault fault)
{
    switch (fault) {
    case FE_CONFIG_SOUND:
        return "sound";
    case FE_CONFIG_ABSENT:
        return "no configuration";
    case FE_CONFIG_VERSION:
        return "configuration: other version";
    case FE_CONFIG_DAMAGED:
        return "configuration: damaged";
    case FE_CONFIG_BOARD:
        return "configuration: other board";
    case FE_CONFIG_CHANNELS:
        return "configuration: channels";
    case FE_CONFIG_NAME:
        return "configuration: name";
    case FE_CONFIG_RATE:
        return "configuration: frame rate";
    case FE_CONFIG_LINE:
        return "configuration: line too slow";
    case FE_CONFIG_CEILING:
        return "configuration: ceiling";
    case FE_CONFIG_RAMP:
        return "configuration: ramp";
    case FE_CONFIG_VALUE:
    default:
        return "configuration: a value";
    }
}
