#include "permission.h"

#include "bytes.h"

static const fe_event nothing = {FE_NO_NOTICE, 0};

static fe_event begin_easing(fe_permission *permission, const fe_config *config,
                             const fe_readings *readings, uint32_t tick)
{
    bool flows = fe_ramp_begin(&permission->ramp, config, readings, permission->set_point);
    permission->state = flows ? FE_EASING : FE_NONE;
    fe_event event = {FE_EASING_BEGAN, (tick - permission->taken_tick) / config->ticks_per_ms};
    return event;
}

fe_event fe_open_session(fe_permission *permission, const fe_config *config, uint32_t session,
                         const fe_readings *readings, uint32_t tick)
{
    fe_event event = nothing;
    if (permission->state == FE_HELD) {
        event = begin_easing(permission, config, readings, tick);
    }
    permission->session = session;
    permission->last_set_point = 0;
    permission->heard = false;
    permission->zero_first = false;
    return event;
}

/* The checks of section 7, in its order. `content` offsets are those of its table. */
static enum fe_refusal check(const fe_permission *permission, const fe_config *config,
                             const uint8_t *content)
{
    uint16_t newer = (uint16_t)(fe_get16(content + 5) - permission->last_set_point);
    uint16_t validity_ms = fe_get16(content + 7);
    bool asks = false;
    if (permission->session == 0u || fe_get32(content + 1) != permission->session) {
        return FE_OTHER_SESSION;
    }
    if (permission->heard && (newer == 0u || newer >= 0x8000u)) {
        return FE_NOT_NEWER;
    }
    if (content[10] != config->outputs) {
        return FE_WRONG_COUNT;
    }
    if (validity_ms == 0u || validity_ms > FE_MAX_VALIDITY_MS) {
        return FE_OUT_OF_RANGE;
    }
    for (uint8_t i = 0; i < config->outputs; i++) {
        uint16_t current = fe_get16(content + 11u + 2u * (size_t)i);
        if (current > config->output[i].ceiling) {
            return FE_OUT_OF_RANGE;
        }
        asks = asks || current != 0u;
    }
    if (asks && permission->zero_first && permission->state != FE_CHAIN_OPEN) {
        return FE_NOT_ZERO_AFTER_CHAIN;
    }
    return FE_ACCEPTED;
}

fe_event fe_take_set_point(fe_permission *permission, const fe_config *config,
                           const uint8_t *content, uint32_t tick)
{
    enum fe_refusal refusal = check(permission, config, content);
    if (refusal != FE_ACCEPTED) {
        fe_event event = {FE_SET_POINT_REFUSED, (uint32_t)refusal};
        return event;
    }
    permission->heard = true;
    permission->last_set_point = fe_get16(content + 5);
    permission->digital_out = content[9];
    if (permission->state == FE_CHAIN_OPEN) {
        return nothing; /* fans follow, currents stay zero */
    }
    permission->zero_first = false;
    permission->taken_tick = tick;
    permission->expires_tick = tick + fe_get16(content + 7) * config->ticks_per_ms;
    permission->state = FE_HELD;
    for (uint8_t i = 0; i < config->outputs; i++) {
        permission->set_point[i] = fe_get16(content + 11u + 2u * (size_t)i);
    }
    return nothing;
}

static fe_event open_chain(fe_permission *permission, const fe_config *config)
{
    fe_event event = {FE_CHAIN_OPENED, 0};
    permission->state = FE_CHAIN_OPEN;
    permission->zero_first = true;
    for (uint8_t i = 0; i < config->outputs; i++) {
        permission->set_point[i] = 0;
    }
    return event;
}

/* Ticks wrap: `tick` is at or after `other` when it lies less than half a turn ahead. */
static bool reached(uint32_t tick, uint32_t other)
{
    return tick - other < 0x80000000u;
}

fe_event fe_decide(fe_permission *permission, const fe_config *config, bool chain_closed,
                   const fe_readings *readings, uint32_t tick)
{
    if (!chain_closed) {
        return permission->state == FE_CHAIN_OPEN ? nothing : open_chain(permission, config);
    }
    switch (permission->state) {
    case FE_CHAIN_OPEN:
        permission->state = FE_NONE;
        break;
    case FE_HELD:
        if (reached(tick, permission->expires_tick)) {
            return begin_easing(permission, config, readings, tick);
        }
        break;
    case FE_EASING:
        if (!fe_ramp_step(&permission->ramp, config, permission->set_point)) {
            permission->state = FE_NONE;
        }
        break;
    case FE_NONE:
    default:
        break;
    }
    return nothing;
}

uint16_t fe_left_ms(const fe_permission *permission, const fe_config *config, uint32_t tick)
{
    if (permission->state != FE_HELD || reached(tick, permission->expires_tick)) {
        return 0;
    }
    return (uint16_t)((permission->expires_tick - tick) / config->ticks_per_ms);
}
