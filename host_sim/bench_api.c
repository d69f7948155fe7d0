/* Setting up, reading out, and the core's event functions one by one. */
#include "bench_internal.h"

#include <string.h>

static int shift_for(int64_t cycles_per_tick)
{
    int shift = 0;
    while ((INT64_C(1) << shift) < cycles_per_tick) {
        shift++;
    }
    return ((INT64_C(1) << shift) == cycles_per_tick) ? shift : -1;
}

/* The chip is in reset until start_s; the caller gives room of bench_size() bytes. */
BENCH_API void bench_init(bench *b, const bench_settings *settings, int power_on)
{
    int i;
    memset(b, 0, sizeof *b);
    b->set = *settings;
    b->shift = shift_for(settings->cycles_per_tick);
    b->tick_offset = settings->first_tick;
    b->line_at = b->coil_at = b->guard_at = BENCH_NEVER;
    b->filter_at = b->train_at = b->noise_at = BENCH_NEVER;
    for (i = 0; i < IRQ_COUNT; i++) {
        b->irq_at[i] = BENCH_NEVER;
    }
    for (i = 0; i < BENCH_RECENT; i++) {
        b->recent[i] = INT64_MIN;
    }
    b->handler[IRQ_CAPTURE] = settings->capture_cycles;
    b->handler[IRQ_COIL] = settings->coil_cycles;
    b->handler[IRQ_ALARM] = settings->alarm_cycles;
    b->handler[IRQ_POLL] = settings->poll_cycles;
    b->on_longest =
        ((int64_t)ST_CFG_HARD_LIMIT_TICKS + settings->near_ticks + settings->compare_ticks) *
        settings->cycles_per_tick;
    b->on_guarded = settings->guard_cycles +
                    (((int64_t)ST_CFG_HARD_LIMIT_TICKS + (int64_t)ST_CFG_GUARD_TICKS) *
                     settings->cycles_per_tick);
    b->capture_masked = 1U;
    b->random = settings->noise_seed;
    b->power_on = power_on;
    b->running = BENCH_IN_RESET;
    b->cpu_at = bench_cycle_from(b, settings->start_s);
    b->facts.end_s = settings->start_s;
}

BENCH_API void bench_late(bench *b, int64_t latency_cycles)
{
    if ((b->irq_at[IRQ_ALARM] != BENCH_NEVER) && (b->alarm_at >= b->until)) { /* still to match */
        b->irq_at[IRQ_ALARM] = b->alarm_at + latency_cycles;
        bench_cpu_schedule(b);
    }
    b->set.latency_cycles = latency_cycles;
}

BENCH_API uint64_t bench_size(void)
{
    return sizeof(bench);
}

BENCH_API void bench_facts_of(const bench *b, bench_facts *facts)
{
    double const cycle_s = 1.0 / (double)b->set.cycles_hz;
    *facts = b->facts;
    facts->on_max_s = (double)b->on_max_cycles * cycle_s;
    facts->busy_s = (double)b->busy_cycles * cycle_s;
}

BENCH_API void bench_counters_of(const bench *b, uint16_t *counters, int64_t room)
{
    int64_t i;
    for (i = 0; i < room; i++) {
        counters[i] = (i < (int64_t)ST_N_COUNT) ? b->core.count[i] : 0U;
    }
}

/* The supply measured so many times; nothing where the firmware does not measure it. */
BENCH_API void bench_supply(bench *b, uint16_t counts, int64_t times)
{
#if ST_CFG_DWELL_POINTS
    int64_t i;
    for (i = 0; i < times; i++) {
        st_on_supply(&b->core, counts);
    }
#else
    (void)b;
    (void)counts;
    (void)times;
#endif
}

/* The core's state, for faults to be put into. */
BENCH_API uint8_t *bench_core(bench *b)
{
    return (uint8_t *)&b->core;
}

BENCH_API uint64_t bench_core_size(void)
{
    return sizeof(st_core);
}

/* Sizes and offsets as the C compiler sees them, in the order library.py asks for. */
BENCH_API int64_t bench_layout(uint64_t *numbers, int64_t room)
{
    uint64_t const known[] = {
        sizeof(bench_noise),
        sizeof(bench_settings),
        offsetof(bench_settings, first_tick),
        offsetof(bench_settings, noise_jitter_s),
        offsetof(bench_settings, noise),
        sizeof(bench_facts),
        offsetof(bench_facts, on_max_s),
        sizeof(bench_out),
        offsetof(bench_out, coil_count),
        offsetof(bench_out, mode_count),
        offsetof(bench_out, line_from_s),
        (uint64_t)ST_N_COUNT,
        (uint64_t)ST_CORE_VERSION,
    };
    int64_t const count = (int64_t)(sizeof known / sizeof known[0]);
    int64_t i;
    for (i = 0; (i < count) && (i < room); i++) {
        numbers[i] = known[i];
    }
    return count;
}

/* One event a call, straight into the core: what a binding without the loop would cost. */
BENCH_API void bench_one_capture(bench *b, uint32_t at, uint32_t now)
{
    st_on_capture(&b->core, at, now);
}

BENCH_API void bench_one_alarm(bench *b, uint32_t now, int active)
{
    st_on_alarm(&b->core, now, active != 0);
}

BENCH_API void bench_one_coil(bench *b, uint32_t at, int on)
{
    st_on_coil(&b->core, at, on != 0);
}
