/* The bench: chip hardware around the timing core, driven over whole arrays of pickup edges.
 *
 * Instants outside are seconds; inside they are `cycles` (int64), counted from `phase_s`.  A cycle
 * is one CPU clock, or a small fraction of a tick in ideal mode.  Python reads the declarations
 * between the two markers as they stand; bench_layout() lets it prove that both sides agree.
 */
#ifndef BENCH_H
#define BENCH_H

#include <stdint.h>

/* cdef begin */
typedef struct bench bench;

/* Toggles of the pickup line that follow a switching of the coil, in patterns to draw from. */
typedef struct {
    const double *offset_s;  /* toggles of all patterns, each pattern ascending, >= 0 */
    const int64_t *first;    /* patterns + 1 indices into offset_s */
    int64_t patterns;        /* 0: no noise */
} bench_noise;

typedef struct {
    double phase_s;          /* an instant at which the tick counter stepped to first_tick */
    double start_s;          /* when the core starts */
    int64_t cycles_hz;
    int64_t cycles_per_tick;
    double sample_early_cycles;   /* 0 to 1: the line is sampled that long after a cycle's begin */
    int64_t capture_delay_cycles; /* from the sampling cycle to the latched count */
    int64_t filter_cycles;   /* equal samples the capture filter asks for; 0: no filter */
    int64_t compare_ticks;   /* pin changes that many ticks after the ordered one (1: as OCR + 1) */
    int64_t near_ticks;      /* an instant nearer than that, or past, is moved that far ahead */
    int64_t latency_cycles;  /* interrupt flag to first instruction that matters */
    int64_t capture_cycles;  /* handler times: first instruction to the urgent orders armed, */
    int64_t coil_cycles;     /* without an order for the coil */
    int64_t alarm_cycles;
    int64_t order_cycles;    /* ... and what such an order adds */
    int64_t bridge_cycles;   /* ... and what it adds when it bridges a missing pulse */
    int64_t settle_cycles;   /* from there to the rest settled and armed, if it orders anything */
    int64_t poll_cycles;     /* events held off by one poll, without settling */
    int64_t poll_every_cycles;
    int64_t read_gap_cycles; /* between the three reads of the pin's level */
    int64_t guard_cycles;    /* heartbeat period: how late the on-time guard may look */
    uint32_t first_tick;
    uint64_t noise_seed;
    double noise_jitter_s;   /* every pattern begins 0..jitter late */
    bench_noise noise[4];    /* coil off line inactive, off active, on inactive, on active */
} bench_settings;

/* What one run was like; all but the last three are counts. */
typedef struct {
    int64_t edges;             /* level changes at the pin */
    int64_t filtered_out;      /* levels too short for the capture filter */
    int64_t captured;          /* edges latched and told */
    int64_t overwritten;       /* latched, then overwritten before the handler read them */
    int64_t while_masked;      /* selected edges that came while capture was masked */
    int64_t alarms;
    int64_t polls;
    int64_t noise_bursts;
    int64_t noise_dropped;     /* bursts left out because too many overlapped */
    int64_t late_orders;       /* coil orders too near or past when armed */
    int64_t guard_forced;      /* coil ended by the independent on-time guard */
    int64_t over_hard_limit;   /* invariant A: on for longer than the hard limit and a late order */
    int64_t charge_out_of_mode;/* invariant C: charge begun while not locked, locking or starting */
    int64_t state_out_of_range;/* invariant E: mode, phase or order that does not exist */
    int64_t mode_changes;
    double on_max_s;
    double busy_s;             /* time spent in handlers */
    double end_s;              /* events before this instant are done */
} bench_facts;

typedef struct {
    double *coil_s;
    uint8_t *coil_on;
    uint8_t *coil_mode;        /* the core's mode when the pin changed; bit 7: the second coil's */
    int64_t coil_room;
    int64_t coil_count;
    double *mode_s;            /* mode changes; those beyond the room are counted, not stored */
    uint8_t *mode;
    int64_t mode_room;
    int64_t mode_count;
    double *line_s;            /* changes of the pickup line, noise included, as long as there is room */
    uint8_t *line_level;
    int64_t line_room;
    int64_t line_count;
    double line_from_s;        /* none before */
} bench_out;

uint64_t bench_size(void);
void bench_init(bench *b, const bench_settings *settings, int power_on);
int64_t bench_feed(bench *b, const double *edge_s, const uint8_t *active, int64_t count,
                   double until_s, bench_out *out);
void bench_reset(bench *b, double down_s, int power_on, bench_out *out);
void bench_facts_of(const bench *b, bench_facts *facts);
void bench_counters_of(const bench *b, uint16_t *counters, int64_t room);
void bench_late(bench *b, int64_t latency_cycles); /* from now on */
void bench_supply(bench *b, uint16_t counts, int64_t times);
uint8_t *bench_core(bench *b);
uint64_t bench_core_size(void);
int64_t bench_layout(uint64_t *numbers, int64_t room);

/* One event a call, straight into the core, for comparison with the loop. */
void bench_one_capture(bench *b, uint32_t at, uint32_t now);
void bench_one_alarm(bench *b, uint32_t now, int active);
void bench_one_coil(bench *b, uint32_t at, int on);
/* cdef end */

#endif
