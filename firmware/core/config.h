/* The configuration of one front end: what is connected to it and its limits.
 *
 * It stands in flash as one record that `drumlin front-end configure` makes (its layout is in
 * docs/front-end.md). It is read whole at boot or refused whole; nothing changes it while the
 * front end runs, so no flash is ever written while current flows. */
#ifndef FE_CONFIG_H
#define FE_CONFIG_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "limits.h"

enum { FE_RECORD_VERSION = 1, FE_RECORD_MAX = 4096, FE_NO_CHANNEL = 255 };

enum fe_config_fault {
    FE_CONFIG_SOUND,
    FE_CONFIG_ABSENT,      /* no record there */
    FE_CONFIG_VERSION,     /* a record of another version */
    FE_CONFIG_DAMAGED,     /* its size or CRC is wrong */
    FE_CONFIG_BOARD,       /* made for another board */
    FE_CONFIG_CHANNELS,    /* more channels than there is room for, or none of a kind needed */
    FE_CONFIG_NAME,        /* a name or unit too long, not UTF-8, empty or twice in its kind */
    FE_CONFIG_RATE,        /* a frame rate that is not exact, or out of range */
    FE_CONFIG_LINE,        /* more bytes a second than the line carries */
    FE_CONFIG_CEILING,     /* a ceiling beyond what the supply's output can ask for */
    FE_CONFIG_RAMP,        /* a ramp of no time or no current */
    FE_CONFIG_VALUE        /* another number out of its range */
};

/* What the board is able to do, from its port. */
typedef struct {
    uint16_t id;
    uint8_t wheels, converters, outputs, digital_in, digital_out, slow;
    uint8_t converter_inputs; /* of the converter chip */
    uint8_t slow_inputs;
    uint32_t tick_hz;
} fe_board;

typedef struct {
    bool falling;          /* the flank that counts */
    uint16_t least_100ns;  /* a shorter pulse, or a shorter gap in one, is a glitch */
    uint16_t top_hz;       /* most edges a second to be expected */
} fe_wheel_config;

typedef struct {
    uint8_t input; /* of the converter chip */
    uint8_t gain;  /* power of two, 0 to 7 */
} fe_converter_config;

/* Currents in steps of 10 mA. */
typedef struct {
    uint16_t ceiling;      /* most that a set point may ask for */
    uint16_t ramp_from;    /* the full, lasting current: the ramp takes it to zero ... */
    uint16_t ramp_ms;      /* ... in this time */
    uint16_t output_full;  /* what the output asks for at its upper end */
    int16_t read_zero;     /* read-back, counts of 16 bits, when no current flows */
    uint16_t read_full;    /* current that the whole span of the read-back stands for */
} fe_output_config;

typedef struct {
    uint8_t input;
    float scale, offset; /* value = scale x volt + offset, in the channel's unit */
} fe_slow_config;

typedef struct {
    uint64_t hash;
    uint32_t tick_hz, ticks_per_ms, baud;
    uint16_t frame_hz;
    uint16_t permit_hz;       /* how often permission is looked at: 500 a second or more */
    uint8_t permits_per_frame;
    uint32_t ticks_per_permit;
    uint8_t slow_hz;
    uint8_t wheels, converters, outputs, digital_in, digital_out, slow;
    uint8_t chain_input;      /* digital input of the stop chain */
    uint16_t inverted;        /* digital inputs whose 1 is an open contact */
    uint8_t edge_limit;       /* most edges of one wheel that a SAMPLE carries on this line */
    uint8_t converter_rate;   /* code for the converter chip */
    uint8_t excitation_input; /* of the converter chip, or FE_NO_CHANNEL */
    int32_t excitation_low, excitation_high; /* counts outside: bridge fault */
    fe_wheel_config wheel[FE_MAX_WHEELS];
    fe_converter_config converter[FE_MAX_CONVERTERS];
    fe_output_config output[FE_MAX_OUTPUTS];
    fe_slow_config slow_channel[FE_MAX_SLOW];
    const char *firmware;     /* what HELLO says it is, at most FE_MAX_FIRMWARE bytes */
    uint16_t table_size;
    uint8_t table[FE_MAX_FRAME]; /* HELLO's channel table: count, then kind, name, unit of each */
} fe_config;

/* Reads the record of at most `room` bytes at `record`. When it is refused `config` is that of a
 * front end without channels at 100 frames a second, which takes no set point that asks for
 * anything: HELLO then says why. */
enum fe_config_fault fe_config_read(fe_config *config, const fe_board *board,
                                    const uint8_t *record, size_t room);

/* A few words for HELLO. */
const char *fe_config_words(enum fe_config_fault fault);

#endif
