/* Session, permission and set points (docs/wire.md sections 7 and 8): the one place that decides
 * what the supplies are asked for. */
#ifndef FE_PERMISSION_H
#define FE_PERMISSION_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"
#include "ramp.h"

/* A NOTICE that ought to be sent; code FE_NO_NOTICE: none. */
typedef struct {
    uint8_t code;
    uint32_t detail;
} fe_event;

typedef struct {
    uint32_t session;         /* in force; 0: none */
    uint16_t last_set_point;
    bool heard;               /* a set point was taken in this session */
    bool zero_first;          /* the chain was open: the next set point taken must be all zero */
    uint8_t state;            /* enum fe_permission_state */
    uint8_t digital_out;
    uint32_t taken_tick;      /* last byte of the set point in force */
    uint32_t expires_tick;
    uint16_t set_point[FE_MAX_OUTPUTS]; /* what the supplies are asked for, steps of 10 mA */
    fe_ramp ramp;
} fe_permission;

/* Opens a session, not 0. Permission in force ends: what flows eases off. */
fe_event fe_open_session(fe_permission *permission, const fe_config *config, uint32_t session,
                         const fe_readings *readings, uint32_t tick);

/* Takes or refuses a SET_POINT whose content is laid out soundly; `tick` is that of its last
 * byte. */
fe_event fe_take_set_point(fe_permission *permission, const fe_config *config,
                           const uint8_t *content, uint32_t tick);

/* 500 times a second or more: chain, expiry and ramp. */
fe_event fe_decide(fe_permission *permission, const fe_config *config, bool chain_closed,
                   const fe_readings *readings, uint32_t tick);

/* Whole milliseconds of permission left at `tick`, rounded down; 0 unless held. */
uint16_t fe_left_ms(const fe_permission *permission, const fe_config *config, uint32_t tick);

#endif
