/* The timing core: one state struct, event functions that answer with orders.
 *
 * After each event function the port arms what is ordered, then calls st_settle() and arms again: an
 * event does what is urgent (the spark), st_settle what can wait (the next gate, the next charge).
 * Every function runs with the port's event interrupts held off (inside an
 * interrupt handler, or in the main loop with interrupts disabled), never
 * blocks, uses no loop that depends on its input beyond the small bounds named,
 * and touches nothing but the struct it is given.
 */
#ifndef ST_CORE_H
#define ST_CORE_H

#include "config.h"
#include "st_types.h"

#define ST_CORE_VERSION 1

/* Choices for ST_CFG_PREDICTOR. */
#define ST_PREDICT_LAST 0        /* the last interval stands for the speed */
#define ST_PREDICT_TREND 1       /* its change is carried on to the middle of the delay */
#define ST_PREDICT_SAME_STROKE 2 /* and the pulse is off that as the one before the last was */

/* How far the core believes it knows the crank, in ascending order: a charge needs ST_START or more. */
typedef enum {
    ST_STOPPED = 0, /* nothing known */
    ST_WARM = 1,    /* period kept through a reset, waits for one pulse that agrees */
    ST_FIRST = 2,   /* one pulse seen since standstill */
    ST_START = 3,   /* hand-start speed: sparks only from the same pulse */
    ST_LOCKING = 4, /* fast enough, not yet enough consistent pulses */
    ST_RUN = 5      /* locked: sparks timed from the period */
} st_mode;

/* What is being waited for on the pickup line; `seek` says for which edge. */
typedef enum {
    ST_PH_CLOSED = 0, /* capture masked until the alarm: the edge cannot come yet */
    ST_PH_LOOK = 1,   /* waiting for the edge, when locked until the alarm */
    ST_PH_HOLD = 2,   /* edge captured; its level must hold until the alarm */
    ST_PH_STORM = 3   /* too many false edges: capture masked until the alarm */
} st_phase;

/* Counters, saturating at 65535; told over serial in this order. */
typedef enum {
    ST_N_PULSE = 0,       /* pulses believed */
    ST_N_SPARK = 1,       /* coil switched off after a charge */
    ST_N_SHORT = 2,       /* edge whose level did not hold for the confirmation time */
    ST_N_BLANKED = 3,     /* same, within the blanking time after the coil's own switching */
    ST_N_TRAIL_BOUNCE = 4,/* trail edge whose level did not hold */
    ST_N_ARC = 5,         /* pulse width disagreed with the magnet's arc, or not the cylinder due */
    ST_N_INTERVAL = 6,    /* interval outside the believable range */
    ST_N_MISSING = 7,     /* gate closed without a believed edge */
    ST_N_LOST = 8,        /* lock given up */
    ST_N_STORM = 9,       /* capture masked because of too many false edges */
    ST_N_LIMIT = 10,      /* events skipped by the speed limit */
    ST_N_HARD = 11,       /* coil ended by the on-time limit */
    ST_N_LATE = 12,       /* spark already due when its edge was believed */
    ST_N_SEAL = 13,       /* spark-causing state failed its check */
    ST_N_RESET = 14,      /* resets other than power-on */
    ST_N_WARM = 15,       /* warm restarts that resumed timing */
    ST_N_COUNT = 16
} st_counter;

typedef enum {
    ST_COIL_IDLE = 0,   /* output off now, nothing pending */
    ST_COIL_ON_AT = 1,  /* output off; hardware switches it on at coil_at */
    ST_COIL_OFF_AT = 2  /* output on; hardware switches it off at coil_at */
} st_coil_order;

typedef enum {
    ST_CAPTURE_MASKED = 0,
    ST_CAPTURE_LEAD = 1,  /* capture the change to active */
    ST_CAPTURE_TRAIL = 2  /* capture the change to inactive */
} st_capture;

/* What the port is to arm.  The *_fresh flags are set by the core and cleared by the port. */
typedef struct {
    st_ticks coil_at;
    st_ticks alarm_at;
    uint8_t coil;      /* st_coil_order */
    uint8_t capture;   /* st_capture */
    bool coil_fresh;
#if ST_CFG_TWO_COILS
    bool second;          /* the coil that is charged next; the port changes over while all is off */
#endif
    bool alarm_on;
    bool alarm_fresh;
    bool capture_fresh;
} st_orders;

/* Kept through a reset that is not a power-on (a RAM section that start-up leaves alone). */
typedef struct {
    uint32_t period_ticks;
    uint16_t resets;
    uint16_t check;
} st_retained;

/* State that can cause a spark; sealed by a check that is verified before the coil is switched on. */
typedef struct {
    st_ticks edge_at;      /* last believed lead edge */
    uint32_t period_ticks; /* last believed interval between lead edges */
    uint8_t mode;          /* st_mode */
    uint8_t missing;       /* lead edges missed since the last believed one */
#if ST_CFG_TWO_COILS
    uint16_t second;       /* 1: the last pulse, seen or bridged, was the second cylinder's */
#endif
} st_sealed;

/* The fields used most come first: an 8-bit chip reaches the first 64 bytes of a struct cheaply. */
typedef struct {
    st_sealed s;
    bool lock_before;             /* it was locked before that pulse */
    st_ticks coil_off_at;         /* last spark, or the spark that is due */
    st_ticks switched_at;         /* last switching of the coil */
    uint8_t phase;                /* st_phase */
    st_ticks close_at;            /* when locked: the edge sought cannot come later */
    uint8_t to_settle;            /* ST_SETTLE_*: work left to st_settle */
    st_orders orders;
    bool pending;                 /* lead edge believed, its trail edge not yet judged */
    bool coil_on;
    st_ticks now;                 /* instant of the event being served */
    bool limiting;                /* speed limit holds the next charge back */
    bool spark_due;               /* the spark that belongs to the last believed edge is still to come */
    uint8_t false_edges;          /* rejected captures since the gate opened */
    uint32_t period_before_ticks; /* interval before s.period_ticks */
    uint8_t missing_before;       /* s.missing before that pulse */
    uint8_t doubted;              /* pulses doubted since one was believed to its end */
    uint8_t seek;                 /* st_capture: the edge looked for, or held */
    uint8_t lock_count;           /* consistent intervals seen while locking */
    st_ticks edge_at[2];          /* captured lead and trail edge under judgement */
    uint32_t arc_from_ticks;      /* when locked: pulse width at least ... */
    uint16_t weight_q8;           /* trend weight of the table line that served last */
    bool early;                   /* that pulse came sooner than the crank can have sped up */
    st_ticks soonest_at;          /* when locked: a lead edge before this is early */
    uint32_t width_ticks;         /* believed pulse width of the pulse before */
    bool foreseen;                /* next_edge_at and next_within_ticks belong to the present s */
    int16_t like_q4[4];           /* same-stroke: see st_note_lag, in 16 ticks */
    st_ticks edge_before_at;      /* s.edge_at before the pulse under judgement */
    uint32_t interval_ticks;      /* lead edge less the edge before it, per pulse */
    st_ticks next_edge_at;        /* when locked: where the next lead edge is expected ... */
    st_ticks coil_on_at;
    uint32_t arc_to_ticks;        /* ... and at most */
    uint32_t next_within_ticks;   /* ... and how far from there it may come */
    uint32_t apart_before_ticks;  /* by how much the last two intervals differed when the gate was foreseen last */
#if ST_CFG_TWO_COILS
    bool second_there;            /* level of the phase sensor, read by the port before each alarm */
#endif
#if ST_CFG_DWELL_POINTS
    uint16_t supply_q4;           /* supply in 1/16 count of the port's 10-bit measure, smoothed */
    uint16_t dwell_ticks;         /* charge that goes with it */
#endif
    uint16_t seal;
    uint16_t count[ST_N_COUNT];
} st_core;

/* Start from standstill, or warm when `kept` holds a period that survived a reset. */
void st_init(st_core *c, st_ticks now, st_retained *kept, bool power_on);

/* The capture unit saw the edge it was told to look for, at instant `at`. */
void st_on_capture(st_core *c, st_ticks at, st_ticks now);

/* The alarm that was ordered is due; `active` is the pickup level, majority of three reads. */
void st_on_alarm(st_core *c, st_ticks now, bool active);

/* The compare unit switched the coil at instant `at`, as ordered. */
void st_on_coil(st_core *c, st_ticks at, bool on);

/* The port's independent on-time guard forced the output off. */
void st_on_forced_off(st_core *c, st_ticks at);

/* Slow poll from the main loop: standstill, stale states; `active` as above. */
void st_on_poll(st_core *c, st_ticks now, bool active);

#if ST_CFG_DWELL_POINTS
/* The supply, measured about once a millisecond; main loop, events held off. */
void st_on_supply(st_core *c, uint16_t counts);
#endif

/* What the event before left to do. */
void st_settle(st_core *c);

/* Store the period for a warm restart; main loop, any time. */
void st_keep(const st_core *c, st_retained *kept);

/* A check of the tables in flash, a byte a call (16 bytes a line, little-endian); false when the last
 * byte shows that they have changed.  Main context. */
typedef struct {
    uint16_t crc;
    uint16_t place; /* next byte; 0 again after a whole pass */
} st_table_state;

bool st_table_check(st_table_state *state);

/* Delay in 1/256 tick from lead edge to spark for an effective period (ticks per pulse). */
int32_t st_delay_q8(uint32_t period_ticks);

/* Delay in 1/256 tick from trail edge to spark in start mode for a pulse width. */
int32_t st_start_delay_q8(uint32_t width_ticks);

/* What the table's line for a period says besides the delay. */
typedef struct {
    uint16_t weight_q8; /* middle-of-delay weight of the trend, 1/256 */
    uint16_t gate_q16;  /* gate's half width, 1/65536 of the period */
} st_line_notes;

st_line_notes st_notes(uint32_t period_ticks);

/* What the intervals alone say of the speed in the middle of the delay (see st_predict.c). */
uint32_t st_carried_period(const st_core *c);

/* Period that stands for the speed in the middle of the delay. */
uint32_t st_effective_period(const st_core *c);

/* Expected next interval between lead edges. */
uint32_t st_next_interval(const st_core *c);

#endif
