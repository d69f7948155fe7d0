/* The wire from sensor to pin under disturbance: pull-up, filter, diodes, Schmitt input. */
#ifndef NOISE_LINE_H
#define NOISE_LINE_H

#include <stdint.h>

/* cdef begin */
typedef struct {
    double high_v;      /* logic supply; the pull-up goes there */
    double low_v;       /* the sensor's own low */
    double pull_up_ohm;
    double sink_ohm;    /* the sensor's output while it pulls down */
    double series_ohm;
    double filter_f;    /* capacitor at the pin, and the pin */
    double wire_f;      /* the wire against ground */
    double rise_v;      /* thresholds at the pin */
    double fall_v;
    double diode_v;     /* the pin's diodes hold it within -diode_v .. high_v + diode_v */
    double fall_s;      /* how late an undisturbed edge is at the pin, downwards and upwards */
    double rise_s;
} noise_wire;

/* A disturbing voltage, volts (exp(-t/decay) - exp(-t/rise)) cos(2 pi ring t), and the capacitance
 * through which it reaches the wire. */
typedef struct {
    double volts;
    double rise_s;
    double decay_s;
    double ring_hz;     /* 0: none */
    double couple_f;
} noise_shape;

/* Mains hum in series with the wire: volts (sin + third sin 3). */
typedef struct {
    double volts;
    double hz;
    double phase_rad;
    double third;
} noise_hum;

/* The pin's level changes within begin_s .. end_s.  edge_s (edges) are instants at which the sensor
 * changes its output, to edge_high; event_s (events) ascending, when shapes[which] begins.  Returned:
 * changes written to out_s, out_high; -1 when `room` is too small. */
int64_t noise_line_run(const noise_wire *wire, int32_t start_high,
                       const double *edge_s, const uint8_t *edge_high, int64_t edges,
                       const noise_shape *shapes, int64_t shape_count,
                       const double *event_s, const uint8_t *which, int64_t events,
                       double end_s, double *out_s, uint8_t *out_high, int64_t room);

/* The same for hum, which is slow beside the filter: the pin follows, its thresholds shift. */
int64_t noise_line_hum(const noise_wire *wire, const noise_hum *hum, int32_t start_high,
                       const double *edge_s, const uint8_t *edge_high, int64_t edges,
                       double begin_s, double end_s, double *out_s, uint8_t *out_high, int64_t room);

/* Voltages of wire and pin at `points` instants `step_s` apart after one event, for pictures and tests. */
void noise_line_wave(const noise_wire *wire, int32_t high, const noise_shape *shape, double step_s,
                     int64_t points, double *wire_v, double *pin_v);
/* cdef end */

#endif
