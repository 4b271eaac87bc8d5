#include "front_end.h"

#include "bytes.h"

static void hello(fe_front_end *front, uint32_t tick)
{
    const fe_config *config = &front->config;
    uint8_t *at = front->content;
    size_t name = 0;
    while (name < FE_MAX_FIRMWARE && config->firmware[name] != '\0') {
        name++;
    }
    at = fe_put8(at, FE_HELLO);
    at = fe_put8(at, FE_PROTOCOL_MAJOR);
    at = fe_put8(at, FE_PROTOCOL_MINOR);
    at = fe_put8(at, front->reset_cause);
    at = fe_put32(at, config->tick_hz);
    at = fe_put16(at, config->frame_hz);
    at = fe_put32(at, front->boot_id);
    at = fe_put32(at, front->permission.session);
    at = fe_put32(at, (uint32_t)config->hash);
    at = fe_put32(at, (uint32_t)(config->hash >> 32));
    at = fe_put32(at, tick);
    at = fe_put8(at, (uint32_t)name);
    at = fe_put_bytes(at, (const uint8_t *)config->firmware, name);
    at = fe_put_bytes(at, config->table, config->table_size);
    fe_line_put(&front->line, front->content, (size_t)(at - front->content));
}

static void notice(fe_front_end *front, uint8_t code, uint32_t detail, uint32_t tick)
{
    uint8_t *at = front->content;
    at = fe_put8(at, FE_NOTICE);
    at = fe_put32(at, tick);
    at = fe_put8(at, code);
    at = fe_put32(at, detail);
    fe_line_put(&front->line, front->content, (size_t)(at - front->content));
}

/* Whether a notice that is limited in rate may be sent; if so it is held off for `frames`. */
static bool due(fe_front_end *front, uint32_t slot, uint32_t frames)
{
    if (front->hold_off[slot] > 0u) {
        return false;
    }
    front->hold_off[slot] = (uint16_t)frames;
    return true;
}

static void tell(fe_front_end *front, fe_event event, uint32_t tick)
{
    uint32_t tenth_s = (front->config.frame_hz + 9u) / 10u; /* frames: at least 100 ms */
    bool told = event.code != FE_NO_NOTICE;
    if (event.code == FE_SET_POINT_REFUSED) {
        told = due(front, event.detail, tenth_s);
    }
    if (told) {
        notice(front, event.code, event.detail, tick);
    }
}

void fe_boot(fe_front_end *front, uint32_t boot_id, uint8_t reset_cause, uint32_t tick)
{
    fe_config *config = &front->config;
    front->boot_id = boot_id;
    front->reset_cause = reset_cause;
    front->sequence = 0;
    front->tick = tick;
    front->permission = (fe_permission){0};
    front->readings = (fe_readings){0};
    front->damage_told = 0;
    for (size_t i = 0; i < FE_SLOTS; i++) {
        front->hold_off[i] = 0;
    }
    for (size_t i = 0; i < FE_MAX_OUTPUTS; i++) {
        front->measured[i] = 0;
    }
    for (size_t i = 0; i < FE_MAX_WHEELS; i++) {
        front->wheel[i] = (fe_wheel){0};
        front->wheel[i].falling = config->wheel[i].falling;
        front->wheel[i].least_ticks =
            (uint32_t)(((uint64_t)config->wheel[i].least_100ns * config->tick_hz + 9999999u)
                       / 10000000u);
    }
    front->deframer.counters = (fe_counters){0};
    front->deframer.to_host = false;
    front->deframer.skipping = false;
    front->deframer.held = 0;
    front->line.waiting = 0;
    front->line.filling = 0;
    front->line.dropped = 0;
    fe_line_open(&front->line);
    hello(front, tick);
}

static void answer_time(fe_front_end *front, uint32_t token, uint32_t tick)
{
    uint8_t *at = front->content;
    at = fe_put8(at, FE_TIME);
    at = fe_put32(at, token);
    at = fe_put32(at, tick);
    fe_line_put(&front->line, front->content, (size_t)(at - front->content));
}

static void answer_identity(fe_front_end *front, uint32_t session, uint32_t tick)
{
    if (session != 0u) {
        fe_event event = fe_open_session(&front->permission, &front->config, session,
                                         &front->readings, tick);
        tell(front, event, tick);
    }
    hello(front, tick);
}

void fe_byte(fe_front_end *front, uint8_t byte, uint32_t tick)
{
    if (fe_deframer_take(&front->deframer, byte) == 0u) {
        return;
    }
    const uint8_t *content = front->deframer.buffer;
    switch (content[0]) {
    case FE_SET_POINT:
        tell(front, fe_take_set_point(&front->permission, &front->config, content, tick), tick);
        break;
    case FE_ASK_IDENTITY:
        answer_identity(front, fe_get32(content + 1), tick);
        break;
    case FE_ASK_TIME:
    default: /* the deframer lets nothing else through */
        answer_time(front, fe_get32(content + 1), tick);
        break;
    }
}

void fe_measured(fe_front_end *front, const uint16_t *measured)
{
    for (size_t i = 0; i < FE_MAX_OUTPUTS; i++) {
        front->measured[i] = measured[i];
    }
    fe_take_reading(&front->readings, measured);
}

void fe_permit(fe_front_end *front, uint16_t digital, uint32_t tick)
{
    bool chain_closed = ((uint32_t)digital >> front->config.chain_input & 1u) != 0u;
    fe_event event = fe_decide(&front->permission, &front->config, chain_closed,
                               &front->readings, tick);
    tell(front, event, tick);
}

static uint8_t *put_wheel(const fe_front_end *front, fe_wheel *wheel, uint8_t *at)
{
    uint32_t sent = wheel->in_frame;
    if (sent > front->config.edge_limit) {
        sent = front->config.edge_limit;
    }
    at = fe_put16(at, wheel->total);
    at = fe_put8(at, sent);
    for (uint32_t i = wheel->in_frame - sent; i != wheel->in_frame; i++) {
        at = fe_put32(at, wheel->edge[i % FE_MAX_EDGES]);
    }
    return at;
}

/* What the frame just made could not carry, and what the host sent that was damaged. */
static void tell_losses(fe_front_end *front, uint32_t tick)
{
    const fe_config *config = &front->config;
    for (uint8_t i = 0; i < config->wheels; i++) {
        uint32_t edges = front->wheel[i].in_frame;
        front->wheel[i].in_frame = 0;
        if (edges > config->edge_limit
            && due(front, FE_REFUSAL_SLOTS + (uint32_t)i, config->frame_hz)) {
            uint32_t lost = edges - config->edge_limit;
            notice(front, FE_EDGES_NOT_SENT, ((uint32_t)i << 16) | (lost & 0xFFFFu), tick);
        }
    }
    uint32_t damaged = fe_damaged(&front->deframer.counters);
    if (damaged != front->damage_told && due(front, FE_DAMAGE_SLOT, config->frame_hz)) {
        notice(front, FE_FRAMES_DAMAGED, damaged - front->damage_told, tick);
        front->damage_told = damaged;
    }
    for (size_t i = 0; i < FE_SLOTS; i++) {
        if (front->hold_off[i] > 0u) {
            front->hold_off[i]--;
        }
    }
}

void fe_sample(fe_front_end *front, const fe_inputs *inputs, uint32_t tick)
{
    const fe_config *config = &front->config;
    const fe_permission *permission = &front->permission;
    uint8_t *at = front->content;
    front->tick = tick;
    at = fe_put8(at, FE_SAMPLE);
    at = fe_put32(at, front->sequence);
    at = fe_put32(at, tick);
    at = fe_put8(at, permission->state);
    at = fe_put16(at, fe_left_ms(permission, config, tick));
    at = fe_put16(at, permission->last_set_point);
    at = fe_put16(at, inputs->digital);
    at = fe_put8(at, config->wheels);
    at = fe_put8(at, config->converters);
    at = fe_put8(at, config->outputs);
    for (uint8_t i = 0; i < config->wheels; i++) {
        at = put_wheel(front, &front->wheel[i], at);
    }
    for (uint8_t i = 0; i < config->converters; i++) {
        at = fe_put16(at, (uint32_t)inputs->count[i]);
        at = fe_put8(at, (uint32_t)inputs->count[i] >> 16);
        at = fe_put8(at, inputs->flags[i]);
    }
    for (uint8_t i = 0; i < config->outputs; i++) {
        at = fe_put16(at, front->measured[i]);
    }
    front->sequence++;
    fe_line_put(&front->line, front->content, (size_t)(at - front->content));
    tell_losses(front, tick);
}

void fe_slow(fe_front_end *front, uint8_t n, const uint8_t *index, const float *value,
             uint32_t tick)
{
    uint8_t *at = front->content;
    at = fe_put8(at, FE_SLOW);
    at = fe_put32(at, tick);
    at = fe_put8(at, n);
    for (uint8_t i = 0; i < n; i++) {
        union {
            float value;
            uint32_t bits;
        } number;
        number.value = value[i];
        if ((number.bits & 0x7FFFFFFFu) == 0x7F800000u) {
            number.bits = 0x7FC00000u; /* infinite: no value */
        }
        at = fe_put8(at, index[i]);
        at = fe_put32(at, number.bits);
    }
    fe_line_put(&front->line, front->content, (size_t)(at - front->content));
}
