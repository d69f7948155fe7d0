/* Stepping the crank: see engine_motion.h. */
#include <math.h>
#include <string.h>

#include "engine_internal.h"

#define DEG_PER_RAD 57.29577951308232
#define BURN_STEPS 32.0       /* a step takes no longer than this part of a burn */
#define BURN_PASSES 2
#define PULL_STEP_S 1e-4      /* nor, while the crank is pulled, than this */

/* ---- What acts ------------------------------------------------------------------------------- */

static double drag(const double f[3], double w)
{
    double const speed = fabs(w);
    return f[0] + (speed * (f[1] + (speed * f[2])));
}

static double angle(const engine_state *e)
{
    return ((double)e->cell * e->cell_rad) + e->x;
}

static void let_go(engine_state *e)
{
    e->pull_now++;
    e->pull_begin = NAN;
}

static double torque_of(const engine_pull *pull, double w)
{
    return (w >= pull->speed) ? 0.0 : pull->torque_nm * (1.0 - (fmax(w, 0.0) / pull->speed));
}

/* Torque of the starter; it lets go for good after its travel. */
static double pull_torque(engine_state *e)
{
    const engine_pull *pull;
    while ((e->pull_now < e->pulls) && (e->pull[e->pull_now].until_s <= e->t_s)) {
        let_go(e);
    }
    if ((e->pull_now >= e->pulls) || (e->pull[e->pull_now].at_s > e->t_s)) {
        return 0.0;
    }
    pull = &e->pull[e->pull_now];
    if (isnan(e->pull_begin)) {
        e->pull_begin = angle(e);
    }
    if ((angle(e) - e->pull_begin) >= pull->travel) {
        let_go(e);
        return 0.0;
    }
    return torque_of(pull, e->w);
}

static const engine_phase *phase_now(engine_state *e)
{
    while ((e->phase_now + 1 < e->phases) && (e->phase[e->phase_now + 1].at_s <= e->t_s)) {
        e->phase_now++;
    }
    return &e->phase[e->phase_now];
}

static void into_cell(engine_state *e, int direction)
{
    int64_t i;
    e->cell += direction;
    e->turn_cell += direction;
    e->x = (direction > 0) ? 0.0 : e->cell_rad;
    if (e->turn_cell == e->spec.cells_per_turn) {
        e->turn_cell = 0;
    } else if (e->turn_cell < 0) {
        e->turn_cell = e->spec.cells_per_turn - 1;
    }
    for (i = 0; i < e->spec.cylinders; i++) {
        engine_cylinder_moves(e, &e->cyl[i], direction);
    }
}

/* ---- One step -------------------------------------------------------------------------------- */

typedef struct {
    double gas_nm;
    double starter_nm;
    double friction_nm; /* against the motion */
    double load_nm;
    double inertia;
    double inertia_slope; /* a radian */
} acting;

static double driving(const acting *a, int direction)
{
    return a->gas_nm + a->starter_nm - ((double)direction * (a->friction_nm + a->load_nm));
}

static void gases(engine_state *e, engine_gas g[2], double dt_s, double by, acting *a)
{
    int64_t i;
    a->gas_nm = 0.0;
    for (i = 0; i < e->spec.cylinders; i++) {
        if (e->cyl[i].burning) {
            engine_heat(e, &e->cyl[i], &g[i], dt_s, by);
        }
        a->gas_nm += engine_gas_torque(e, &e->cyl[i], &g[i]);
    }
}

/* What depends on the speed: drags, and a starter that pulls. */
static void drags(engine_state *e, double w, acting *a)
{
    a->friction_nm = drag(e->spec.friction, w);
    a->load_nm = drag(e->phase[e->phase_now].load, w);
    if (a->starter_nm != 0.0) {
        a->starter_nm = fmax(torque_of(&e->pull[e->pull_now], (e->w < 0.0) ? -w : w), 1e-12);
    }
}

/* Speed squared after turning by `by`, energy conserved exactly. */
static double square_after(const engine_state *e, const acting *a, int direction, double by)
{
    double const end = a->inertia + (a->inertia_slope * by);
    return ((a->inertia * e->w * e->w) + (2.0 * driving(a, direction) * by)) / end;
}

static double step_limit_s(const engine_state *e, const acting *a)
{
    double limit = (a->starter_nm != 0.0) ? PULL_STEP_S : INFINITY;
    int64_t i;
    for (i = 0; i < e->spec.cylinders; i++) {
        if (e->cyl[i].burning) {
            limit = fmin(limit, e->cyl[i].burn_s / BURN_STEPS);
        }
    }
    return limit;
}

static void account(engine_state *e, const acting *a, double by)
{
    e->account.gas_j += a->gas_nm * by;
    e->account.starter_j += a->starter_nm * by;
    e->account.friction_j += a->friction_nm * fabs(by);
    e->account.load_j += a->load_nm * fabs(by);
}

static void put_piece(const engine_state *e, engine_piece *piece, double accel, double dt_s)
{
    piece->t_s = e->t_s;
    piece->at_deg = angle(e) * DEG_PER_RAD;
    piece->speed_deg_s = e->w * DEG_PER_RAD;
    piece->accel_deg_s2 = accel * DEG_PER_RAD;
    piece->end_s = e->t_s + dt_s;
}

static double next_change_s(const engine_state *e, double until_s)
{
    double soonest = until_s;
    if (e->phase_now + 1 < e->phases) {
        soonest = fmin(soonest, e->phase[e->phase_now + 1].at_s);
    }
    if ((e->pull_now < e->pulls) && (e->pull[e->pull_now].at_s > e->t_s)) {
        soonest = fmin(soonest, e->pull[e->pull_now].at_s);
    }
    return fmax(soonest, e->t_s + 1e-6);
}

static int64_t rest(engine_state *e, double until_s, engine_gas g[2], acting *a, engine_piece *piece)
{
    double dt_s = next_change_s(e, until_s) - e->t_s;
    if (e->burning > 0) {
        dt_s = fmin(dt_s, step_limit_s(e, a));
        gases(e, g, dt_s, 0.0, a);
    }
    put_piece(e, piece, 0.0, dt_s);
    e->t_s = piece->end_s;
    engine_burn_on(e, g);
    return ENGINE_GOOD;
}

static void count_reversal(engine_state *e)
{
    int64_t i;
    int fired = 0;
    e->reversals++;
    for (i = 0; i < e->spec.cylinders; i++) {
        int64_t const half = e->spec.cells_per_turn / 2;
        fired |= e->cyl[i].burning && (e->cyl[i].cell >= e->spec.cells_per_cycle - half);
    }
    if (fired) {
        e->kick_backs++;
        e->kick_back_s = (e->kick_backs == 1) ? e->t_s : e->kick_back_s;
    }
}

/* From here to the end of the cell, or less far where the speed comes to nothing or time is up. */
static int64_t turn(engine_state *e, int direction, engine_gas g[2], acting *a, engine_piece *piece)
{
    double const limit_s = step_limit_s(e, a);
    double by = (direction > 0) ? (e->cell_rad - e->x) : -e->x;
    double square = square_after(e, a, direction, by);
    double accel;
    double dt_s;
    int whole = square > 0.0;
    int pass;
    if (whole) {
        double const end = sqrt(square);
        dt_s = 2.0 * fabs(by) / (fabs(e->w) + end);
        accel = ((double)direction * end - e->w) / dt_s;
    } else {
        accel = driving(a, direction) / a->inertia;
        dt_s = -e->w / accel;
        by = 0.5 * e->w * dt_s;
    }
    if (dt_s > limit_s) {
        dt_s = limit_s;
        whole = 0;
        for (pass = 0; pass < 3; pass++) { /* to the speed that the energy after so far allows */
            by = (e->w + (0.5 * accel * dt_s)) * dt_s;
            square = square_after(e, a, direction, by);
            accel = (square > 0.0) ? (((double)direction * sqrt(square)) - e->w) / dt_s : accel;
        }
        by = (e->w + (0.5 * accel * dt_s)) * dt_s;
    }
    put_piece(e, piece, accel, dt_s);
    e->t_s += dt_s;
    account(e, a, by);
    engine_burn_on(e, g);
    e->x = whole ? ((direction > 0) ? e->cell_rad : 0.0) : (e->x + by);
    if ((square > 0.0) || (dt_s == limit_s)) {
        e->w += accel * dt_s;
    } else {
        e->w = 0.0;
        if (direction > 0) {
            count_reversal(e);
        }
    }
    return (isfinite(e->w) && isfinite(e->t_s)) ? ENGINE_GOOD : ENGINE_NOT_FINITE;
}

static int direction_of(const engine_state *e, const acting *a)
{
    double const still = a->friction_nm + a->load_nm;
    double const push = a->gas_nm + a->starter_nm;
    if (e->w != 0.0) {
        return (e->w > 0.0) ? 1 : -1;
    }
    if (fabs(push) <= still) {
        return 0;
    }
    return (push > 0.0) ? 1 : -1;
}

/* Speed in the middle of the step, which ends with the cell or with the time. */
static double middle_speed(const engine_state *e, const acting *a, int direction, double by,
                           double limit_s)
{
    double const accel = driving(a, direction) / a->inertia;
    double const square = (e->w * e->w) + (accel * by);
    double const middle = sqrt(fmax(square, 0.0));
    return (middle * limit_s < fabs(by)) ? fabs(e->w + (0.5 * accel * limit_s)) : middle;
}

/* What acts in the step: as at its begin, then with the burn and drag of its middle, twice. */
static void act(engine_state *e, int direction, engine_gas g[2], acting *a)
{
    double const by = (direction > 0) ? (e->cell_rad - e->x) : -e->x;
    double const limit_s = step_limit_s(e, a);
    int pass;
    for (pass = 0; (pass < BURN_PASSES) && (e->burning > 0) && (direction != 0); pass++) {
        double const end = sqrt(fmax(square_after(e, a, direction, by), 0.0));
        double const dt_s = fmin(2.0 * fabs(by) / (fabs(e->w) + end + 1e-9), limit_s);
        gases(e, g, dt_s, (dt_s < limit_s) ? by : (e->w * dt_s), a);
        drags(e, middle_speed(e, a, direction, by, limit_s), a);
    }
    drags(e, middle_speed(e, a, direction, by, limit_s), a);
}

static void look(engine_state *e, engine_gas g[2], acting *a)
{
    const double *const inertia = e->spec.inertia;
    int64_t i;
    phase_now(e);
    a->starter_nm = (e->pull_now < e->pulls) ? pull_torque(e) : 0.0;
    a->inertia_slope = (inertia[e->turn_cell + 1] - inertia[e->turn_cell]) / e->cell_rad;
    a->inertia = inertia[e->turn_cell] + (a->inertia_slope * e->x);
    a->gas_nm = 0.0;
    for (i = 0; i < e->spec.cylinders; i++) {
        g[i] = engine_gas_of(e, &e->cyl[i]);
        a->gas_nm += engine_gas_torque(e, &e->cyl[i], &g[i]);
    }
    drags(e, e->w, a);
}

/* Instant at which an angle in the piece just made is passed forwards. */
static double passed_s(const engine_piece *p, double deg)
{
    double const by = fmax(deg - p->at_deg, 0.0);
    double const square = (p->speed_deg_s * p->speed_deg_s) + (2.0 * p->accel_deg_s2 * by);
    return p->t_s + (2.0 * by / (p->speed_deg_s + sqrt(fmax(square, 0.0)) + 1e-30));
}

static void spark_by_angle(engine_state *e, const engine_piece *p)
{
    int64_t i;
    for (i = 0; i < e->spec.cylinders; i++) {
        if (engine_angle_deg(e) >= e->next_spark_deg[i]) {
            double const spark_s = fmin(passed_s(p, e->next_spark_deg[i]), p->end_s);
            double const speed = p->speed_deg_s + (p->accel_deg_s2 * (spark_s - p->t_s));
            engine_ignite(e, INT64_C(1) << i, spark_s, speed / DEG_PER_RAD);
            e->next_spark_deg[i] += 360.0;
        }
    }
}

/* One step; its piece of motion.  ENGINE_GOOD, or what went wrong. */
ENGINE_API int64_t engine_step(engine_state *e, double until_s, engine_piece *piece)
{
    engine_gas g[2];
    acting a;
    int direction = (e->w > 0.0) - (e->w < 0.0);
    int64_t result;
    if ((direction > 0) && (e->x >= e->cell_rad)) {
        into_cell(e, 1);
    } else if ((direction < 0) && (e->x <= 0.0)) {
        into_cell(e, -1);
    }
    look(e, g, &a);
    direction = direction_of(e, &a);
    if (((direction > 0) && (e->x >= e->cell_rad)) || ((direction < 0) && (e->x <= 0.0))) {
        into_cell(e, direction); /* from rest on a border */
        look(e, g, &a);
    }
    e->steps++;
    act(e, direction, g, &a);
    result = (direction == 0) ? rest(e, until_s, g, &a, piece) : turn(e, direction, g, &a, piece);
    if ((e->spec.fixed_spark_deg > -360.0) && (direction > 0)) {
        spark_by_angle(e, piece);
    }
    return result;
}

/* ---- From outside ---------------------------------------------------------------------------- */

ENGINE_API int64_t engine_size(void)
{
    return (int64_t)sizeof(engine_state);
}

ENGINE_API double engine_angle_deg(const engine_state *e)
{
    return angle(e) * DEG_PER_RAD;
}

ENGINE_API double engine_kinetic_j(const engine_state *e)
{
    const double *const i = e->spec.inertia;
    double const slope = (i[e->turn_cell + 1] - i[e->turn_cell]) / e->cell_rad;
    return 0.5 * (i[e->turn_cell] + (slope * e->x)) * e->w * e->w;
}

static int64_t wrapped(int64_t value, int64_t size)
{
    int64_t const rest_of = value % size;
    return (rest_of < 0) ? (rest_of + size) : rest_of;
}

/* phase, pull and heat_factor are set by the caller afterwards; before the first step. */
ENGINE_API void engine_init(engine_state *e, const engine_spec *spec, double angle_deg,
                            double speed_deg_s)
{
    double cells;
    int64_t i;
    memset(e, 0, sizeof *e);
    e->spec = *spec;
    e->cell_rad = TWO_PI / (double)spec->cells_per_turn;
    cells = angle_deg / 360.0 * (double)spec->cells_per_turn;
    e->cell = (int64_t)floor(cells);
    e->x = (cells - (double)e->cell) * e->cell_rad;
    e->turn_cell = wrapped(e->cell, spec->cells_per_turn);
    e->w = speed_deg_s / DEG_PER_RAD;
    e->pull_begin = NAN;
    e->kick_back_s = NAN;
    for (i = 0; i < spec->cylinders; i++) {
        engine_cylinder *const c = &e->cyl[i];
        double const first_deg = (double)spec->phase_cells[i] * e->cell_rad * DEG_PER_RAD -
                                 spec->fixed_spark_deg;
        e->next_spark_deg[i] = first_deg + (ceil((angle_deg - first_deg) / 360.0) * 360.0);
        c->cell = wrapped(e->cell - spec->phase_cells[i], spec->cells_per_cycle);
        c->fresh = 1;
        c->charge = 1.0;
        c->k = spec->air_pa * pow(spec->v[spec->close_border], spec->n);
    }
}

/* Steps until `until_s` or until the room is full. */
ENGINE_API int64_t engine_run(engine_state *e, double until_s, engine_piece *pieces, int64_t room,
                              int64_t *count)
{
    int64_t result = ENGINE_GOOD;
    *count = 0;
    while ((result == ENGINE_GOOD) && (e->t_s < until_s) && (*count < room)) {
        result = engine_step(e, until_s, &pieces[*count]);
        (*count)++;
    }
    return result;
}
