/* A small world around the core, the same C on the host and on the chip: what a port does with orders,
 * a crank that makes edges, and random mischief.  16-bit int is enough; nothing depends on the layout
 * of a struct, so that digests of two compilers can be held against each other.
 */
#ifndef WORLD_H
#define WORLD_H

#include "config.h"
#include "st_core.h"

/* What may never happen (DEVELOPERS.md, invariants), counted. */
enum {
    WORLD_A_ON_TOO_LONG, /* on for longer than the hard limit and a late order */
    WORLD_C_CHARGE,      /* charge begun without lock or start */
    WORLD_E_STATE,       /* a mode, phase or order that does not exist, an order that cannot be */
    WORLD_F_ENDLESS,     /* alarms without end */
    WORLD_CHECKS
};

typedef struct {
    st_core core;
    st_retained kept;
    uint32_t random;
    uint32_t digest;
    uint32_t events;
    uint32_t sparks;
    st_ticks now;
    st_ticks coil_at;
    st_ticks alarm_at;
    st_ticks on_since;
    st_ticks on_most;
    st_ticks last_on; /* length of the last charge */
    st_ticks last_spark_at;
    uint32_t period;
    uint16_t broken[WORLD_CHECKS];
    uint16_t late_most; /* a handler is served up to so many ticks late */
    uint8_t coil;
    uint8_t capture;
    bool alarm_on;
    bool coil_on;
    bool active;
    bool second;        /* the phase sensor: the second cylinder's pulse */
    bool channel;       /* the coil that is selected */
    uint32_t wrong;     /* sparks in the cylinder whose pulse it is not */
} world;

uint32_t world_random(world *w);
void world_start(world *w, uint32_t seed, st_ticks now, bool power_on);
void world_reset(world *w, bool power_on);
/* Serve what is due until `at`; then time stands there. */
void world_until(world *w, st_ticks at);
/* The line changes at `at`, not before now. */
void world_edge(world *w, st_ticks at, bool active);
void world_poll(world *w);
/* A true pulse whose lead edge comes `period` ticks after the one before. */
void world_pulse(world *w, st_ticks lead_at, uint32_t period);
/* Some pulses, true or not, drawn at random; then perhaps a reset. */
void world_scene(world *w);

#endif
