/* Two nodes, wire and pin, stepped implicitly through each disturbance; closed form between them.
 *
 * The step grows with the time since the last sudden change (AGE_PARTS), never beyond what a ringing
 * voltage needs (RING_PARTS).  Backward Euler holds however stiff the sensor's output is.  A single
 * disturbance that meets a settled line with no edge near always does the same: its response is
 * reckoned once for each shape and level.
 */
#include "noise_line.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#if defined(_WIN32)
#define NOISE_API __declspec(dllexport)
#else
#define NOISE_API __attribute__((visibility("default")))
#endif

#define ACTIVE_MOST 64   /* disturbances at once; more are dropped */
#define AGE_PARTS 24.0
#define RING_PARTS 24.0
#define GONE 7.0         /* decay times after which a disturbance is over */
#define RISEN (-746.0)   /* exp of less is 0 */
#define SETTLED_SHARE 0.01
#define FINEST_S 1e-9
#define CACHE_TOGGLES 256
#define HUM_STEP_S 20e-6

typedef struct {
    const noise_shape *shape;
    double begin_s;
    double volts; /* its value at the present instant */
} active_event;

typedef struct {
    int known;
    int32_t toggles;     /* -1: too many to keep */
    double length_s;
    double offset_s[CACHE_TOGGLES];
} response;

typedef struct {
    const noise_wire *wire;
    double now_s;
    double changed_s;    /* last sudden change */
    double wire_v;
    double pin_v;
    int high;            /* what the sensor does */
    int pin_high;        /* what the input says */
    active_event active[ACTIVE_MOST];
    int count;
    double *out_s;
    uint8_t *out_high;
    int64_t room;
    int64_t written;
} line_state;

static double source_v(const noise_wire *w, int high)
{
    return high ? w->high_v
                : ((w->high_v * w->sink_ohm) + (w->low_v * w->pull_up_ohm)) /
                      (w->sink_ohm + w->pull_up_ohm);
}

static double source_ohm(const noise_wire *w, int high)
{
    return high ? w->pull_up_ohm
                : (w->sink_ohm * w->pull_up_ohm) / (w->sink_ohm + w->pull_up_ohm);
}

static double shape_v(const noise_shape *shape, double age_s)
{
    double const risen = -age_s / shape->rise_s;
    double v = exp(-age_s / shape->decay_s) - ((risen > RISEN) ? exp(risen) : 0.0);
    if (shape->ring_hz > 0.0) {
        v *= cos(6.283185307179586 * shape->ring_hz * age_s);
    }
    return shape->volts * v;
}

static void put(line_state *s, double at_s, int high)
{
    if (s->written < s->room) {
        s->out_s[s->written] = at_s;
        s->out_high[s->written] = (uint8_t)high;
    }
    s->written++;
    s->pin_high = high;
}

/* Charge that the disturbances push into the wire until `to_s`; those that are over are dropped. */
static double pushed(line_state *s, double to_s, double *coupled_f)
{
    double charge = 0.0;
    int i = 0;
    *coupled_f = 0.0;
    while (i < s->count) {
        active_event *const e = &s->active[i];
        double const age_s = to_s - e->begin_s;
        double const v = shape_v(e->shape, age_s);
        charge += e->shape->couple_f * (v - e->volts);
        *coupled_f += e->shape->couple_f;
        e->volts = v;
        if (age_s > GONE * e->shape->decay_s) {
            *e = s->active[--s->count];
        } else {
            i++;
        }
    }
    return charge;
}

static double clamped(const noise_wire *w, double v)
{
    if (v > w->high_v + w->diode_v) {
        return w->high_v + w->diode_v;
    }
    return (v < -w->diode_v) ? -w->diode_v : v;
}

static void step(line_state *s, double dt)
{
    const noise_wire *const w = s->wire;
    double const before_v = s->pin_v;
    double coupled_f;
    double const charge = pushed(s, s->now_s + dt, &coupled_f);
    double const node_f = w->wire_f + coupled_f;
    double const a = dt / (w->series_ohm * w->filter_f);
    double const ohm = source_ohm(w, s->high);
    double const numerator = (node_f / dt * s->wire_v) + (source_v(w, s->high) / ohm) +
                             (charge / dt) + (s->pin_v / (w->series_ohm * (1.0 + a)));
    double const denominator =
        (node_f / dt) + (1.0 / ohm) + (1.0 / (w->series_ohm * (1.0 + a)));
    double threshold;
    s->wire_v = numerator / denominator;
    s->pin_v = clamped(w, (s->pin_v + (a * s->wire_v)) / (1.0 + a));
    threshold = s->pin_high ? w->fall_v : w->rise_v;
    if (s->pin_high ? (s->pin_v < threshold) : (s->pin_v > threshold)) {
        double const share = (threshold - before_v) / (s->pin_v - before_v);
        put(s, s->now_s + (dt * ((share > 0.0) ? share : 0.0)), !s->pin_high);
    }
    s->now_s += dt;
}

static double step_wanted(const line_state *s)
{
    double dt = FINEST_S + ((s->now_s - s->changed_s) / AGE_PARTS);
    int i;
    for (i = 0; i < s->count; i++) {
        double const ring = s->active[i].shape->ring_hz;
        if (ring * dt * RING_PARTS > 1.0) {
            dt = 1.0 / (RING_PARTS * ring);
        }
    }
    return dt;
}

static int settled(const line_state *s)
{
    double const swing = s->wire->high_v - s->wire->low_v;
    return (s->count == 0) && (s->pin_high == s->high) &&
           (fabs(s->pin_v - source_v(s->wire, s->high)) < SETTLED_SHARE * swing);
}

static void rest(line_state *s, const noise_wire *wire, int high)
{
    memset(s, 0, sizeof *s);
    s->wire = wire;
    s->high = s->pin_high = high;
    s->wire_v = s->pin_v = source_v(wire, high);
}

static void begin_event(line_state *s, const noise_shape *shape)
{
    if (s->count < ACTIVE_MOST) {
        active_event const fresh = {shape, s->now_s, 0.0};
        s->active[s->count++] = fresh;
    }
    s->changed_s = s->now_s;
}

/* The response to one shape on a settled line. */
static void reckon(response *r, const noise_wire *wire, const noise_shape *shape, int high)
{
    line_state s;
    uint8_t level[CACHE_TOGGLES];
    rest(&s, wire, high);
    s.out_s = r->offset_s;
    s.out_high = level;
    s.room = CACHE_TOGGLES;
    begin_event(&s, shape);
    do {
        step(&s, step_wanted(&s));
    } while (!settled(&s));
    r->known = 1;
    r->toggles = (s.written <= CACHE_TOGGLES) ? (int32_t)s.written : -1;
    r->length_s = s.now_s;
}

typedef struct {
    const double *edge_s;
    const uint8_t *edge_high;
    int64_t edges;
    const noise_shape *shapes;
    const double *event_s;
    const uint8_t *which;
    int64_t events;
    int64_t edge;
    int64_t event;
    response *known; /* [shape][high] */
    double settle_s;
} line_work;

static double next_edge(const line_work *k)
{
    return (k->edge < k->edges) ? k->edge_s[k->edge] : INFINITY;
}

static double next_event(const line_work *k)
{
    return (k->event < k->events) ? k->event_s[k->event] : INFINITY;
}

/* A lone disturbance of a settled line, from the responses known.  False when it is not lone. */
static int lone_event(line_state *s, line_work *k)
{
    double const at_s = k->event_s[k->event];
    unsigned const which = k->which[k->event];
    response *const r = &k->known[(2U * which) + (unsigned)s->high];
    double other_s = next_edge(k);
    int32_t i;
    if (!r->known) {
        reckon(r, s->wire, &k->shapes[which], s->high);
    }
    if ((k->event + 1 < k->events) && (k->event_s[k->event + 1] < other_s)) {
        other_s = k->event_s[k->event + 1];
    }
    if ((r->toggles < 0) || (at_s + r->length_s > other_s)) {
        return 0;
    }
    for (i = 0; i < r->toggles; i++) {
        put(s, at_s + r->offset_s[i], !s->pin_high);
    }
    k->event++;
    return 1;
}

static int lone_edge(line_state *s, line_work *k)
{
    double const at_s = k->edge_s[k->edge];
    int const high = k->edge_high[k->edge] != 0U;
    double const after_s =
        (k->edge + 1 < k->edges) ? k->edge_s[k->edge + 1] : INFINITY;
    double const other_s = (next_event(k) < after_s) ? next_event(k) : after_s;
    if (at_s + k->settle_s > other_s) {
        return 0;
    }
    k->edge++;
    if (high != s->high) {
        put(s, at_s + (high ? s->wire->rise_s : s->wire->fall_s), high);
        s->high = high;
        s->wire_v = s->pin_v = source_v(s->wire, high);
    }
    return 1;
}

/* Step until the line has settled; edges and disturbances that come meanwhile are taken in. */
static void window(line_state *s, line_work *k)
{
    s->now_s = fmin(next_edge(k), next_event(k));
    s->changed_s = s->now_s;
    for (;;) {
        double const next_s = fmin(next_edge(k), next_event(k));
        double dt;
        while (next_edge(k) <= s->now_s) {
            s->high = k->edge_high[k->edge++] != 0U;
            s->changed_s = s->now_s;
        }
        while (next_event(k) <= s->now_s) {
            begin_event(s, &k->shapes[k->which[k->event++]]);
        }
        dt = step_wanted(s);
        if ((next_s > s->now_s) && (s->now_s + dt > next_s)) {
            dt = next_s - s->now_s;
        }
        step(s, dt);
        if (settled(s) && (fmin(next_edge(k), next_event(k)) > s->now_s)) {
            s->wire_v = s->pin_v = source_v(s->wire, s->high);
            return;
        }
    }
}

static double settle_time(const noise_wire *w)
{
    double const slow_s = ((w->pull_up_ohm + w->series_ohm) * w->filter_f) +
                          (w->pull_up_ohm * w->wire_f);
    return slow_s * -log(SETTLED_SHARE);
}

NOISE_API int64_t noise_line_run(const noise_wire *wire, int32_t start_high, const double *edge_s,
                                 const uint8_t *edge_high, int64_t edges,
                                 const noise_shape *shapes, int64_t shape_count,
                                 const double *event_s, const uint8_t *which, int64_t events,
                                 double end_s, double *out_s, uint8_t *out_high, int64_t room)
{
    line_state s;
    line_work k = {edge_s, edge_high, edges, shapes, event_s, which, events, 0, 0, NULL, 0.0};
    k.known = calloc((size_t)(2 * shape_count) + 1U, sizeof(response));
    if (k.known == NULL) {
        return -1;
    }
    k.settle_s = settle_time(wire);
    rest(&s, wire, start_high != 0);
    s.out_s = out_s;
    s.out_high = out_high;
    s.room = room;
    while (fmin(next_edge(&k), next_event(&k)) < end_s) {
        int const done = (next_edge(&k) <= next_event(&k)) ? lone_edge(&s, &k) : lone_event(&s, &k);
        if (!done) {
            window(&s, &k);
        }
    }
    free(k.known);
    return (s.written <= room) ? s.written : -1;
}

static double hum_v(const noise_hum *hum, double at_s)
{
    double const turn = (6.283185307179586 * hum->hz * at_s) + hum->phase_rad;
    return hum->volts * (sin(turn) + (hum->third * sin(3.0 * turn)));
}

/* Delay of an edge whose threshold the hum has shifted; the filter's own time constants. */
static double hum_delay(const noise_wire *w, const noise_hum *hum, int high, double at_s)
{
    double const shift = hum_v(hum, at_s);
    double const swing = w->high_v - w->low_v;
    double const normal = high ? (w->high_v - w->rise_v) : (w->fall_v - w->low_v);
    double const left = normal + (high ? shift : -shift);
    double const undisturbed_s = high ? w->rise_s : w->fall_s;
    if ((left <= 0.0) || (left >= swing)) {
        return (left <= 0.0) ? INFINITY : 0.0;
    }
    return undisturbed_s * log(swing / left) / log(swing / normal);
}

static void hum_until(line_state *s, const noise_hum *hum, double to_s)
{
    double v = source_v(s->wire, s->high) + hum_v(hum, s->now_s);
    while (s->now_s < to_s) {
        double const left_s = to_s - s->now_s;
        double const dt = (left_s < HUM_STEP_S) ? left_s : HUM_STEP_S;
        double const next_v = source_v(s->wire, s->high) + hum_v(hum, s->now_s + dt);
        double const threshold = s->pin_high ? s->wire->fall_v : s->wire->rise_v;
        if (s->pin_high ? (next_v < threshold) : (next_v > threshold)) {
            double const share = (next_v != v) ? (threshold - v) / (next_v - v) : 0.0;
            put(s, s->now_s + (dt * fmin(fmax(share, 0.0), 1.0)), !s->pin_high);
        }
        v = next_v;
        s->now_s += dt;
    }
}

NOISE_API int64_t noise_line_hum(const noise_wire *wire, const noise_hum *hum, int32_t start_high,
                                 const double *edge_s, const uint8_t *edge_high, int64_t edges,
                                 double begin_s, double end_s, double *out_s, uint8_t *out_high,
                                 int64_t room)
{
    line_state s;
    double const most_v = fabs(hum->volts) * (1.0 + fabs(hum->third));
    int const quiet = (most_v < wire->high_v - wire->fall_v) && (most_v < wire->rise_v - wire->low_v);
    int64_t i;
    rest(&s, wire, start_high != 0);
    s.out_s = out_s;
    s.out_high = out_high;
    s.room = room;
    s.now_s = begin_s;
    for (i = 0; (i < edges) && (edge_s[i] < end_s); i++) {
        int const high = edge_high[i] != 0U;
        double delay_s;
        if (!quiet) {
            hum_until(&s, hum, edge_s[i]);
        }
        s.high = high;
        delay_s = hum_delay(wire, hum, high, edge_s[i]);
        if ((s.pin_high != high) && (delay_s < HUM_STEP_S)) {
            put(&s, edge_s[i] + delay_s, high);
            s.now_s = edge_s[i] + delay_s;
        }
    }
    if (!quiet) {
        hum_until(&s, hum, end_s);
    }
    return (s.written <= room) ? s.written : -1;
}

NOISE_API void noise_line_wave(const noise_wire *wire, int32_t high, const noise_shape *shape,
                               double step_s, int64_t points, double *wire_v, double *pin_v)
{
    line_state s;
    int64_t i;
    rest(&s, wire, high != 0);
    begin_event(&s, shape);
    for (i = 0; i < points; i++) {
        double const to_s = (double)(i + 1) * step_s;
        while (s.now_s < to_s) {
            step(&s, fmin(step_wanted(&s), to_s - s.now_s + 1e-15));
        }
        wire_v[i] = s.wire_v;
        pin_v[i] = s.pin_v;
    }
}
