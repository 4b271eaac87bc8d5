/* A front end after docs/wire.md, without hardware: bytes, edges, counts, inputs and ticks go in;
 * bytes for the host, currents to ask of the supplies and digital outputs come out.
 *
 * The port calls fe_byte for each byte read, fe_measured and fe_permit config.permit_hz times a
 * second, and then fe_sample once a frame; each runs to its end before another begins. Nothing is allocated and no clock is read. */
#ifndef FE_FRONT_END_H
#define FE_FRONT_END_H

#include "config.h"
#include "deframer.h"
#include "line.h"
#include "permission.h"
#include "wheel.h"

/* What was read at the tick of a frame. */
typedef struct {
    uint16_t digital;                      /* 1: closed or present, already turned where inverted */
    int32_t count[FE_MAX_CONVERTERS];      /* 24 bits, signed */
    uint8_t flags[FE_MAX_CONVERTERS];      /* enum fe_converter_flag */
} fe_inputs;

/* Notices that are limited in rate, and frames until each may be sent again. */
enum { FE_DAMAGE_SLOT = 0, FE_REFUSAL_SLOTS = 6, FE_SLOTS = FE_REFUSAL_SLOTS + FE_MAX_WHEELS };

typedef struct {
    fe_config config;
    uint32_t boot_id;
    uint8_t reset_cause;
    uint32_t sequence;
    uint32_t tick;             /* of the last frame */
    uint16_t measured[FE_MAX_OUTPUTS]; /* coil currents, steps of 10 mA, newest */
    fe_readings readings;
    fe_permission permission;
    fe_wheel wheel[FE_MAX_WHEELS];
    fe_deframer deframer;
    fe_line line;
    uint32_t damage_told;
    uint16_t hold_off[FE_SLOTS];
    uint8_t content[FE_MAX_FRAME]; /* of the frame being made */
} fe_front_end;

/* Starts with the configuration already read into `config`: everything the host ever said is
 * forgotten, supplies are at zero, HELLO waits to be sent. */
void fe_boot(fe_front_end *front, uint32_t boot_id, uint8_t reset_cause, uint32_t tick);

/* One byte from the host, read at `tick`. */
void fe_byte(fe_front_end *front, uint8_t byte, uint32_t tick);

/* What flows in the coils, in steps of 10 mA: FE_MAX_OUTPUTS numbers, those of no output 0. */
void fe_measured(fe_front_end *front, const uint16_t *measured);

/* What is allowed from `tick` on, by clock, stop chain and ramp. */
void fe_permit(fe_front_end *front, uint16_t digital, uint32_t tick);

/* The frame of `tick`. The wheels' changes up to it have been given to front->wheel before. */
void fe_sample(fe_front_end *front, const fe_inputs *inputs, uint32_t tick);

/* Values of slow channels: n pairs of index and value; NaN: no value. */
void fe_slow(fe_front_end *front, uint8_t n, const uint8_t *index, const float *value,
             uint32_t tick);

#endif
