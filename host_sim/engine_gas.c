/* What happens in the cylinders: trapping, burning, torque. */
#include <math.h>

#include "engine_internal.h"

#define SLOWEST_BURN_RPM 60.0 /* a burn begun slower than that takes as long as one begun there */
#define LEAST_PRESSURE 0.1    /* the inlet never falls below that part of the air's pressure */

static double half_deg(const engine_spec *s, double charge)
{
    double const at = fmin(fmax(charge, 0.0), 1.0) * (double)(s->half_points - 1);
    int64_t const i = (int64_t)fmin(at, (double)(s->half_points - 2));
    double const part = at - (double)i;
    return (s->half_deg[i] * (1.0 - part)) + (s->half_deg[i + 1] * part);
}

/* The inlet's throttle sets what part of a full charge the present speed lets in. */
static void breathe(const engine_state *e, engine_cylinder *c)
{
    double const throttle = e->phase[e->phase_now].throttle_w;
    double const ratio = (throttle > 0.0) ? (e->w / throttle) : INFINITY;
    c->charge = 1.0 / sqrt(1.0 + (ratio * ratio));
}

static double inlet_part(const engine_spec *s, const engine_cylinder *c)
{
    return (s->trapped_follows != 0.0) ? fmax(c->charge, LEAST_PRESSURE) : 1.0;
}

static void trap(engine_state *e, engine_cylinder *c)
{
    const engine_spec *const s = &e->spec;
    if (s->trapped_follows == 0.0) { /* no inlet stroke before: scavenged just now */
        breathe(e, c);
    }
    c->k = s->air_pa * inlet_part(s, c) * pow(s->v[s->close_border], s->n);
}

static void put_out(engine_state *e, engine_cylinder *c)
{
    e->burning -= c->burning;
    c->burning = 0;
}

/* The cylinder's piston passes from one cell of its cycle into the next. */
void engine_cylinder_moves(engine_state *e, engine_cylinder *c, int direction)
{
    const engine_spec *const s = &e->spec;
    unsigned const before = s->region[c->cell];
    c->cell += direction;
    if (c->cell == s->cells_per_cycle) {
        c->cell = 0;
    } else if (c->cell < 0) {
        c->cell = s->cells_per_cycle - 1;
    }
    if (before == s->region[c->cell]) {
        return;
    }
    if (s->region[c->cell] == REGION_CLOSED) {
        if ((direction > 0) || (s->trapped_follows == 0.0)) { /* ports serve both ways round */
            trap(e, c);
        } else { /* back past the open exhaust valve: what is shut in is burnt gas */
            c->k = s->air_pa * pow(s->v[s->open_border], s->n);
            c->fresh = 0;
        }
    } else if ((s->region[c->cell] == REGION_INLET) && (direction > 0)) {
        breathe(e, c);
    } else if (before == REGION_CLOSED) {
        put_out(e, c);
        c->fresh = (c->fresh != 0) || (direction > 0) || (s->trapped_follows == 0.0);
    }
}

/* A spark at the plugs of some cylinders, a bit for each, lights what fresh charge is shut in there;
 * `w` is the speed then.  Returns a bit for each cylinder that burns. */
ENGINE_API int64_t engine_ignite(engine_state *e, int64_t plugs, double spark_s, double w)
{
    int64_t which = 0;
    int64_t i;
    for (i = 0; i < e->spec.cylinders; i++) {
        engine_cylinder *const c = &e->cyl[i];
        double const rpm = fmax(fabs(w) * 60.0 / TWO_PI, SLOWEST_BURN_RPM);
        double whole_deg;
        double factor;
        if ((((plugs >> i) & 1) == 0) || (e->spec.region[c->cell] != REGION_CLOSED) || !c->fresh ||
            c->burning) {
            continue;
        }
        factor = (e->heat_factors > 0) ? e->heat_factor[e->lit % e->heat_factors] : 1.0;
        whole_deg = half_deg(&e->spec, c->charge) * cbrt(rpm / 1000.0) / e->spec.wiebe_half;
        e->lit++;
        c->fresh = 0;
        c->heat_j = e->spec.charge_j * c->charge * factor;
        c->burning = c->heat_j > 0.0;
        c->burnt = 0.0;
        c->spark_s = spark_s;
        c->burn_s = whole_deg / (6.0 * rpm);
        e->burning += c->burning;
        which |= (c->burning != 0) ? (INT64_C(1) << i) : 0;
    }
    return which;
}

static double wiebe(const engine_spec *s, double share)
{
    double const power = (s->wiebe_m == 2.0) ? (share * share * share) : pow(share, s->wiebe_m + 1.0);
    return (share <= 0.0) ? 0.0 : -expm1(-s->wiebe_a * power);
}

engine_gas engine_gas_of(const engine_state *e, const engine_cylinder *c)
{
    const engine_spec *const s = &e->spec;
    engine_gas g = {0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0};
    g.dv = (s->v[c->cell + 1] - s->v[c->cell]) / e->cell_rad;
    if (s->region[c->cell] == REGION_CLOSED) {
        g.du = (s->u[c->cell + 1] - s->u[c->cell]) / e->cell_rad;
        g.u = s->u[c->cell] + (g.du * e->x);
    } else if ((s->region[c->cell] == REGION_INLET) && (s->trapped_follows != 0.0)) {
        g.push_nm = s->air_pa * (inlet_part(s, c) - 1.0) * g.dv;
    }
    return g;
}

/* What the burn does in the next `dt_s`, while the crank turns by `by`.  A whole cell is taken in
 * two halves, so that a rising burn is weighed with the volume it happens in. */
void engine_heat(const engine_state *e, engine_cylinder *c, engine_gas *g, double dt_s, double by)
{
    double const share = (e->t_s - c->spark_s) / c->burn_s;
    double const more = dt_s / c->burn_s;
    double const burnt = wiebe(&e->spec, fmin(share + more, 1.0));
    double const middle = g->u + (0.5 * g->du * by);
    g->released_j = c->heat_j * fmax(burnt - c->burnt, 0.0);
    if (fabs(by) > 0.999 * e->cell_rad) {
        const double *const u = &e->spec.u_burn[2 * c->cell];
        int const second = by < 0.0;
        double const half = fmin(wiebe(&e->spec, share + (0.5 * more)), burnt);
        double const first_j = c->heat_j * fmax(half - c->burnt, 0.0);
        g->heated_k = (first_j / u[second]) + ((g->released_j - first_j) / u[!second]);
        g->extra_nm = (g->released_j - (g->heated_k * middle)) / by;
    } else {
        g->heated_k = g->released_j / middle;
        g->extra_nm = 0.0;
    }
}

double engine_gas_torque(const engine_state *e, const engine_cylinder *c, const engine_gas *g)
{
    if (e->spec.region[c->cell] != REGION_CLOSED) {
        return g->push_nm;
    }
    return (-(c->k + (0.5 * g->heated_k)) * g->du) - (e->spec.air_pa * g->dv) + g->extra_nm;
}

/* The burn goes on by the time that has really passed: what is left over comes in the next step. */
void engine_burn_on(engine_state *e, const engine_gas g[2])
{
    int64_t i;
    for (i = 0; i < e->spec.cylinders; i++) {
        engine_cylinder *const c = &e->cyl[i];
        if (c->burning) {
            c->k += g[i].heated_k;
            c->burnt += g[i].released_j / c->heat_j;
            e->account.heat_j += g[i].released_j;
            if (e->t_s > c->spark_s + c->burn_s) {
                put_out(e, c);
            }
        }
    }
}

/* What the shut-in gas holds, with the air's push on the piston. */
ENGINE_API double engine_gas_j(const engine_state *e)
{
    double sum = 0.0;
    int64_t i;
    for (i = 0; i < e->spec.cylinders; i++) {
        const engine_cylinder *const c = &e->cyl[i];
        engine_gas const g = engine_gas_of(e, c);
        if (e->spec.region[c->cell] == REGION_CLOSED) {
            sum += (c->k * g.u) + (e->spec.air_pa * (e->spec.v[c->cell] + (g.dv * e->x)));
        }
    }
    return sum;
}
