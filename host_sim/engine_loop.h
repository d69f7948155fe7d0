/* Firmware and engine in one loop: the crank makes the pickup's edges, the bench's sparks light the
 * charges that turn the crank.  Sizes, times and angles as in bench.h and engine_motion.h.
 */
#ifndef ENGINE_LOOP_H
#define ENGINE_LOOP_H

#include "bench.h"
#include "engine_motion.h"

/* cdef begin */
#define LOOP_QUEUE 8

typedef struct {
    double lead_deg;           /* BTDC of the lead edge, in cumulative angle at -lead_deg */
    double arc_deg;
    double spacing_deg;
    double lead_delay_s;       /* from the magnet to the pin */
    double trail_delay_s;
    double output_delay_s;     /* from the coil pin to the spark */
    int64_t spark_on_rise;     /* the spark comes when the pin goes on */
    int64_t two_coils;         /* one for each cylinder, and a phase sensor: pulses alternate */
    int64_t stop_reversals;    /* end the run after so many; 0: never */
    double stop_rpm;           /* end the run above that speed; 0: never */
} loop_settings;

typedef struct {
    double t_s;
    double at_deg;             /* cumulative crank angle */
    double speed_deg_s;
    int64_t lit;               /* a bit for each cylinder that began to burn */
    double charge;             /* of the first of them */
    double mode;               /* the core's, when the pin changed */
    double coil;               /* 0 or 1; 0 as well where one coil serves all plugs */
} loop_spark;

typedef struct {
    double end_s;              /* at top dead centre of cylinder 0, any stroke, passed forwards */
    double at_deg;
    double least_deg_s;        /* speeds since the one before */
    double most_deg_s;
} loop_turn;

/* Rooms and counts of what a call puts out; a NULL array takes nothing. */
typedef struct {
    loop_spark *spark;
    int64_t spark_room;
    int64_t sparks;
    loop_turn *turn;
    int64_t turn_room;
    int64_t turns;
    engine_piece *piece;
    int64_t piece_room;
    int64_t pieces;
    double *edge_s;            /* at the pin */
    uint8_t *active;           /* bit 0; bit 1: the phase sensor says second cylinder */
    int64_t edge_room;
    int64_t edges;
    double *coil_s;
    uint8_t *coil_on;
    uint8_t *coil_mode;
    int64_t coil_room;
    int64_t coils;
} loop_out;

typedef struct {
    loop_settings set;
    engine_state *engine;
    bench *chip;
    bench_out from_chip;
    double coil_s[64];
    uint8_t coil_on[64];
    uint8_t coil_mode[64];
    double edge_s[LOOP_QUEUE]; /* on their way to the pin */
    uint8_t edge_active[LOOP_QUEUE];
    int64_t edges;
    double spark_s[LOOP_QUEUE]; /* on their way to the plug */
    double spark_mode[LOOP_QUEUE];
    int64_t spark_coil[LOOP_QUEUE];
    int64_t sparks;
    double lead_up;            /* cumulative angles of the nearest edges ahead and behind */
    double trail_up;
    double turn_up;
    double fed_s;
    double least_deg_s;
    double most_deg_s;
} loop_state;

int64_t loop_size(void);
void loop_init(loop_state *l, const loop_settings *set, engine_state *engine, bench *chip);
int64_t loop_run(loop_state *l, double until_s, double *mode_s, uint8_t *mode, int64_t mode_room,
                 int64_t *mode_count, loop_out *out);
/* cdef end */

/* What loop_run returns besides the engine's own errors. */
enum { LOOP_DONE = 0, LOOP_FULL = 1, LOOP_STOPPED = 2, LOOP_QUEUE_FULL = -2 };

#endif
