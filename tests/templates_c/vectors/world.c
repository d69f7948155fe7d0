#include "world.h"

#include "invariant.h"

#define WORLD_NEAR 16U /* nearest instant a compare unit can be armed for, ticks */
#define WORLD_TICKS_AN_ALARM 100U /* no more alarms than one in so many ticks, in the long run */

/* Xorshift (Marsaglia 2003, triple 13, 17, 5). */
uint32_t world_random(world *w)
{
    uint32_t x = w->random;
    x ^= x << 13;
    x ^= x >> 17;
    x ^= x << 5;
    w->random = x;
    return x;
}

static uint32_t below(world *w, uint32_t limit)
{
    return world_random(w) % limit;
}

/* FNV-1a over 32-bit words, a byte at a time. */
static void fold(world *w, uint32_t word)
{
    uint8_t i;
    for (i = 0U; i < 4U; i++) {
        w->digest = (w->digest ^ (word & 0xFFU)) * UINT32_C(16777619);
        word >>= 8;
    }
}

static void fold_core(world *w)
{
    const st_core *const c = &w->core;
    uint8_t i;
    fold(w, c->orders.coil_at);
    fold(w, c->orders.alarm_at);
    fold(w, (uint32_t)c->orders.coil | ((uint32_t)c->orders.capture << 8) |
                ((uint32_t)c->orders.alarm_on << 16) | ((uint32_t)c->s.mode << 24));
    fold(w, c->s.edge_at);
    fold(w, c->s.period_ticks);
    fold(w, (uint32_t)c->s.missing | ((uint32_t)c->phase << 8) | ((uint32_t)c->seek << 16) |
                ((uint32_t)c->coil_on << 24));
    for (i = 0U; i < (uint8_t)ST_N_COUNT; i++) {
        fold(w, c->count[i]);
    }
#if ST_CFG_TWO_COILS
    fold(w, (uint32_t)c->s.second | ((uint32_t)c->orders.second << 16));
#endif
#if ST_CFG_DWELL_POINTS
    fold(w, (uint32_t)c->supply_q4 | ((uint32_t)c->dwell_ticks << 16));
#endif
}

static void broken(world *w, uint8_t which, bool is)
{
    if (is && (w->broken[which] != UINT16_MAX)) {
        w->broken[which]++;
    }
}

static void pin(world *w, st_ticks at, bool on)
{
    st_ticks const most = ST_CFG_HARD_LIMIT_TICKS + WORLD_NEAR + w->late_most;
    if (on == w->coil_on) {
        return;
    }
    w->coil_on = on;
    if (on) {
        w->on_since = at;
        broken(w, WORLD_C_CHARGE, w->core.s.mode < (uint8_t)ST_START);
        return;
    }
    w->sparks++;
    w->wrong += (w->channel != w->second);
    w->last_spark_at = at;
    w->last_on = at - w->on_since;
    w->on_most = (w->last_on > w->on_most) ? w->last_on : w->on_most;
    broken(w, WORLD_A_ON_TOO_LONG, w->last_on > most);
}

static st_ticks reachable(const world *w, st_ticks at)
{
    st_ticks const ahead = at - w->now;
    return ((ahead >= ST_HALF_RANGE) || (ahead < WORLD_NEAR)) ? (w->now + WORLD_NEAR) : at;
}

/* The select output follows while the coils are off; the core must not ask for more. */
static void select_coil(world *w)
{
#if ST_CFG_TWO_COILS
    broken(w, WORLD_E_STATE, w->coil_on && (w->core.orders.second != w->channel));
    w->channel = w->core.orders.second;
#else
    w->channel = w->second;
#endif
}

static void read_sensor(world *w)
{
#if ST_CFG_TWO_COILS
    w->core.second_there = w->second;
#else
    (void)w;
#endif
}

static void apply(world *w)
{
    st_orders *const o = &w->core.orders;
    select_coil(w);
    if (o->coil_fresh) {
        o->coil_fresh = false;
        w->coil = o->coil;
        w->coil_at = reachable(w, o->coil_at);
        if (w->coil == (uint8_t)ST_COIL_IDLE) {
            pin(w, w->now, false);
        }
    }
    w->capture = o->capture;
    o->capture_fresh = false;
    if (o->alarm_fresh) {
        o->alarm_fresh = false;
        w->alarm_on = o->alarm_on;
        w->alarm_at = reachable(w, o->alarm_at);
    }
}

/* A match that has come about is told before anything else. */
static void tell_coil(world *w)
{
    if ((w->coil != (uint8_t)ST_COIL_IDLE) && !st_before(w->now, w->coil_at)) {
        bool const on = w->coil == (uint8_t)ST_COIL_ON_AT;
        w->coil = (uint8_t)ST_COIL_IDLE;
        pin(w, w->coil_at, on);
        st_on_coil(&w->core, w->coil_at, on);
    }
}

static void finish(world *w)
{
    apply(w);
    st_settle(&w->core);
    apply(w);
    broken(w, WORLD_E_STATE, !invariant(&w->core));
    fold_core(w);
    w->events++;
}

/* Its handler begins some ticks after `at`. */
static void begin(world *w, st_ticks at)
{
    w->now = st_later(w->now, at) + (below(w, 8U) == 0U ? below(w, (uint32_t)w->late_most + 1U) : 2U);
    tell_coil(w);
}

static void alarm_due(world *w)
{
    w->alarm_on = false;
    begin(w, w->alarm_at);
    read_sensor(w);
    st_on_alarm(&w->core, w->now, w->active);
    finish(w);
}

static void coil_due(world *w)
{
    begin(w, w->coil_at);
    finish(w);
}

void world_until(world *w, st_ticks at)
{
    uint32_t const span = st_before(w->now, at) ? (at - w->now) : 0U;
    uint32_t const most = 200U + (span / WORLD_TICKS_AN_ALARM);
    uint32_t events;
    for (events = 0U; events < most; events++) {
        bool const coil = (w->coil != (uint8_t)ST_COIL_IDLE) && st_before(w->coil_at, at);
        bool const alarm = w->alarm_on && st_before(w->alarm_at, at);
        if (coil && (!alarm || !st_before(w->alarm_at, w->coil_at))) {
            coil_due(w);
        } else if (alarm) {
            alarm_due(w);
        } else {
            break;
        }
    }
    broken(w, WORLD_F_ENDLESS, events == most);
    w->now = st_later(w->now, at);
}

void world_edge(world *w, st_ticks at, bool active)
{
    uint8_t const wanted = (uint8_t)(active ? ST_CAPTURE_LEAD : ST_CAPTURE_TRAIL);
    bool const changes = active != w->active;
    world_until(w, at);
    w->active = active;
    if (changes && (w->capture == wanted)) {
        begin(w, at);
        st_on_capture(&w->core, at, w->now);
        finish(w);
    }
}

void world_poll(world *w)
{
    begin(w, w->now);
#if ST_CFG_DWELL_POINTS
    st_on_supply(&w->core, (uint16_t)(650U + below(w, 100U)));
#endif
    read_sensor(w);
    st_on_poll(&w->core, w->now, w->active);
    finish(w);
}

static void come_up(world *w, bool power_on)
{
    static const st_core cleared; /* as start-up leaves it */
    w->coil = (uint8_t)ST_COIL_IDLE;
    w->alarm_on = false;
    w->core = cleared;
    st_init(&w->core, w->now, &w->kept, power_on);
    apply(w);
    fold_core(w);
}

void world_start(world *w, uint32_t seed, st_ticks now, bool power_on)
{
    uint8_t *const bytes = (uint8_t *)w;
    uint16_t i;
    for (i = 0U; i < (uint16_t)sizeof *w; i++) {
        bytes[i] = 0U;
    }
    w->random = (seed != 0U) ? seed : 1U;
    w->digest = UINT32_C(2166136261);
    w->now = now;
    w->late_most = 60U;
    w->period = ST_CFG_START_PERIOD_TICKS / 4U;
    come_up(w, power_on);
}

void world_reset(world *w, bool power_on)
{
    pin(w, w->now, false);
    st_keep(&w->core, &w->kept);
    come_up(w, power_on);
}

void world_pulse(world *w, st_ticks lead_at, uint32_t period)
{
    uint32_t const arc = st_scale_q16(period, ST_CFG_ARC_Q16);
    world_until(w, lead_at);
    w->second = !w->second;
    world_edge(w, lead_at, true);
    world_edge(w, lead_at + arc, false);
    if (below(w, 4U) == 0U) {
        world_poll(w);
    }
}

/* A glitch: two edges close together, somewhere in the next `span` ticks. */
static void glitch(world *w, uint32_t span)
{
    st_ticks const at = w->now + 1U + below(w, span);
    bool const level = w->active;
    world_edge(w, at, !level);
    world_edge(w, w->now + below(w, 120U), level);
}

static void draw_period(world *w)
{
    uint32_t const turns = ST_CFG_PERIOD_MIN_TICKS + (ST_CFG_PERIOD_MIN_TICKS >> 2);
    uint8_t const shift = (uint8_t)below(w, 7U);
    w->period = (turns << shift) + below(w, turns << shift);
    if (below(w, 8U) == 0U) {
        w->period = below(w, ST_CFG_PERIOD_MAX_TICKS * 2U) + 1U;
    }
}

/* Speed changes a little from turn to turn, now and then a lot; some pulses are missing, disturbed or
 * of the wrong width. */
static void turn(world *w, uint8_t mischief)
{
    uint32_t const p = w->period;
    uint32_t next = p - (p >> 5) + below(w, (p >> 4) + 1U);
    st_ticks const lead_at = w->now + next - st_scale_q16(p, ST_CFG_ARC_Q16);
    switch (below(w, 16U) + (16U - mischief)) {
    case 16U:
        glitch(w, next);
        break;
    case 17U:
        world_until(w, lead_at); /* missing */
        world_poll(w);
        return;
    case 18U:
        next = below(w, next) + 1U; /* another width and place */
        break;
    case 19U:
        world_edge(w, w->now + below(w, next), true);
        break;
    case 20U:
        glitch(w, 200U);
        glitch(w, 100U);
        break;
    case 21U:
        world_poll(w);
        w->second = below(w, 2U) == 0U; /* a phase sensor that lies */
        break;
    default:
        break;
    }
    world_pulse(w, st_before(lead_at, w->now) ? (w->now + 1U) : lead_at, next);
    w->period = next;
}

void world_scene(world *w)
{
    uint8_t const mischief = (uint8_t)below(w, 17U);
    uint8_t turns = (uint8_t)(3U + below(w, 12U));
    if (below(w, 3U) == 0U) {
        draw_period(w);
    }
    for (; turns != 0U; turns--) {
        turn(w, mischief);
    }
    switch (below(w, 12U)) {
    case 0U:
        world_reset(w, below(w, 3U) == 0U);
        break;
    case 1U: /* the engine stands, the main loop polls */
        for (turns = 0U; turns < 12U; turns++) {
            world_until(w, w->now + (ST_CFG_PERIOD_MAX_TICKS >> 2));
            world_poll(w);
        }
        break;
    case 2U: /* the counter wraps soon */
        world_until(w, w->now + below(w, ST_CFG_PERIOD_MAX_TICKS));
        break;
    case 3U: /* the independent guard strikes */
        if (w->coil_on) {
            w->coil = (uint8_t)ST_COIL_IDLE;
            pin(w, w->now, false);
            st_on_forced_off(&w->core, w->now);
            finish(w);
        }
        break;
    default:
        break;
    }
}
