/* An engine's crank in time: gas, burn, friction, load, flywheel, starter.
 *
 * The turn is cut into cells; within a step the torque is constant, so the motion is made of pieces
 * of constant acceleration and every angle is exact.  The work of a step is the difference of
 * tabulated energies, so that a step neither makes nor loses any.  SI units, radians; angles that
 * end in _deg are crank degrees, cumulative, 0 at the top dead centre that fires cylinder 0.
 */
#ifndef ENGINE_MOTION_H
#define ENGINE_MOTION_H

#include <stdint.h>

/* cdef begin */
/* What does not change.  A cycle is one turn (two-stroke) or two; cell 0 begins at firing TDC. */
typedef struct {
    int64_t cells_per_turn;
    int64_t cells_per_cycle;
    int64_t cylinders;         /* 1 or 2 */
    int64_t phase_cells[2];    /* cells by which each cylinder is behind cylinder 0 */
    int64_t close_border;      /* where the charge is trapped, cells from firing TDC */
    int64_t open_border;       /* where the exhaust opens */
    const double *u;           /* V^(1-n) / (n-1) at each border, cells_per_cycle + 1 */
    const double *u_burn;      /* what it counts as for heat spread over each half cell */
    const double *v;           /* volume at each border, m3 */
    const uint8_t *region;     /* of each cell: 0 closed, 1 open to the air, 2 open to the inlet */
    const double *inertia;     /* at each border of a turn, cells_per_turn + 1, kg m2 */
    const double *half_deg;    /* spark to 50 % burnt at 1000 rpm, over charges 0 to 1 evenly */
    int64_t half_points;
    double n;                  /* polytropic exponent */
    double air_pa;
    double charge_j;           /* heat a full charge gives to the gas of one cylinder */
    double trapped_follows;    /* 1: pressure at closing falls with the charge; 0: it does not */
    double friction[3];        /* drag torque f0 + f1 w + f2 w^2 */
    double wiebe_a;
    double wiebe_m;
    double wiebe_half;         /* share of the burn at 50 % burnt */
    double fixed_spark_deg;    /* > -360: spark at this angle BTDC instead of the firmware's */
} engine_spec;

/* What acts from at_s on. */
typedef struct {
    double at_s;
    double throttle_w;         /* charge = 1 / sqrt(1 + (w / throttle_w)^2); 0: closed for good */
    double load[3];            /* drag torque of the load, as friction */
} engine_phase;

/* One pull: a torque that falls to nothing at its own speed, never backwards. */
typedef struct {
    double at_s;
    double until_s;
    double torque_nm;
    double speed;              /* rad/s */
    double travel;             /* radians after which it lets go */
} engine_pull;

typedef struct {
    double k;                  /* p V^n of the trapped gas */
    double spark_s;            /* begin of the burn */
    double burn_s;             /* length of Wiebe's whole burn */
    double heat_j;
    double burnt;              /* mass fraction burnt so far */
    double charge;
    int64_t cell;              /* of the cylinder's own cycle */
    int32_t fresh;             /* holds a charge that can be lit */
    int32_t burning;
} engine_cylinder;

typedef struct {
    double t_s;
    double at_deg;
    double speed_deg_s;
    double accel_deg_s2;
    double end_s;
} engine_piece;

/* Energies since the begin, J: by the gas on the crank, lost, given by the starter, heat released. */
typedef struct {
    double gas_j;
    double friction_j;
    double load_j;
    double starter_j;
    double heat_j;
} engine_account;

typedef struct {
    engine_spec spec;
    engine_cylinder cyl[2];
    engine_account account;
    double t_s;
    double w;                  /* rad/s, negative backwards */
    double x;                  /* radians into the cell */
    double cell_rad;
    int64_t cell;              /* cumulative; angle is cell * cell_rad + x */
    int64_t turn_cell;
    const engine_phase *phase; /* ascending; the first acts from the begin */
    int64_t phases;
    int64_t phase_now;
    const engine_pull *pull;   /* ascending, not overlapping */
    int64_t pulls;
    int64_t pull_now;
    double pull_begin;         /* angle at which the present pull began; NaN before */
    const double *heat_factor; /* of each lit charge in turn, round and round; 0 is a misfire */
    int64_t heat_factors;
    int64_t lit;
    int64_t burning;           /* cylinders */
    int64_t steps;
    int64_t reversals;         /* from forwards to backwards */
    int64_t kick_backs;        /* ... of which by a charge that burns before dead centre */
    double kick_back_s;        /* instant of the first; NaN: none */
    double next_spark_deg[2];  /* of each cylinder, where sparks come at a fixed angle */
} engine_state;

int64_t engine_size(void);
void engine_init(engine_state *e, const engine_spec *spec, double angle_deg, double speed_deg_s);
int64_t engine_step(engine_state *e, double until_s, engine_piece *piece);
int64_t engine_ignite(engine_state *e, int64_t plugs, double spark_s, double w);
double engine_angle_deg(const engine_state *e);
double engine_kinetic_j(const engine_state *e);
double engine_gas_j(const engine_state *e);
int64_t engine_run(engine_state *e, double until_s, engine_piece *pieces, int64_t room,
                   int64_t *count);
/* cdef end */

/* What engine_step returns. */
enum { ENGINE_GOOD = 0, ENGINE_NOT_FINITE = -1 };

#endif
