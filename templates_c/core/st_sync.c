/* What believed edges mean: speed, lock, sparks. */
#include "st_internal.h"
#include "st_port_flash.h"

ST_APART static void st_mode_to(st_core *c, st_mode mode)
{
    c->s.mode = (uint8_t)mode;
    st_seal(c);
}

static void st_push_interval(st_core *c, uint32_t interval)
{
    uint32_t const last = c->s.period_ticks;
    c->period_before_ticks = (last != 0U) ? last : interval; /* the first one differs from none */
    c->s.period_ticks = interval;
}

ST_APART static void st_take_edge(st_core *c)
{
    c->s.edge_at = c->edge_at[0];
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

#if ST_CFG_TWO_COILS
/* The phase sensor says whose pulse it is.  The cylinders take turns: two pulses of one cylinder tell of
 * a pulse lost or too many, or of a dead sensor, and a spark in the wrong cylinder is worse than none. */
static void st_tell_cylinders(st_core *c)
{
    uint16_t const second = c->second_there ? 1U : 0U;
    if ((c->s.mode > (uint8_t)ST_WARM) && (second == c->s.second)) {
        st_count(c, ST_N_ARC);
        st_lose_lock(c);
        c->s.mode = (uint8_t)ST_STOPPED;
    }
    c->s.second = second;
    st_seal(c);
}
#endif

/* Time a spark from its lead edge, seen or foreseen, and the period that stands for the speed. */
static void st_spark_from(st_core *c, st_ticks edge_at, uint32_t period)
{
    st_ticks spark_at = edge_at + st_rounded(st_delay_q8(period));
#if ST_CFG_ARC_TIMING
    if (c->spark_due && (c->coil_off_at == (spark_at + (ST_CFG_SPARK_ON_RISE ? st_dwell(c) : 0U)))) {
        return; /* ordered already: an instant that is near would only be moved by arming it again */
    }
#endif
    if (st_before(spark_at, c->now)) {
        st_count(c, ST_N_LATE);
        spark_at = c->now;
    }
    c->spark_due = true;
    st_coil_spark_at(c, spark_at);
}

static bool st_consistent(const st_core *c, uint32_t interval)
{
    return st_apart(c, interval) <= st_scale_q16(c->s.period_ticks, ST_CFG_LOCK_TOLERANCE_Q16);
}

/* Locked, or about to be.  An early edge may be a false pulse's, and nothing but its width will tell:
 * until the trail edge its spark comes no sooner than where one was foreseen, and it makes no lock.  A
 * crank that really jerks has one spark a little late. */
static void st_run_lead(st_core *c, uint32_t interval)
{
    c->early = st_before(c->edge_at[0], c->soonest_at);
    if (c->early) {
        if (!c->lock_before) {
            c->lock_count = 0U;
            return;
        }
        st_spark_from(c, c->soonest_at, c->s.period_ticks);
    }
    st_push_interval(c, interval);
    st_take_edge(c);
    if (interval > ST_CFG_START_LEAVE_TICKS) {
        st_mode_to(c, ST_START); /* too slow to time from the turn before */
        return;
    }
    st_mode_to(c, ST_RUN);
    st_limit_speed(c, interval);
#if ST_CFG_PREDICTOR == ST_PREDICT_SAME_STROKE
    if (!c->lock_before) {
        c->like_q4[2] = 0; /* what is left in the other two has to be agreed with first */
        c->like_q4[3] = 0;
    }
#endif
    if (!c->lock_before) {
        c->period_before_ticks = interval; /* what the start sped up by does not go on */
    }
    if (!c->early) {
        st_spark_from(c, c->edge_at[0], st_effective_period(c));
    }
}

/* Up to half above the starting speed compression may all but stop a crank that was fast a turn
 * ago: there lock takes one more pulse, and until then each sparks from itself. */
static bool st_near_start(uint32_t interval)
{
    return interval > (ST_CFG_START_PERIOD_TICKS - (ST_CFG_START_PERIOD_TICKS / 3U));
}

static void st_locking_lead(st_core *c, uint32_t interval)
{
    if ((interval <= ST_CFG_START_PERIOD_TICKS) && st_consistent(c, interval)) {
        c->lock_count++;
        if (c->lock_count >= (ST_CFG_LOCK_INTERVALS + (st_near_start(interval) ? 1U : 0U))) {
            st_run_lead(c, interval);
        }
    } else {
        c->lock_count = 0U;
    }
}

/* Driven starters only: the charge may begin before the trail edge that ends it. */
static void st_start_lead(st_core *c)
{
#if ST_CFG_START_CHARGE_EARLY
    uint32_t const width = c->width_ticks;
    uint32_t const delay = st_rounded(st_start_delay_q8(width));
    if (width != 0U) {
        st_coil_start_charge_at(c, c->edge_at[0] + width + delay - st_dwell(c));
    }
#else
    (void)c;
#endif
}

/* Interval from the last believed edge to the one under judgement, a turn's share if some are missing. */
static uint32_t st_interval(const st_core *c)
{
    uint32_t const since = c->edge_at[0] - c->s.edge_at;
    uint8_t const missing = c->s.missing;
#if ST_CFG_BRIDGE_MOST <= 1
    return (missing == 0U) ? since : (since >> 1);
#else
    static const uint16_t share_q16[4] ST_FLASH = {32768U, 21845U, 16384U, 13107U}; /* 1/2 .. 1/5 */
    return (missing == 0U) ? since : st_scale_q16(since, ST_FLASH_U16(&share_q16[(missing - 1U) & 3U]));
#endif
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

bool st_lead_believed(st_core *c)
{
    uint32_t interval;
    if (!st_seal_ok(c)) {
        st_lose_lock(c);
    }
    c->edge_before_at = c->s.edge_at;
    c->missing_before = c->s.missing;
    c->lock_before = c->s.mode == (uint8_t)ST_RUN;
    c->early = false;
    interval = st_interval(c);
    if (!st_interval_believable(c, interval)) {
        return false;
    }
#if ST_CFG_TWO_COILS
    st_tell_cylinders(c);
#endif
    c->interval_ticks = (c->s.mode > (uint8_t)ST_WARM) ? interval : 0U; /* 0: none to speak of */
    switch ((st_mode)c->s.mode) {
    case ST_RUN:
        st_run_lead(c, interval);
        break;
    case ST_LOCKING:
        st_locking_lead(c, interval);
        break;
    case ST_START:
        st_start_lead(c);
        break;
    default: /* the trail edge decides */
        break;
    }
    return true;
}

/* The same pulse gives the speed and the spark; slower than the floor there is none.  Nor after a turn
 * so slow that the crank may have stopped within the magnet, on the compression, and swung back out. */
static void st_spark_from_trail(st_core *c, uint32_t width)
{
    st_ticks delay;
    if ((width > ST_CFG_START_WIDTH_MAX_TICKS) ||
        (c->interval_ticks > ST_CFG_START_INTERVAL_MAX_TICKS)) {
        return;
    }
    delay = st_rounded(st_start_delay_q8(width));
#if !ST_CFG_START_CHARGE_EARLY
    if (delay < (st_dwell(c) + ST_CFG_GUARD_TICKS)) {
        delay = st_dwell(c) + ST_CFG_GUARD_TICKS; /* no charge before the trail edge */
    }
#endif
    c->spark_due = true;
    st_coil_spark_at(c, c->edge_at[1] + delay);
}

/* A pulse before lock: slow ones spark from themselves, fast ones lead to lock, some do both. */
static void st_start_pulse(st_core *c, uint32_t width)
{
    uint32_t const interval = c->interval_ticks;
    bool const slow = interval > ST_CFG_START_PERIOD_TICKS;
    st_mode const mode = (st_mode)c->s.mode;
    if (slow || (mode != ST_LOCKING)) {
        c->lock_count = (uint8_t)(slow ? 0U : 1U);
    }
    st_push_interval(c, interval);
    c->apart_before_ticks = 0U;
    st_take_edge(c);
    st_mode_to(c, slow ? ST_START : ST_LOCKING);
    if (st_near_start(interval) || (mode == ST_START)) {
        st_spark_from_trail(c, width);
    }
}

static void st_warm_pulse(st_core *c)
{
    bool agrees;
    c->period_before_ticks = c->s.period_ticks; /* a trend from before would miss the edge, for ever */
    st_foresee(c); /* the arc that goes with the kept period */
    agrees = st_arc_agrees(c);
    st_take_edge(c);
    if (agrees) {
        st_count(c, ST_N_WARM);
    }
    st_mode_to(c, agrees ? ST_RUN : ST_FIRST);
}

/* No interval before it counts: part of one that is out of date would keep the line closed for ever. */
static void st_first_pulse(st_core *c)
{
    st_take_edge(c);
    c->s.period_ticks = 0U;
    c->lock_count = 0U;
    st_mode_to(c, ST_FIRST);
}

#if ST_CFG_PREDICTOR == ST_PREDICT_SAME_STROKE
/* By how much the pulse was off what was foreseen, and the one before ([0], [1]); what of that the
 * pulses two before them were off as well ([2], [3]).  Two of the same stroke must agree, and the
 * smaller counts: a single turn that is off, by a misfire, a jerk or noise, moves no later spark. */
ST_APART static void st_note_lag(st_core *c, int16_t off)
{
    int16_t const like = c->like_q4[1];
    int16_t lag = 0;
    if ((off ^ like) >= 0) {
        lag = ((off < like) == (off < 0)) ? like : off;
    }
    c->like_q4[1] = c->like_q4[0];
    c->like_q4[0] = off;
    c->like_q4[3] = c->like_q4[2];
    c->like_q4[2] = lag;
}
#endif

/* The spark of a pulse that is believed by now.  An early one's need not wait any more, but for a charge
 * that has not begun. */
static void st_time_again(st_core *c, uint32_t period)
{
    st_ticks spark_at;
    if (!c->spark_due) {
        return;
    }
    if (!c->early) {
        st_spark_from(c, c->edge_at[0], period);
        return;
    }
    spark_at = st_later(c->edge_at[0] + st_rounded(st_delay_q8(period)),
                        c->coil_on ? c->now : (c->now + st_dwell(c)));
    if (st_before(spark_at, c->coil_off_at)) {
        st_coil_spark_at(c, spark_at);
    }
}

/* The magnet's own passage tells the speed just before the spark.  By how much its period is off the
 * foreseen one is noted for the predictor; what is less than about 1/512 is taken for counting in
 * ticks and for an arc not known exactly, what is more than half the gate for an edge that noise moved.
 * A spark that is still to come is timed anew. */
ST_APART static void st_own_speed(st_core *c, uint32_t width)
{
#if ST_CFG_ARC_TIMING || (ST_CFG_PREDICTOR == ST_PREDICT_SAME_STROKE)
    uint32_t const foreseen = st_carried_period(c);
    uint32_t const arc = width - (uint32_t)(ST_CFG_WIDTH_LONGER_TICKS);
    uint32_t period = st_scale_q16(arc << 8, ST_CFG_ARC_PERIOD_Q8);
    uint16_t const least = (uint16_t)(foreseen >> 13);
    uint16_t off = (uint16_t)((period - foreseen) >> 4);
    uint16_t const most = (uint16_t)(c->next_within_ticks >> 5); /* half the gate */
    uint16_t const size = (uint16_t)(((off & 0x8000U) != 0U) ? (0U - off) : off);
    if ((size <= least) || (size > most)) {
        off = 0U;
        period = foreseen;
    }
#if ST_CFG_PREDICTOR == ST_PREDICT_SAME_STROKE
    st_note_lag(c, (int16_t)off);
#endif
#if ST_CFG_ARC_TIMING
    st_time_again(c, period);
#else
    (void)period;
#endif
#else
    (void)width;
#endif
#if !ST_CFG_ARC_TIMING
    if (c->early) {
        st_time_again(c, st_effective_period(c));
    }
#endif
}

/* No crank doubles its speed within a turn but by its first burn, and then one spark less does no harm:
 * a pulse not half as wide as the last is a bolt head's or a stray field's. */
static bool st_wide_enough(const st_core *c, uint32_t width)
{
    return width >= (c->width_ticks >> 1);
}

void st_trail_believed(st_core *c)
{
    uint32_t const width = c->edge_at[1] - c->edge_at[0];
    st_mode const mode = (st_mode)c->s.mode;

    if (mode == ST_STOPPED) {
        st_first_pulse(c);
    } else if (mode == ST_WARM) {
        st_warm_pulse(c);
    } else if (st_arc_agrees(c) && st_wide_enough(c, width)) {
        if (mode != ST_RUN) {
            st_start_pulse(c, width);
        } else {
            st_own_speed(c, width);
        }
    } else if (mode == ST_RUN) {
        st_pulse_doubted(c);
        return;
    } else {
        st_count(c, ST_N_ARC);
        st_coil_release(c);
        st_first_pulse(c);
    }
    c->width_ticks = width;
    c->doubted = 0U;
    st_count(c, ST_N_PULSE);
}

/* Not a true pulse after all.  If its spark is still to come, it is as if the edge had not come: the true
 * one may still, and what was ordered is taken back, or put off where the coil is charging already.  Else
 * this turn has had its spark.  A second one in succession tells that the period is wrong. */
void st_pulse_doubted(st_core *c)
{
    bool const due = c->spark_due && !(ST_CFG_SPARK_ON_RISE && c->coil_on);
    st_count(c, ST_N_ARC);
    c->s.edge_at = c->edge_before_at;
    c->s.period_ticks = c->period_before_ticks;
    c->s.missing = c->missing_before;
    if (due) {
#if ST_CFG_TWO_COILS
        c->s.second ^= 1U;
#endif
        c->spark_due = false;
        st_coil_release(c);
    } else {
        c->s.missing++;
    }
    st_seal(c);
    c->doubted++;
    if (!c->lock_before || (c->doubted > 1U) || (c->s.missing > ST_CFG_BRIDGE_MOST)) {
        st_lose_lock(c);
    }
}

/* No edge in the gate.  At speed, go on by prediction for a few turns; but not again after a single
 * edge: a period one and a half times too long would find every third edge so, for ever. */
void st_edge_missed(st_core *c)
{
    st_ticks edge_at;
    if (c->s.mode != (uint8_t)ST_RUN) {
        return;
    }
    st_count(c, ST_N_MISSING);
    if (((c->s.missing + 1U) > ST_CFG_BRIDGE_MOST) ||
        (c->missing_before != 0U) || !c->lock_before ||
        (c->s.period_ticks > ST_CFG_BRIDGE_PERIOD_TICKS)) {
        st_lose_lock(c);
        return;
    }
    st_foresee(c);
    edge_at = c->next_edge_at;
    c->s.missing++;
#if ST_CFG_TWO_COILS
    c->s.second ^= 1U;
#endif
    st_seal(c);
    st_spark_from(c, edge_at, st_next_interval(c));
}

/* At speed the period is kept, as through a reset: one pulse that agrees with it resumes timing.  Not
 * without a last edge just where that period said: a wrong one would be kept for ever.  Slower, a crank that
 * stalls and rocks at the magnet could seem to agree. */
void st_lose_lock(st_core *c)
{
    bool const again = ST_CFG_WARM_RESTART && (c->s.mode == (uint8_t)ST_RUN) && c->lock_before &&
                       (c->missing_before == 0U) && (c->s.period_ticks <= ST_CFG_BRIDGE_PERIOD_TICKS);
    if (c->s.mode >= (uint8_t)ST_START) {
        st_count(c, ST_N_LOST);
    }
    c->lock_count = 0U;
    c->doubted = 0U;
    c->limiting = false;
    c->spark_due = false;
    c->orders.capture_fresh = true; /* whatever the port's copy has come to */
    c->s.missing = 0U;
    c->s.mode = (uint8_t)(again ? ST_WARM : ST_STOPPED);
    st_seal(c);
    st_coil_release(c);
}

/* Standstill: no edge for longer than the slowest believable interval.  The magnet may be parked at
 * the sensor.  Instants that age are moved up, so that they never seem to lie ahead. */
static void st_stand_still(st_core *c, bool active)
{
    if (((c->now - c->edge_at[0]) <= (2U * ST_CFG_PERIOD_MAX_TICKS)) || c->coil_on) {
        return;
    }
    if (c->s.mode != (uint8_t)ST_STOPPED) {
        st_lose_lock(c);
    }
    if (!active && ((c->phase != (uint8_t)ST_PH_LOOK) || c->pending)) {
        c->pending = false;
        st_watch_lead(c);
    }
    c->edge_at[0] = c->now - (2U * ST_CFG_PERIOD_MAX_TICKS);
    c->switched_at = c->edge_at[0];
}

/* What no sequence of events leaves behind is an upset's work: a broken seal, and a switching that lies
 * ahead, before which no charge would begin and no edge be believed. */
static void st_mend(st_core *c)
{
    if (!st_seal_ok(c)) {
        st_start_over(c);
    }
    if (st_before(c->now, c->switched_at)) {
        c->switched_at = c->now;
    }
}

ST_APART void st_on_poll(st_core *c, st_ticks now, bool active)
{
    c->now = now;
    st_mend(c);
    st_stand_still(c, active);
    st_watch_overdue(c, active);
}

void st_count(st_core *c, st_counter which)
{
    if (c->count[which] != UINT16_MAX) {
        c->count[which]++;
    }
}
