/* The pickup line with noise that follows the coil's own switching.
 *
 * The line is the train's level exclusive-or the noise's.  Its samples, one a clock, pass what stands
 * between a pin and the registers, as pin_filter.py says for a whole train at once: here step by step,
 * because the noise is not known before the coil has switched.
 */
#include "simavr_fix.h"

#include <math.h>

enum { PIN_CLOCKS = 1, CAPTURE_CLOCKS = 3, CANCELLER_SAMPLES = 4, CANCELLER_CLOCKS = 4 };
enum { FILTERED_CLOCKS = CAPTURE_CLOCKS + CANCELLER_CLOCKS };
enum { BURSTS = 256, RING = 16, ACTIVE = 1, ON = 2 };

#define NEVER INT64_MAX

typedef struct {
    int64_t begin; /* cycle */
    int64_t at;    /* cycle of the next toggle */
    const double *next, *end;
} burst;

typedef struct {
    int64_t cycle;
    int level;
} change;

static struct {
    int train;
    int noise;
    uint64_t random;
    burst bursts[BURSTS];
    int burst_count;
    change ring[RING]; /* the line's last changes; the counts below run on, modulo RING */
    uint64_t head, pin, direct, filtered;
    int filtered_level;
} line;

static int line_level(void)
{
    return line.train ^ line.noise;
}

static change *entry(uint64_t place)
{
    return &line.ring[place % RING];
}

/* Two changes in one sample are none. */
static void line_changed(int64_t cycle)
{
    if (line.head != 0u && entry(line.head - 1u)->cycle == cycle) {
        line.head--;
    } else {
        entry(line.head)->cycle = cycle;
        entry(line.head)->level = line_level();
        line.head++;
    }
}

/* The same generator and draws as the host bench (bench_noise.c): splitmix64, Vigna, public domain. */
static double draw_unit(void)
{
    uint64_t z = (line.random += UINT64_C(0x9E3779B97F4A7C15));
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return (double)((z ^ (z >> 31)) >> 11) * 0x1p-53;
}

/* The first sample that sees it; sample n is taken in the middle of the clock before cycle n + 1. */
static int64_t toggle_cycle(const burst *b)
{
    int64_t cycle = b->begin + (int64_t)ceil(*b->next * sim.job.clock_hz - 0.5);
    return cycle > b->begin ? cycle : b->begin + 1;
}

static int64_t due(uint64_t place, int clocks)
{
    return place < line.head ? entry(place)->cycle + clocks : NEVER;
}

static int64_t sooner(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static int64_t next_due(void)
{
    int64_t at = sooner(due(line.pin, PIN_CLOCKS), due(line.direct, CAPTURE_CLOCKS));
    at = sooner(at, due(line.filtered, FILTERED_CLOCKS));
    for (int i = 0; i < line.burst_count; i++) {
        at = sooner(at, line.bursts[i].at);
    }
    return at;
}

/* Every toggle due by `now`; with `silent` nobody looks: the chip is held in reset. */
static void toggle(int64_t now, int silent)
{
    int i = 0;
    while (i < line.burst_count) {
        burst *b = &line.bursts[i];
        if (b->at > now) {
            i++;
            continue;
        }
        line.noise ^= 1;
        if (!silent) {
            line_changed(now);
        }
        b->next++;
        if (b->next == b->end) {
            *b = line.bursts[--line.burst_count];
        } else {
            b->at = toggle_cycle(b);
        }
    }
}

static void pass_on(int64_t now)
{
    if (due(line.pin, PIN_CLOCKS) <= now) {
        const change *c = entry(line.pin++);
        chip_record_line(&sim.record, c->cycle, c->level);
        sim_pickup(c->level);
    }
    if (due(line.direct, CAPTURE_CLOCKS) <= now) {
        sim_capture(0, entry(line.direct++)->level);
    }
    if (due(line.filtered, FILTERED_CLOCKS) <= now) {
        const change *c = entry(line.filtered++);
        int64_t held = due(line.filtered, 0) - c->cycle;
        if (held >= CANCELLER_SAMPLES && c->level != line.filtered_level) {
            line.filtered_level = c->level;
            sim_capture(1, c->level);
        }
    }
}

static avr_cycle_count_t on_line(avr_t *avr, avr_cycle_count_t when, void *param)
{
    int64_t now = (int64_t)(when - SIM_ORIGIN);
    (void)avr;
    (void)param;
    toggle(now, 0);
    pass_on(now);
    int64_t next = next_due();
    return next == NEVER ? 0u : SIM_ORIGIN + (avr_cycle_count_t)next;
}

static void arm(void)
{
    int64_t next = next_due();
    if (next == NEVER) {
        avr_cycle_timer_cancel(sim.avr, on_line, NULL);
        return;
    }
    int64_t ahead = next - sim_now();
    avr_cycle_timer_register(sim.avr, ahead > 0 ? (avr_cycle_count_t)ahead : 0u, on_line, NULL);
}

void sim_line_begin(void)
{
    line.train = sim.job.idle_level;
    line.filtered_level = sim.job.idle_level;
    line.random = sim.job.noise_seed;
}

void sim_line_train(int level)
{
    line.train = level;
    line_changed(sim_now());
    arm();
}

void sim_line_held(int level)
{
    line.train = level;
}

void sim_line_switched(int on)
{
    if (!sim.job.noise_on) {
        return;
    }
    int active = line_level() == sim.job.pickup.on_level;
    const sim_noise *noise = &sim.noise[(on ? ON : 0) | (active ? ACTIVE : 0)];
    if (noise->patterns == 0) {
        return;
    }
    int64_t pattern = (int64_t)(draw_unit() * (double)noise->patterns);
    double jitter_s = draw_unit() * sim.job.noise_jitter_s;
    burst b = {
        .begin = sim_now() + (int64_t)(jitter_s * sim.job.clock_hz),
        .next = noise->toggle_s + noise->first[pattern],
        .end = noise->toggle_s + noise->first[pattern + 1],
    };
    if (b.next == b.end) {
        return;
    }
    sim.result.noise_bursts++;
    if (line.burst_count == BURSTS) {
        sim.result.noise_dropped++;
        return;
    }
    b.at = toggle_cycle(&b);
    line.bursts[line.burst_count++] = b;
    arm();
}

void sim_line_release(void)
{
    if (!sim.job.noise_on) {
        return;
    }
    toggle(sim_now(), 1);
    line.pin = line.direct = line.filtered = line.head = 0u;
    line.filtered_level = line_level();
    sim.pickup_level = sim.capture_level[0] = sim.capture_level[1] = line_level();
    chip_record_line(&sim.record, sim_now(), line_level());
    arm();
}
