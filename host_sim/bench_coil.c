/* The coil's compare unit (16.7, 16.8), what the pin did, and the on-time guard's clock. */
#include "bench_internal.h"

static void coil_put_out(bench *b, int64_t now, uint8_t on)
{
    bench_out *const out = b->out;
    if (out->coil_count < out->coil_room) {
        out->coil_s[out->coil_count] = bench_seconds_of(b, now);
        out->coil_on[out->coil_count] = on;
        out->coil_mode[out->coil_count] = (uint8_t)(b->core.s.mode | (b->second_coil << 7));
        out->coil_count++;
        if (!bench_has_room(out)) {
            b->stop = INT64_MIN;
        }
    }
}

static void coil_went_off(bench *b, int64_t now)
{
    int64_t const length = now - b->on_since;
    b->guard_at = BENCH_NEVER;
    if (length > b->on_max_cycles) {
        b->on_max_cycles = length;
    }
    if (BENCH_SELDOM(length > b->on_longest)) {
        b->facts.over_hard_limit++;
    }
}

void bench_coil_pin(bench *b, int64_t now, uint8_t on)
{
    if (on == b->coil_level) {
        return;
    }
    b->coil_level = on;
    if (on) {
        b->on_since = now;
        b->guard_at = now + b->on_guarded;
        /* The mode whose orders are armed: one decided while the handler still runs is not. */
        if ((b->mode != (uint8_t)ST_RUN) && (b->mode != (uint8_t)ST_START) &&
            (b->mode != (uint8_t)ST_LOCKING)) {
            b->facts.charge_out_of_mode++;
        }
    } else {
        coil_went_off(b, now);
    }
    coil_put_out(b, now, on);
    bench_noise_begin(b, now, on);
}

void bench_coil_match(bench *b, int64_t now)
{
    b->coil_at = BENCH_NEVER;
    b->matched = 1U;
    bench_coil_pin(b, now, b->coil_armed == (uint8_t)ST_COIL_ON_AT);
    bench_irq_raise(b, IRQ_COIL, now + b->set.latency_cycles);
}

void bench_coil_tell(bench *b)
{
    b->matched = 0U;
    bench_irq_clear(b, IRQ_COIL);
    st_on_coil(&b->core, b->coil_tick, b->coil_level != 0U);
}

static void coil_arm_once(bench *b, int64_t now)
{
    bench_match match;
    b->coil_armed = b->core.orders.coil;
#if ST_CFG_TWO_COILS
    if (!b->coil_level) {
        b->second_coil = b->core.orders.second;
    }
#endif
    if (b->coil_armed == (uint8_t)ST_COIL_IDLE) {
        b->coil_at = BENCH_NEVER;
        bench_coil_pin(b, now, 0U);
        return;
    }
    match = bench_match_of(b, b->core.orders.coil_at, now);
    b->coil_tick = match.tick;
    b->coil_at = match.at;
    if (BENCH_SELDOM(match.moved)) {
        b->facts.late_orders++;
    }
}

void bench_coil_arm(bench *b, int64_t now)
{
    int tries;
    for (tries = 0; b->core.orders.coil_fresh && (tries < 3); tries++) {
        b->core.orders.coil_fresh = false;
        if (b->matched) { /* the order was given in ignorance of that; telling gives a new one */
            bench_coil_tell(b);
        } else {
            coil_arm_once(b, now);
        }
    }
}
