/* The bench's state and clock, shared by its files. */
#ifndef BENCH_INTERNAL_H
#define BENCH_INTERNAL_H

#include <stddef.h>

#include "bench.h"
#include "config.h"
#include "st_core.h"

#if defined(_WIN32)
#define BENCH_API __declspec(dllexport)
#else
#define BENCH_API __attribute__((visibility("default")))
#endif

/* What seldom runs stays out of the functions that run all the time. */
#if defined(__GNUC__)
#define BENCH_APART __attribute__((noinline, cold))
#define BENCH_INLINE inline __attribute__((always_inline))
#define BENCH_SELDOM(condition) __builtin_expect((condition) != 0, 0)
#else
#define BENCH_APART
#define BENCH_INLINE inline
#define BENCH_SELDOM(condition) (condition)
#endif

#define BENCH_NEVER INT64_MAX
#define BENCH_RECENT 8 /* pin changes remembered for reading the level */
#define BENCH_BURSTS 16 /* noise patterns that can run at once */

/* Interrupts by priority (vector order, 11.1), then the poll. */
enum { IRQ_CAPTURE, IRQ_COIL, IRQ_ALARM, IRQ_POLL, IRQ_COUNT };

/* What the processor is at. */
enum { BENCH_IDLE, BENCH_IN_RESET, BENCH_ASKING, BENCH_URGENT, BENCH_SETTLING };

typedef struct {
    const double *next; /* next toggle of the pattern */
    const double *end;
    int64_t begin;      /* cycle of the switching plus jitter */
    int64_t at;         /* cycle of the next toggle */
} bench_burst;

struct bench {
    /* Cycles of what the hardware does next, in the order of events of one cycle; then the processor. */
    int64_t line_at;           /* the soonest of filter_at, train_at, noise_at */
    int64_t coil_at;
    int64_t guard_at;
    int64_t horizon;           /* the soonest of those three and `stop`: the processor goes first before it */
    int64_t cpu_at;

    int64_t irq_at[IRQ_COUNT]; /* when each flag can be served; alarm and poll: will be.  BENCH_NEVER: not */
    int64_t alarm_at;          /* the alarm's match, while its flag is up or will be */
    int64_t filter_at;
    int64_t train_at;
    int64_t noise_at;
    int64_t until;             /* end of what may be worked off */
    int64_t stop;              /* that, or long past when the room for output has run out */

    int64_t handler[IRQ_COUNT];
    int64_t on_longest;        /* cycles: hard limit and a late order, */
    int64_t on_guarded;        /* what the guard ends */
    int64_t mark;              /* a count of ticks near the present one */
    int shift;                 /* cycles per tick as a shift, or -1 */
    bench_settings set;

    const double *edge_s;      /* the block being fed */
    const uint8_t *active;
    int64_t edge;              /* the next of it */
    int64_t edges;
    int64_t recent[BENCH_RECENT];
    unsigned recent_head;
    uint8_t train_level;
    uint8_t noise_level;
    uint8_t candidate;         /* level under the capture filter's judgement */
    uint8_t filtered;          /* level behind it */
    int64_t candidate_from;

    uint8_t capture_level;     /* edge select */
    uint8_t capture_masked;
    st_ticks latched;

    uint8_t coil_level;
    uint8_t second_coil;       /* the one that the output reaches */
    uint8_t second_there;      /* the phase sensor's level */
    uint8_t coil_armed;        /* st_coil_order in the compare unit */
    uint8_t matched;           /* the compare has switched the pin, the core does not know yet */
    st_ticks coil_tick;
    int64_t on_since;

    int running;               /* BENCH_IDLE .. BENCH_SETTLING */
    int power_on;              /* the reset is one of power */
    uint8_t read_level;        /* read by the alarm's handler */
    st_ticks read_now;
    int64_t busy_until;

    bench_burst burst[BENCH_BURSTS];
    int bursts;
    uint64_t random;
    uint8_t mode;
    uint64_t tick_offset;      /* counter less ticks since phase_s: resets start it again */
    bench_out *out;
    bench_facts facts;
    int64_t busy_cycles;
    int64_t on_max_cycles;
    st_retained kept;
    st_core core;
};

/* ---- Time ------------------------------------------------------------------------------------ */

/* First sampling cycle not before an instant. */
static inline int64_t bench_cycle_from(const bench *b, double instant_s)
{
    double const exact =
        ((instant_s - b->set.phase_s) * (double)b->set.cycles_hz) - b->set.sample_early_cycles;
    int64_t const whole = (int64_t)exact;
    return whole + ((double)whole < exact);
}

static inline double bench_seconds_of(const bench *b, int64_t cycle)
{
    return b->set.phase_s + ((double)cycle / (double)b->set.cycles_hz);
}

static inline int64_t bench_tick_count(const bench *b, int64_t cycle)
{
    if (BENCH_SELDOM(b->shift < 0)) {
        return (cycle / b->set.cycles_per_tick) - ((cycle % b->set.cycles_per_tick) < 0);
    }
    return cycle >> b->shift;
}

static inline st_ticks bench_tick_of(const bench *b, int64_t cycle)
{
    return (st_ticks)((uint64_t)bench_tick_count(b, cycle) + b->tick_offset);
}

typedef struct {
    int64_t at;    /* cycle at which the counter, nearest to now, steps to the tick after `tick` */
    st_ticks tick;
    int moved;     /* 1: the instant wanted was too near to be armed in time, or past */
} bench_match;

static inline bench_match bench_match_of(const bench *b, st_ticks tick, int64_t now)
{
    int64_t const count = bench_tick_count(b, now);
    st_ticks const present = (st_ticks)((uint64_t)count + b->tick_offset);
    int32_t ahead = (int32_t)(tick - present);
    bench_match match;
    match.moved = 0;
    if (BENCH_SELDOM(ahead < (int32_t)b->set.near_ticks)) {
        match.moved=1; ahead = (int32_t)b->set.near_ticks;
    }
    match.tick = present + (st_ticks)ahead;
    match.at = (count + ahead + b->set.compare_ticks) * b->set.cycles_per_tick;
    return match;
}

/* bench_noise.c */
void bench_noise_begin(bench *b, int64_t now, int on);
void bench_noise_step(bench *b, int64_t now);

static inline int64_t bench_sooner(int64_t a, int64_t b)
{
    return (a < b) ? a : b;
}

static inline int64_t bench_later(int64_t a, int64_t b)
{
    return (a < b) ? b : a;
}

static inline void bench_line_soonest(bench *b)
{
    b->line_at = bench_sooner(bench_sooner(b->train_at, b->noise_at), b->filter_at);
}

static inline void bench_look_ahead(bench *b)
{
    b->horizon = bench_sooner(bench_sooner(b->line_at, b->coil_at), bench_sooner(b->guard_at, b->stop));
}

static inline int bench_has_room(const bench_out *out)
{
    return out->coil_room - out->coil_count >= 4; /* one event switches the pin thrice */
}

/* bench_line.c */
void bench_line_step(bench *b, int64_t now);
void bench_train_next(bench *b);
uint8_t bench_level_voted(const bench *b, int64_t now);

/* Three reads, the last of them now. */
static inline uint8_t bench_level_majority(const bench *b, int64_t now)
{
    if (b->recent[b->recent_head] <= now - (2 * b->set.read_gap_cycles)) {
        return b->train_level ^ b->noise_level; /* of old: all three reads see it */
    }
    return bench_level_voted(b, now);
}

/* bench_coil.c */
void bench_coil_pin(bench *b, int64_t now, uint8_t on);
void bench_coil_match(bench *b, int64_t now);
void bench_coil_tell(bench *b);
void bench_coil_arm(bench *b, int64_t now);

/* ---- Interrupt flags ------------------------------------------------------------------------- */

/* The soonest to be served, but for the poll. */
static inline int64_t bench_irq_soonest(const bench *b)
{
    int64_t const first = bench_sooner(b->irq_at[IRQ_CAPTURE], b->irq_at[IRQ_COIL]);
    return bench_sooner(first, b->irq_at[IRQ_ALARM]);
}

/* No handler runs. */
static inline void bench_cpu_next(bench *b)
{
    int64_t const soonest = bench_sooner(bench_irq_soonest(b), b->irq_at[IRQ_POLL]);
    b->cpu_at = bench_later(soonest, b->busy_until);
}

static inline void bench_cpu_schedule(bench *b)
{
    if (b->running == BENCH_IDLE) { /* else the end of the handler is scheduled */
        bench_cpu_next(b);
    }
}

static inline void bench_irq_raise(bench *b, int which, int64_t served_from)
{
    int64_t const begin = (served_from < b->busy_until) ? b->busy_until : served_from;
    if (b->irq_at[which] != BENCH_NEVER) {
        return;
    }
    b->irq_at[which] = served_from;
    if ((b->running == BENCH_IDLE) && (begin < b->cpu_at)) {
        b->cpu_at = begin;
    }
}

static inline void bench_irq_clear(bench *b, int which)
{
    b->irq_at[which] = BENCH_NEVER;
}

#endif
