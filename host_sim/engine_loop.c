/* One loop for firmware and engine: see engine_loop.h.
 *
 * Turn the crank by one step, hand the chip the edges that reach its pin meanwhile, let it work until
 * the step's end, and light the charges by the sparks it gave: a burn so begins at most one step
 * after its spark, and goes on from the spark's own instant.
 */
#include "engine_loop.h"

#include <math.h>
#include <string.h>

#include "engine_internal.h"

#define DEG_PER_RAD 57.29577951308232
#define COIL_ROOM 64
#define ALL_PLUGS INT64_C(3)

ENGINE_API int64_t loop_size(void)
{
    return (int64_t)sizeof(loop_state);
}

/* ---- Edges ----------------------------------------------------------------------------------- */

/* First angle offset + spacing k that lies above `deg`. */
static double next_above(double deg, double offset, double spacing)
{
    return offset + (spacing * (floor((deg - offset) / spacing) + 1.0));
}

/* Instant within a piece that turns one way at which it reaches `deg`, which lies in it or, by
 * rounding, at its ends. */
static double reached_s(const engine_piece *p, double deg, int forwards)
{
    double const by = forwards ? fmax(deg - p->at_deg, 0.0) : fmin(deg - p->at_deg, 0.0);
    double const square = (p->speed_deg_s * p->speed_deg_s) + (2.0 * p->accel_deg_s2 * by);
    double const root = sqrt(fmax(square, 0.0));
    double const sum = p->speed_deg_s + (forwards ? root : -root);
    double const dt_s = (by != 0.0) ? (2.0 * by / sum) : 0.0;
    return fmin(p->t_s + dt_s, p->end_s);
}

/* Level of the phase sensor at an edge: it is on around every second pulse. */
static int second_at(const loop_state *l, double edge_deg, int lead)
{
    double const offset = (lead ? 0.0 : l->set.arc_deg) - l->set.lead_deg;
    double const pulse = rint((edge_deg - offset) / l->set.spacing_deg);
    return (l->set.two_coils != 0) && (fmod(fabs(pulse), 2.0) > 0.5);
}

static int push_edge(loop_state *l, double at_s, int active, int second)
{
    double const pin_s = at_s + (active ? l->set.lead_delay_s : l->set.trail_delay_s);
    int64_t i = l->edges;
    if (i == LOOP_QUEUE) {
        return 0;
    }
    for (; (i > 0) && (l->edge_s[i - 1] > pin_s); i--) {
        l->edge_s[i] = l->edge_s[i - 1];
        l->edge_active[i] = l->edge_active[i - 1];
    }
    l->edge_s[i] = pin_s;
    l->edge_active[i] = (uint8_t)((unsigned)active | ((unsigned)second << 1));
    l->edges++;
    return 1;
}

/* Edges that a piece which ends at `end_deg` makes; backwards they come in the other order and sense. */
static int edges_of(loop_state *l, const engine_piece *p, double end_deg)
{
    double const spacing = l->set.spacing_deg;
    int room = 1;
    if (end_deg >= l->lead_up) {
        room &= push_edge(l, reached_s(p, l->lead_up, 1), 1, second_at(l, l->lead_up, 1));
        l->lead_up += spacing;
    } else if (end_deg < l->lead_up - spacing) {
        l->lead_up -= spacing;
        room &= push_edge(l, reached_s(p, l->lead_up, 0), 0, second_at(l, l->lead_up, 1));
    }
    if (end_deg >= l->trail_up) {
        room &= push_edge(l, reached_s(p, l->trail_up, 1), 0, second_at(l, l->trail_up, 0));
        l->trail_up += spacing;
    } else if (end_deg < l->trail_up - spacing) {
        l->trail_up -= spacing;
        room &= push_edge(l, reached_s(p, l->trail_up, 0), 1, second_at(l, l->trail_up, 0));
    }
    return room;
}

/* ---- Output ---------------------------------------------------------------------------------- */

static int room_left(const loop_out *out)
{
    return (out->sparks + LOOP_QUEUE <= out->spark_room) && (out->turns + 1 <= out->turn_room) &&
           ((out->piece == NULL) || (out->pieces + 1 <= out->piece_room)) &&
           ((out->edge_s == NULL) || (out->edges + LOOP_QUEUE <= out->edge_room)) &&
           ((out->coil_s == NULL) || (out->coils + COIL_ROOM <= out->coil_room));
}

static void put_edge(loop_out *out, double at_s, uint8_t active)
{
    if (out->edge_s != NULL) {
        out->edge_s[out->edges] = at_s;
        out->active[out->edges] = active;
        out->edges++;
    }
}

static void put_coil(loop_state *l, loop_out *out, int64_t i)
{
    if (out->coil_s != NULL) {
        out->coil_s[out->coils] = l->coil_s[i];
        out->coil_on[out->coils] = l->coil_on[i];
        out->coil_mode[out->coils] = l->coil_mode[i];
        out->coils++;
    }
}

static void watch_turn(loop_state *l, const engine_piece *p, double end_deg, loop_out *out)
{
    double const end_speed = l->engine->w * DEG_PER_RAD;
    l->least_deg_s = fmin(l->least_deg_s, end_speed);
    l->most_deg_s = fmax(l->most_deg_s, end_speed);
    if (end_deg >= l->turn_up) {
        loop_turn *const turn = &out->turn[out->turns++];
        turn->end_s = reached_s(p, l->turn_up, 1);
        turn->at_deg = l->turn_up;
        turn->least_deg_s = l->least_deg_s;
        turn->most_deg_s = l->most_deg_s;
        l->turn_up += 360.0;
        l->least_deg_s = INFINITY;
        l->most_deg_s = -INFINITY;
    } else if (end_deg < l->turn_up - 360.0) {
        l->turn_up -= 360.0;
    }
}

/* ---- Chip and plug --------------------------------------------------------------------------- */

/* Edges that reach the pin before `until_s` go to the chip, which then works until that instant. */
static void feed(loop_state *l, double until_s, loop_out *out)
{
    int64_t count = 0;
    int64_t i;
    while ((count < l->edges) && (l->edge_s[count] < until_s)) {
        put_edge(out, l->edge_s[count], l->edge_active[count]);
        count++;
    }
    l->from_chip.coil_count = 0;
    bench_feed(l->chip, l->edge_s, l->edge_active, count, until_s, &l->from_chip);
    for (i = count; (count > 0) && (i < l->edges); i++) {
        l->edge_s[i - count] = l->edge_s[i];
        l->edge_active[i - count] = l->edge_active[i];
    }
    l->edges -= count;
    l->fed_s = until_s;
}

static int sparks_of_chip(loop_state *l, loop_out *out)
{
    int64_t i;
    for (i = 0; i < l->from_chip.coil_count; i++) {
        put_coil(l, out, i);
        if ((l->coil_on[i] != 0U) != (l->set.spark_on_rise != 0)) {
            continue;
        }
        if (l->sparks == LOOP_QUEUE) {
            return 0;
        }
        l->spark_s[l->sparks] = l->coil_s[i] + l->set.output_delay_s;
        l->spark_mode[l->sparks] = (double)(l->coil_mode[i] & 0x7FU);
        l->spark_coil[l->sparks] = l->coil_mode[i] >> 7;
        l->sparks++;
    }
    return 1;
}

static void spark_now(loop_state *l, const engine_piece *p, loop_out *out)
{
    loop_spark *const spark = &out->spark[out->sparks++];
    int64_t const plugs = l->set.two_coils ? (INT64_C(1) << l->spark_coil[0]) : ALL_PLUGS;
    double const dt_s = l->spark_s[0] - p->t_s;
    int64_t i;
    spark->t_s = l->spark_s[0];
    spark->at_deg = p->at_deg + (dt_s * (p->speed_deg_s + (0.5 * p->accel_deg_s2 * dt_s)));
    spark->speed_deg_s = p->speed_deg_s + (p->accel_deg_s2 * dt_s);
    spark->mode = l->spark_mode[0];
    spark->coil = (double)l->spark_coil[0];
    spark->lit = engine_ignite(l->engine, plugs, spark->t_s, spark->speed_deg_s / DEG_PER_RAD);
    spark->charge = l->engine->cyl[((spark->lit & 1) != 0) ? 0 : (l->engine->spec.cylinders - 1)].charge;
    l->sparks--;
    for (i = 0; i < l->sparks; i++) {
        l->spark_s[i] = l->spark_s[i + 1];
        l->spark_mode[i] = l->spark_mode[i + 1];
        l->spark_coil[i] = l->spark_coil[i + 1];
    }
}

/* ---- The loop -------------------------------------------------------------------------------- */

static int64_t one_step(loop_state *l, double until_s, loop_out *out)
{
    engine_piece piece;
    int64_t const result = engine_step(l->engine, until_s, &piece);
    double const end_deg = engine_angle_deg(l->engine);
    if (result != ENGINE_GOOD) {
        return result;
    }
    if (out->piece != NULL) {
        out->piece[out->pieces++] = piece;
    }
    watch_turn(l, &piece, end_deg, out);
    if (!edges_of(l, &piece, end_deg)) {
        return LOOP_QUEUE_FULL;
    }
    feed(l, piece.end_s, out);
    if ((l->from_chip.coil_count > 0) && !sparks_of_chip(l, out)) {
        return LOOP_QUEUE_FULL;
    }
    while ((l->sparks > 0) && (l->spark_s[0] < piece.end_s)) {
        spark_now(l, &piece, out);
    }
    return ENGINE_GOOD;
}

static int stopped(const loop_state *l)
{
    double const rpm = l->engine->w * DEG_PER_RAD / 6.0;
    return ((l->set.stop_reversals > 0) && (l->engine->reversals >= l->set.stop_reversals)) ||
           ((l->set.stop_rpm > 0.0) && (rpm > l->set.stop_rpm));
}

ENGINE_API void loop_init(loop_state *l, const loop_settings *set, engine_state *engine, bench *chip)
{
    double const deg = engine_angle_deg(engine);
    memset(l, 0, sizeof *l);
    l->set = *set;
    l->engine = engine;
    l->chip = chip;
    l->lead_up = next_above(deg, -set->lead_deg, set->spacing_deg);
    l->trail_up = next_above(deg, set->arc_deg - set->lead_deg, set->spacing_deg);
    l->turn_up = next_above(deg, 0.0, 360.0);
    l->least_deg_s = INFINITY;
    l->most_deg_s = -INFINITY;
    if (l->trail_up < l->lead_up) { /* the magnet is at the sensor */
        int const second = second_at(l, l->lead_up - set->spacing_deg, 1);
        l->edge_s[0] = engine->t_s;
        l->edge_active[0] = (uint8_t)(1U | ((unsigned)second << 1));
        l->edges = 1;
    }
}

/* On to `until_s`.  The arrays of mode changes are kept through all calls; the rest is from here. */
ENGINE_API int64_t loop_run(loop_state *l, double until_s, double *mode_s, uint8_t *mode,
                            int64_t mode_room, int64_t *mode_count, loop_out *out)
{
    int64_t result = ENGINE_GOOD;
    l->from_chip.coil_s = l->coil_s;
    l->from_chip.coil_on = l->coil_on;
    l->from_chip.coil_mode = l->coil_mode;
    l->from_chip.coil_room = COIL_ROOM;
    l->from_chip.mode_s = mode_s;
    l->from_chip.mode = mode;
    l->from_chip.mode_room = mode_room;
    l->from_chip.mode_count = *mode_count;
    while (result == ENGINE_GOOD) {
        if (l->engine->t_s >= until_s) {
            result = LOOP_DONE;
            break;
        }
        if (stopped(l)) {
            result = LOOP_STOPPED;
        } else if (!room_left(out)) {
            result = LOOP_FULL;
        } else {
            result = one_step(l, until_s, out);
        }
    }
    *mode_count = l->from_chip.mode_count;
    return result;
}
