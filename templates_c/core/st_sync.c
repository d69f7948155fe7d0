/* What believed edges mean: speed, lock, sparks. */
#include "st_internal.h"

static void st_mode_to(st_core *c, st_mode mode)
{
    c->s.mode = (uint8_t)mode;
    st_seal(c);
}

static void st_push_interval(st_core *c, uint32_t interval)
{
    c->s.period_third_ticks = c->s.period_before_ticks;
    c->s.period_before_ticks = c->s.period_ticks;
    c->s.period_ticks = interval;
}

static void st_take_edge(st_core *c)
{
    c->s.edge_at = c->lead_at;
    c->s.missing = 0U;
}

/* Skip whole events above the speed limit, begin again below the resume speed. */
static void st_limit_speed(st_core *c, uint32_t interval)
{
    if (interval < ST_CFG_LIMIT_TICKS) {
        c->limiting = true;
        st_count(c, ST_N_LIMIT);
    } else if (interval > ST_CFG_RESUME_TICKS) {
        c->limiting = false;
    }
}

/* Time this turn's spark from its own lead edge. */
static void st_spark_from_lead(st_core *c, uint32_t interval, st_ticks now)
{
    uint32_t const effective = st_effective_period(c, interval);
    c->spark_due = true;
    st_coil_spark_at(c, c->lead_at + st_rounded(st_delay_q8(effective)), now);
}

static bool st_consistent(const st_core *c, uint32_t interval)
{
    uint32_t const period = c->s.period_ticks;
    uint32_t const apart = (interval > period) ? (interval - period) : (period - interval);
    return apart <= st_gate_allowance(period, 0U);
}

static void st_run_lead(st_core *c, uint32_t interval, st_ticks now)
{
    st_push_interval(c, interval);
    st_take_edge(c);
    if (interval > ST_CFG_START_LEAVE_TICKS) {
        st_mode_to(c, ST_START); /* too slow to time from the turn before */
        return;
    }
    st_mode_to(c, ST_RUN);
    st_limit_speed(c, interval);
    st_spark_from_lead(c, interval, now);
}

static void st_locking_lead(st_core *c, uint32_t interval, st_ticks now)
{
    if ((interval <= ST_CFG_START_PERIOD_TICKS) && st_consistent(c, interval)) {
        c->lock_count++;
        if (c->lock_count >= ST_CFG_LOCK_INTERVALS) {
            st_run_lead(c, interval, now);
        }
    } else {
        c->lock_count = 0U;
    }
}

/* Driven starters only: the charge may begin before the trail edge that ends it. */
static void st_start_lead(st_core *c, st_ticks now)
{
#if ST_CFG_START_CHARGE_EARLY
    uint32_t const width = c->width_ticks;
    uint32_t const delay = st_rounded(st_start_delay_q8(width));
    if (width != 0U) {
        st_coil_start_charge_at(c, c->lead_at + width + delay - ST_CFG_DWELL_TICKS, now);
    }
#else
    (void)c;
    (void)now;
#endif
}

/* Interval from the last believed edge to the one under judgement, a turn's share if some are missing. */
static uint32_t st_interval(const st_core *c)
{
    uint32_t const since = c->lead_at - c->s.edge_at;
    return (c->s.missing == 0U) ? since : (since / ((uint32_t)c->s.missing + 1U));
}

static bool st_interval_believable(st_core *c, uint32_t interval)
{
    if ((c->s.mode == (uint8_t)ST_STOPPED) || (c->s.mode == (uint8_t)ST_WARM)) {
        return true; /* nothing to measure from */
    }
    if (interval < ST_CFG_PERIOD_MIN_TICKS) {
        st_count(c, ST_N_INTERVAL);
        return false;
    }
    if (interval > ST_CFG_PERIOD_MAX_TICKS) {
        st_count(c, ST_N_INTERVAL);
        st_lose_lock(c); /* stood still meanwhile: this pulse is a first one */
    }
    return true;
}

bool st_lead_believed(st_core *c, st_ticks now)
{
    uint32_t interval;
    if (!st_seal_ok(c)) {
        st_count(c, ST_N_SEAL);
        st_lose_lock(c);
    }
    c->before = c->s;
    interval = st_interval(c);
    if (!st_interval_believable(c, interval)) {
        return false;
    }
    c->pending = true;
    c->interval_ticks = interval;
    switch ((st_mode)c->s.mode) {
    case ST_RUN:
        st_run_lead(c, interval, now);
        break;
    case ST_LOCKING:
        st_locking_lead(c, interval, now);
        break;
    case ST_START:
        st_start_lead(c, now);
        break;
    default: /* the trail edge decides */
        break;
    }
    return true;
}

/* The same pulse gives the speed and the spark; slower than the floor there is none. */
static void st_spark_from_trail(st_core *c, uint32_t width, st_ticks now)
{
    st_ticks delay;
    if (width > ST_CFG_START_WIDTH_MAX_TICKS) {
        return;
    }
    delay = st_rounded(st_start_delay_q8(width));
#if !ST_CFG_START_CHARGE_EARLY
    if (delay < (ST_CFG_DWELL_TICKS + ST_CFG_GUARD_TICKS)) {
        delay = ST_CFG_DWELL_TICKS + ST_CFG_GUARD_TICKS; /* no charge before the trail edge */
    }
#endif
    c->spark_due = true;
    st_coil_spark_at(c, c->trail_at + delay, now);
}

/* A pulse at or near start speed: slow ones spark from themselves, fast ones lead to lock. */
static void st_start_pulse(st_core *c, uint32_t width, st_ticks now)
{
    uint32_t const interval = c->interval_ticks;
    bool const slow = interval > ST_CFG_START_PERIOD_TICKS;
    st_mode const mode = (st_mode)c->s.mode;
    if (slow || (mode != ST_LOCKING)) {
        c->lock_count = (uint8_t)(slow ? 0U : 1U);
    }
    st_push_interval(c, interval);
    st_take_edge(c);
    st_mode_to(c, slow ? ST_START : ST_LOCKING);
    if (slow || (mode == ST_START)) {
        st_spark_from_trail(c, width, now);
    }
}

static void st_warm_pulse(st_core *c, uint32_t width)
{
    st_take_edge(c);
    if (st_arc_agrees(width, c->s.period_ticks, true)) {
        st_count(c, ST_N_WARM);
        st_mode_to(c, ST_RUN);
    } else {
        st_mode_to(c, ST_FIRST);
    }
}

static void st_first_pulse(st_core *c)
{
    st_take_edge(c);
    c->lock_count = 0U;
    st_mode_to(c, ST_FIRST);
}

void st_trail_believed(st_core *c, st_ticks now)
{
    uint32_t const width = c->trail_at - c->lead_at;
    st_mode const mode = (st_mode)c->s.mode;
    bool const known = (mode == ST_FIRST) || (mode == ST_START) || (mode == ST_LOCKING);

    if ((mode == ST_RUN) && !st_arc_agrees(width, c->interval_ticks, true)) {
        st_pulse_doubted(c);
        return;
    }
    if (known && !st_arc_agrees(width, c->interval_ticks, false)) {
        st_count(c, ST_N_ARC);
        st_coil_release(c);
        st_first_pulse(c);
    } else if (mode == ST_WARM) {
        st_warm_pulse(c, width);
    } else if (mode == ST_STOPPED) {
        st_first_pulse(c);
    } else if (known) {
        st_start_pulse(c, width, now);
    } else { /* locked: timed from its lead edge already */
    }
    c->pending = false;
    c->width_ticks = width;
    st_count(c, ST_N_PULSE);
}

/* Not a true pulse after all: forget its interval, as if its edge had not come. */
void st_pulse_doubted(st_core *c)
{
    st_count(c, ST_N_ARC);
    c->pending = false;
    if (c->before.mode != (uint8_t)ST_RUN) {
        st_lose_lock(c);
        return;
    }
    c->s = c->before;
    c->s.missing++;
    st_seal(c);
    if (c->s.missing > ST_CFG_BRIDGE_MOST) {
        st_lose_lock(c);
    }
}

/* No edge in the gate.  At speed, go on by prediction for a few turns. */
void st_edge_missed(st_core *c, st_ticks now)
{
    st_ticks spark_at;
    if (c->s.mode != (uint8_t)ST_RUN) {
        return;
    }
    st_count(c, ST_N_MISSING);
    if ((c->s.missing >= ST_CFG_BRIDGE_MOST) ||
        (c->s.period_ticks > ST_CFG_BRIDGE_PERIOD_TICKS)) {
        st_lose_lock(c);
        return;
    }
    spark_at = st_expected_edge(c) + st_rounded(st_delay_q8(st_next_interval(c)));
    c->s.missing++;
    st_seal(c);
    c->spark_due = true;
    st_coil_spark_at(c, st_later(spark_at, now), now);
}

void st_lose_lock(st_core *c)
{
    if (c->s.mode >= (uint8_t)ST_START) {
        st_count(c, ST_N_LOST);
    }
    c->lock_count = 0U;
    c->limiting = false;
    c->spark_due = false;
    c->s.missing = 0U;
    c->s.mode = (uint8_t)ST_STOPPED;
    st_seal(c);
    st_coil_release(c);
}

/* Oldest age at which a pulse still means anything: slowest believable interval, or a few turns. */
static uint32_t st_patience(const st_core *c)
{
    if (c->s.mode == (uint8_t)ST_RUN) {
        return (ST_CFG_BRIDGE_MOST + 4U) * c->s.period_ticks;
    }
    return 2U * ST_CFG_PERIOD_MAX_TICKS;
}

/* Standstill: the last edge is too old.  The magnet may be parked at the sensor. */
static void st_stand_still(st_core *c, st_ticks now, bool active)
{
    uint32_t const patience = st_patience(c);
    bool const old = ((now - c->s.edge_at) > patience) && ((now - c->lead_at) > patience);
    if (!old || (c->s.mode == (uint8_t)ST_WARM)) {
        return;
    }
    if (c->s.mode != (uint8_t)ST_STOPPED) {
        st_lose_lock(c);
    }
    if (!active && (c->phase != (uint8_t)ST_PH_LEAD)) {
        c->pending = false;
        st_watch_lead(c);
    }
    c->lead_at = now - (2U * ST_CFG_PERIOD_MAX_TICKS); /* keep old instants from wrapping round */
    c->s.edge_at = c->lead_at;
    st_seal(c);
}

void st_on_poll(st_core *c, st_ticks now, bool active)
{
    st_coil_check(c, now);
    st_stand_still(c, now, active);
    st_watch_overdue(c, now, active);
}
