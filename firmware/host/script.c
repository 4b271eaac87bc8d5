/* The core on a computer: reads operations from standard input, writes what the core does.
 *
 * Operations, little endian: a letter, then
 *   C  u16 n, n bytes of record, u32 boot_id, u8 cause, u32 tick   boot with that configuration
 *   R  u32 tick, u16 n, n bytes                                    bytes from the host
 *   E  u8 wheel, u16 n, n x u32 tick                               changes of a wheel's pin
 *   X  u32 until, u8 wheel                                         end of a wheel's frame
 *   T  u8 pin, u8 wheel                                            the pin itself, long unchanged
 *   M  8 x u16                                                     measured currents
 *   P  u32 tick, u16 digital                                       what is allowed from now on
 *   S  u32 tick, u16 digital, 8 x i32 count, 8 x u8 flags          a SAMPLE
 *   L  u32 tick, u8 n, n x (u8, f32)                               slow values
 *   K                                                              the receiver's counters
 *
 * After each: u16 n, n bytes for the line. Before that, C writes u8 the fault of the record and
 * u8 the edge limit, K writes 9 x u32, P and R write u8 permission, u8 digital outputs and 8 x u16
 * set points, X writes u32 glitches and u32 resyncs.
 *
 * With -fsanitize=fuzzer the same runs on searched input, its output thrown away. */
#include <stdio.h>
#include <string.h>

#include "../core/bytes.h"
#include "../core/front_end.h"

static fe_front_end front;
static uint8_t record[FE_RECORD_MAX];

static const fe_board board = {.id = 1, .wheels = 4, .converters = 8, .outputs = 4,
                               .digital_in = 4, .digital_out = 2, .slow = 8,
                               .converter_inputs = 8, .slow_inputs = 8, .tick_hz = 1000000};

typedef struct {
    size_t (*read)(void *to, size_t n, void *context);
    void (*write)(const void *from, size_t n, void *context);
    void *context;
    int ended;
} stream;

static uint32_t number(stream *io, size_t n)
{
    uint8_t raw[4] = {0};
    if (io->read(raw, n, io->context) != n) {
        io->ended = 1;
        return 0;
    }
    return fe_get32(raw);
}

static void say(stream *io, uint32_t value, size_t n)
{
    uint8_t raw[4];
    (void)fe_put32(raw, value);
    io->write(raw, n, io->context);
}

static void line(stream *io)
{
    size_t n = 0;
    const uint8_t *data = fe_line_take(&front.line, &n);
    say(io, (uint32_t)n, 2);
    io->write(data, n, io->context);
}

static void outputs(stream *io)
{
    say(io, front.permission.state, 1);
    say(io, front.permission.digital_out, 1);
    for (size_t i = 0; i < FE_MAX_OUTPUTS; i++) {
        say(io, front.permission.set_point[i], 2);
    }
}

static void boot(stream *io)
{
    size_t n = number(io, 2) % (FE_RECORD_MAX + 1u);
    memset(record, 0xFF, sizeof record);
    for (size_t i = 0; i < n; i++) {
        record[i] = (uint8_t)number(io, 1);
    }
    memset(&front, 0xA5, sizeof front); /* as memory is after a reset: anything */
    enum fe_config_fault fault = fe_config_read(&front.config, &board, record, sizeof record);
    front.config.firmware = fault == FE_CONFIG_SOUND ? "host 1.0" : fe_config_words(fault);
    uint32_t boot_id = number(io, 4);
    uint8_t cause = (uint8_t)number(io, 1);
    fe_boot(&front, boot_id, cause, number(io, 4));
    say(io, (uint32_t)fault, 1);
    say(io, front.config.edge_limit, 1);
}

static fe_inputs inputs(stream *io)
{
    fe_inputs in = {0};
    in.digital = (uint16_t)number(io, 2);
    for (size_t i = 0; i < FE_MAX_CONVERTERS; i++) {
        in.count[i] = (int32_t)number(io, 4);
    }
    for (size_t i = 0; i < FE_MAX_CONVERTERS; i++) {
        in.flags[i] = (uint8_t)number(io, 1);
    }
    return in;
}

static void slow(stream *io, uint32_t tick)
{
    uint8_t index[FE_MAX_SLOW] = {0};
    float value[FE_MAX_SLOW] = {0};
    uint8_t n = (uint8_t)(number(io, 1) % (FE_MAX_SLOW + 1u));
    for (uint8_t i = 0; i < n; i++) {
        index[i] = (uint8_t)number(io, 1);
        uint32_t bits = number(io, 4);
        memcpy(&value[i], &bits, sizeof bits);
    }
    fe_slow(&front, n, index, value, tick);
}

static void run(stream *io)
{
    for (uint32_t what = number(io, 1); !io->ended; what = number(io, 1)) {
        bool timed = what == 'R' || what == 'X' || what == 'P' || what == 'S' || what == 'L';
        uint32_t tick = timed ? number(io, 4) : 0u;
        fe_inputs in;
        fe_wheel *wheel;
        switch (what) {
        case 'C':
            boot(io);
            break;
        case 'R':
            for (size_t n = number(io, 2); n > 0u && !io->ended; n--) {
                fe_byte(&front, (uint8_t)number(io, 1), tick);
            }
            outputs(io);
            break;
        case 'E':
            wheel = &front.wheel[number(io, 1) % FE_MAX_WHEELS];
            for (size_t n = number(io, 2); n > 0u && !io->ended; n--) {
                fe_wheel_change(wheel, number(io, 4));
            }
            break;
        case 'X':
            wheel = &front.wheel[number(io, 1) % FE_MAX_WHEELS];
            fe_wheel_close(wheel, tick);
            say(io, wheel->glitches, 4);
            say(io, wheel->resyncs, 4);
            break;
        case 'T':
            tick = number(io, 1);
            fe_wheel_settle(&front.wheel[number(io, 1) % FE_MAX_WHEELS], tick != 0u);
            break;
        case 'P':
            fe_permit(&front, (uint16_t)number(io, 2), tick);
            outputs(io);
            break;
        case 'M': {
            uint16_t measured[FE_MAX_OUTPUTS];
            for (size_t i = 0; i < FE_MAX_OUTPUTS; i++) {
                measured[i] = (uint16_t)number(io, 2);
            }
            fe_measured(&front, measured);
            break;
        }
        case 'S':
            in = inputs(io);
            fe_sample(&front, &in, tick);
            break;
        case 'L':
            slow(io, tick);
            break;
        case 'K': {
            const fe_counters *c = &front.deframer.counters;
            const uint32_t all[9] = {c->frames,       c->crc_failures, c->cobs_failures,
                                     c->truncated,    c->oversized,    c->unknown_type,
                                     c->malformed,    c->wrong_direction,
                                     c->bytes_discarded};
            for (size_t i = 0; i < 9u; i++) {
                say(io, all[i], 4);
            }
            break;
        }
        default:
            break;
        }
        if (!io->ended) {
            line(io);
        }
    }
}

#ifdef FE_FUZZ
typedef struct {
    const uint8_t *at, *end;
} memory;

static size_t read_memory(void *to, size_t n, void *context)
{
    memory *from = context;
    if ((size_t)(from->end - from->at) < n) {
        return 0;
    }
    memcpy(to, from->at, n);
    from->at += n;
    return n;
}

static void write_nowhere(const void *from, size_t n, void *context)
{
    (void)from;
    (void)n;
    (void)context;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    memory all = {data, data + size};
    stream io = {read_memory, write_nowhere, &all, 0};
    memset(record, 0xFF, sizeof record);
    (void)fe_config_read(&front.config, &board, record, sizeof record);
    fe_boot(&front, 1, FE_POWER_ON, 0);
    run(&io);
    return 0;
}
#else
static size_t read_standard(void *to, size_t n, void *context)
{
    (void)context;
    return fread(to, 1, n, stdin);
}

static void write_standard(const void *from, size_t n, void *context)
{
    (void)context;
    (void)fwrite(from, 1, n, stdout);
}

int main(void)
{
    stream io = {read_standard, write_standard, 0, 0};
    memset(record, 0xFF, sizeof record);
    (void)fe_config_read(&front.config, &board, record, sizeof record);
    fe_boot(&front, 1, FE_POWER_ON, 0);
    run(&io);
    return 0;
}
#endif
