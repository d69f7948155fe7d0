/* The pickup line: edges and noise, the capture filter and register (16.6), the level's three reads. */
#include "bench_internal.h"

static void capture_latch(bench *b, uint8_t level, int64_t at)
{
    b->filtered = level;
    if (level != b->capture_level) {
        return;
    }
    if (b->capture_masked) {
        b->facts.while_masked++;
        return;
    }
    if (b->irq_at[IRQ_CAPTURE] != BENCH_NEVER) {
        b->facts.overwritten++;
    }
    b->latched = bench_tick_of(b, at);
    bench_irq_raise(b, IRQ_CAPTURE, at + b->set.latency_cycles);
}

static void line_recorded(bench *b, int64_t now, uint8_t level)
{
    bench_out *const out = b->out;
    double const at_s = bench_seconds_of(b, now);
    if (at_s >= out->line_from_s) {
        out->line_s[out->line_count] = at_s;
        out->line_level[out->line_count] = level;
        out->line_count++;
    }
}

static void filter_passed(bench *b)
{
    b->filter_at = BENCH_NEVER;
    capture_latch(b, b->candidate, b->candidate_from + b->set.capture_delay_cycles);
}

/* The level passes later, or now if nothing at all happens before. */
static inline void filter_begins(bench *b, int64_t now, uint8_t level)
{
    int64_t const passed = now + b->set.filter_cycles;
    int64_t const line = bench_sooner(b->train_at, b->noise_at);
    int64_t const other = bench_sooner(bench_sooner(b->coil_at, b->guard_at), b->cpu_at);
    if (BENCH_SELDOM(passed >= b->until) || BENCH_SELDOM(passed >= line) || (passed >= other)) {
        b->candidate = level;
        b->candidate_from = now;
        b->filter_at = passed;
        return;
    }
    capture_latch(b, level, now + b->set.capture_delay_cycles);
}

/* A level that the filter has not yet seen for long enough is forgotten. */
static void line_changed(bench *b, int64_t now)
{
    uint8_t const level = b->train_level ^ b->noise_level;
    b->recent_head = (b->recent_head + 1U) % BENCH_RECENT;
    b->recent[b->recent_head] = now;
    b->facts.edges++;
    if (b->out->line_count < b->out->line_room) {
        line_recorded(b, now, level);
    }
    if (b->set.filter_cycles == 0) {
        capture_latch(b, level, now + b->set.capture_delay_cycles);
        return;
    }
    if (b->filter_at != BENCH_NEVER) {
        b->facts.filtered_out++;
        b->filter_at = BENCH_NEVER;
    }
    if (level != b->filtered) {
        filter_begins(b, now, level);
    }
}

void bench_train_next(bench *b)
{
    b->train_at = (b->edge < b->edges) ? bench_cycle_from(b, b->edge_s[b->edge]) : BENCH_NEVER;
}

static void edges_due(bench *b, int64_t now)
{
    uint8_t const before = b->train_level ^ b->noise_level;
    while (b->train_at <= now) { /* edges of one cycle are one sample */
        uint8_t const active = b->active[b->edge];
        b->train_level = active & 1U;
        b->second_there = (active >> 1) & 1U;
        b->edge++;
        bench_train_next(b);
    }
    if (b->noise_at <= now) {
        bench_noise_step(b, now);
    }
    if (before != (b->train_level ^ b->noise_level)) {
        line_changed(b, now);
    }
}

void bench_line_step(bench *b, int64_t now)
{
    if (b->filter_at <= now) {
        filter_passed(b);
    } else {
        edges_due(b, now);
    }
    bench_line_soonest(b);
}

static int level_at(const bench *b, int64_t when)
{
    int level = b->train_level ^ b->noise_level;
    unsigned i;
    for (i = 0U; i < BENCH_RECENT; i++) {
        if (b->recent[(b->recent_head - i) % BENCH_RECENT] <= when) {
            break;
        }
        level ^= 1;
    }
    return level;
}

BENCH_APART uint8_t bench_level_voted(const bench *b, int64_t now)
{
    int const sum = level_at(b, now) + level_at(b, now - b->set.read_gap_cycles) +
                    level_at(b, now - (2 * b->set.read_gap_cycles));
    return sum >= 2;
}
