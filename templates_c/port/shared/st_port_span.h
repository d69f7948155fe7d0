/* What ports with a free-running 16-bit timer do alike: reach, arming, what is told in which order.
 *
 * A port's st_port.c includes this once, in front of its own code, after it has named
 *   st_events                    the type of a set of the timer's interrupts, and two of them:
 *   ST_EVENT_COIL, ST_EVENT_ALARM  the matches that switch the coil and that wake the core
 *   ST_NEAR_TICKS                nearest instant that can still be armed
 *   ST_REACH_TICKS               instants nearer than this can be armed now, others an overflow later
 *   ST_GUARD_BEATS               heartbeats the coil may be on before the guard ends it
 * and implements the functions declared below.  st_coil_order says what a match is led to do.
 */
#ifndef ST_PORT_SPAN_H
#define ST_PORT_SPAN_H

#include "st_port.h"
#include "st_port_flash.h"

static st_ticks st_coil_at;      /* instant armed for the coil, or waiting to be */
static st_ticks st_alarm_at;
static uint8_t st_coil_pending;  /* st_coil_order that the match is to carry out */
static bool st_coil_far;         /* ... but out of reach yet */
static bool st_alarm_far;
static volatile uint8_t st_guard;
static volatile uint8_t st_beats;
static volatile bool st_forced;  /* the guard has struck */

/* ---- The port implements -------------------------------------------------------------------- */

static void st_mask(st_events events);
static void st_unmask(st_events events);

/* Set the compare register to a count and clear the match's flag. */
static void st_match_coil_at(uint16_t count);
static void st_match_alarm_at(uint16_t count);

/* Let the match carry out an order; one that finds its level there already changes nothing. */
static void st_lead_to(uint8_t order);

/* Lead the match of the pending order to where it changes nothing, until the pin can be read. */
static void st_coil_defuse(void);

/* A match has been told: its flag cleared, nothing left that a match a span later would do. */
static void st_coil_rest(void);

static void st_coil_off(void); /* now, nothing pending */
static bool st_coil_is_on(void);
static bool st_coil_matched(void); /* a match of the coil waits to be told */
static bool st_captured(void);     /* an edge waits to be told */
static st_ticks st_captured_at(void);
static void st_capture_arm(st_core *core);
#if ST_CFG_TWO_COILS
static void st_select_put(bool second);
#endif
static void st_tacho(bool high);

/* ---- Coil ------------------------------------------------------------------------------------ */

/* True when a match at the low half of *at is the match wanted; an instant too near, or past, is
 * moved to the nearest that can still be armed.  False while it is out of reach. */
static bool st_within_reach(st_ticks *at)
{
    st_ticks const now = st_port_now();
    st_ticks const ahead = *at - now;
    uint16_t const spans = (uint16_t)(ahead >> 16);
    if ((spans >= 0x8000U) || ((spans == 0U) && ((uint16_t)ahead < ST_NEAR_TICKS))) {
        *at = now + ST_NEAR_TICKS;
        return true;
    }
    return ahead < ST_REACH_TICKS;
}

/* Let the match carry out the pending order, or leave it to a later overflow when it is far ahead. */
static void st_coil_engage(void)
{
    st_coil_far = !st_within_reach(&st_coil_at);
    if (st_coil_far) {
        st_mask(ST_EVENT_COIL);
        return;
    }
    st_match_coil_at((uint16_t)st_coil_at);
    st_lead_to(st_coil_pending);
    st_unmask(ST_EVENT_COIL);
}

/* The match has switched the pin: tell the core. */
static void st_coil_switched(st_core *core)
{
    bool const on = st_coil_pending == (uint8_t)ST_COIL_ON_AT;
    st_coil_rest();
    st_coil_pending = (uint8_t)ST_COIL_IDLE;
    st_mask(ST_EVENT_COIL);
    st_tacho(!on);
    /* An off-time may fall between two beats. */
    if (!st_coil_is_on()) {
        st_guard = 0U;
    }
    st_on_coil(core, st_coil_at, on);
}

/* Tell a match whose interrupt still waits before any other event. */
static void st_coil_first(st_core *core)
{
    if (st_coil_matched()) {
        st_coil_switched(core);
    }
}

/* After st_coil_defuse the pin alone tells whether the old order has come about: a match between the
 * defusing and this look sets the flag and leaves the pin as it was. */
static bool st_coil_came_about(void)
{
    return (st_coil_pending != (uint8_t)ST_COIL_IDLE) && !st_coil_far &&
           (st_coil_is_on() == (st_coil_pending == (uint8_t)ST_COIL_ON_AT));
}

/* Two coils: which of them the output reaches, changed over while it is off. */
static void st_select_coil(const st_core *core)
{
#if ST_CFG_TWO_COILS
    if (!st_coil_is_on()) {
        st_select_put(core->orders.second);
    }
#else
    (void)core;
#endif
}

static void st_coil_arm(st_core *core)
{
    core->orders.coil_fresh = false;
    if (core->orders.coil == (uint8_t)ST_COIL_IDLE) {
        st_coil_off();
        return;
    }
    st_coil_defuse();
    if (st_coil_came_about()) { /* no order is given twice or lost */
        /* A match a timer span later must change nothing, should no new order come until then. */
        st_lead_to(st_coil_pending);
        st_coil_switched(core); /* gives a new order */
        return;
    }
    st_coil_pending = core->orders.coil;
    st_coil_at = core->orders.coil_at;
    st_select_coil(core);
    st_coil_engage();
}

/* ---- Alarm, and all that is ordered ---------------------------------------------------------- */

static void st_alarm_engage(void)
{
    st_alarm_far = !st_within_reach(&st_alarm_at);
    if (!st_alarm_far) {
        st_match_alarm_at((uint16_t)st_alarm_at);
        st_unmask(ST_EVENT_ALARM);
    }
}

static void st_alarm_arm(st_core *core)
{
    core->orders.alarm_fresh = false;
    st_alarm_far = false;
    st_mask(ST_EVENT_ALARM);
    if (core->orders.alarm_on) {
        st_alarm_at = core->orders.alarm_at;
        st_alarm_engage();
    }
}

void st_port_apply(st_core *core)
{
    uint8_t tries;
    if (st_coil_far) {
        st_coil_engage();
    }
    if (st_alarm_far) {
        st_alarm_engage();
    }
    for (tries = 0U; core->orders.coil_fresh && (tries < 3U); tries++) {
        st_coil_arm(core);
    }
    if (core->orders.capture_fresh) {
        st_capture_arm(core);
    }
    if (core->orders.alarm_fresh) {
        st_alarm_arm(core);
    }
}

/* ---- Events ---------------------------------------------------------------------------------- */

ST_APART static void st_serve_capture(st_core *core)
{
    st_ticks const at = st_captured_at();
    st_coil_first(core);
    st_on_capture(core, at, st_port_now());
}

/* An edge that waits goes before an alarm that has read the level: what was read may be the glitch
 * that begins with that edge.  An edge that the reads saw has its flag up after them. */
static void st_serve_alarm(st_core *core)
{
    bool active;
    st_mask(ST_EVENT_ALARM);
    st_coil_first(core);
    active = st_port_active();
#if ST_CFG_TWO_COILS
    core->second_there = st_port_second();
#endif
    if (!st_captured()) {
        st_on_alarm(core, st_port_now(), active);
    }
}

static void st_serve_coil(st_core *core)
{
    if (st_coil_pending != (uint8_t)ST_COIL_IDLE) {
        st_coil_switched(core);
    } else {
        st_mask(ST_EVENT_COIL); /* a stray match */
    }
}

/* Arm what is urgent, then let the core do the rest and arm that. */
static void st_finish(st_core *core)
{
    st_port_apply(core);
    if (core->to_settle != 0U) {
        st_settle(core);
        st_port_apply(core);
    }
}

/* ---- Heartbeat ------------------------------------------------------------------------------- */

/* Count a heartbeat; true when the coil has been on for too many.  It trusts the pin and a constant,
 * nothing else; the port's interrupt forces the output off without asking the core. */
static bool st_guard_strikes(void)
{
    uint8_t const beats = st_coil_is_on() ? (uint8_t)(st_guard + 1U) : 0U;
    bool const strikes = beats > ST_GUARD_BEATS;
    st_beats++;
    st_guard = strikes ? 0U : beats;
    if (strikes) {
        st_forced = true;
    }
    return strikes;
}

bool st_port_forced_off(void)
{
    bool const forced = st_forced;
    st_forced = false;
    return forced;
}

/* On, but no spark is armed: never left so. */
static void st_coil_refresh(void)
{
    if ((st_coil_pending == (uint8_t)ST_COIL_IDLE) && st_coil_is_on() && !st_coil_matched()) {
        st_coil_off();
    }
}

#endif
