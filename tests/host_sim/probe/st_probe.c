/* See st_core.h beside this file. */
#include "st_core.h"

enum { PROBE_INIT, PROBE_CAPTURE, PROBE_ALARM, PROBE_COIL, PROBE_FORCED, PROBE_POLL };

static void note(st_core *c, uint32_t kind, uint32_t at, uint32_t now, uint32_t level)
{
    uint32_t *const entry = &c->words[2 + (PROBE_SCRIPT * 5) + (4 * c->words[0])];
    if (c->words[0] < PROBE_LOG) {
        entry[0] = kind;
        entry[1] = at;
        entry[2] = now;
        entry[3] = level;
        c->words[0]++;
    }
}

static void order(st_core *c, st_ticks now)
{
    const uint32_t *const line = &c->words[2 + (5 * c->words[1])];
    if (c->words[1] >= PROBE_SCRIPT) {
        return;
    }
    c->words[1]++;
    if (line[0] != PROBE_NOTHING) {
        c->orders.coil = (uint8_t)line[0];
        c->orders.coil_at = now + line[1];
        c->orders.coil_fresh = true;
    }
    if (line[2] != PROBE_NOTHING) {
        c->orders.capture = (uint8_t)line[2];
        c->orders.capture_fresh = true;
    }
    if (line[3] != PROBE_NOTHING) {
        c->orders.alarm_on = line[3] != 0U;
        c->orders.alarm_at = now + line[4];
        c->orders.alarm_fresh = true;
    }
}

void st_init(st_core *c, st_ticks now, st_retained *kept, bool power_on)
{
    c->s.mode = (uint8_t)ST_RUN;
    c->orders.capture = (uint8_t)ST_CAPTURE_MASKED;
    note(c, PROBE_INIT, kept->resets, now, power_on);
    order(c, now);
}

void st_on_capture(st_core *c, st_ticks at, st_ticks now)
{
    note(c, PROBE_CAPTURE, at, now, 0U);
    order(c, now);
}

void st_on_alarm(st_core *c, st_ticks now, bool active)
{
    note(c, PROBE_ALARM, c->orders.alarm_at, now, active);
    order(c, now);
}

void st_on_coil(st_core *c, st_ticks at, bool on)
{
    note(c, PROBE_COIL, at, at, on);
    order(c, at);
}

void st_on_forced_off(st_core *c, st_ticks at)
{
    note(c, PROBE_FORCED, at, at, 0U);
}

void st_on_poll(st_core *c, st_ticks now, bool active)
{
    if (c->count[ST_N_PULSE] != UINT16_MAX) {
        c->count[ST_N_PULSE]++;
    }
    (void)now;
    (void)active;
}

void st_settle(st_core *c)
{
    (void)c;
}

void st_keep(const st_core *c, st_retained *kept)
{
    (void)c;
    kept->resets++;
}
