/* Believing an edge: gate, captured edge, level that holds, storm bound.
 *
 * One capture unit and one alarm serve the whole sequence; `phase` says what is being waited for.
 * Nothing here waits: a capture or an alarm moves to the next phase and returns.
 */
#include "st_internal.h"

static void st_wait(st_core *c, st_phase phase, st_capture capture)
{
    c->phase = (uint8_t)phase;
    c->orders.capture = (uint8_t)capture;
    c->orders.capture_fresh = true;
    c->orders.alarm_on = false;
    c->orders.alarm_fresh = true;
}

static void st_wait_until(st_core *c, st_phase phase, st_capture capture, st_ticks deadline)
{
    st_wait(c, phase, capture);
    c->deadline_at = deadline;
    c->orders.alarm_on = true;
    c->orders.alarm_at = deadline;
}

static bool st_running(const st_core *c)
{
    return c->s.mode == (uint8_t)ST_RUN;
}

void st_watch_lead(st_core *c)
{
    if (st_running(c)) {
        st_wait_until(c, ST_PH_LEAD, ST_CAPTURE_LEAD, c->gate_close_at);
    } else {
        st_wait(c, ST_PH_LEAD, ST_CAPTURE_LEAD);
    }
}

/* Closed until the next lead edge can come: the gate when locked, else a fraction of the interval. */
static void st_watch_next(st_core *c)
{
    st_ticks open_at = c->lead_at + ST_CFG_PERIOD_MIN_TICKS;
    c->false_edges = 0U;
    st_coil_plan_ahead(c);
    if (st_running(c)) {
        st_ticks const expected = st_expected_edge(c);
        uint32_t const allowance = st_gate_allowance(st_next_interval(c), c->s.missing);
        c->gate_close_at = expected + allowance;
#if ST_CFG_GATE
        open_at = expected - allowance;
#else
        open_at = st_later(open_at, c->s.edge_at + (c->s.period_ticks >> 2));
#endif
    } else if (c->s.mode >= (uint8_t)ST_START) {
        open_at = st_later(open_at, c->lead_at + (c->s.period_ticks >> 2));
    }
    st_wait_until(c, ST_PH_CLOSED, ST_CAPTURE_MASKED, open_at);
}

static void st_watch_trail(st_core *c)
{
    if (st_running(c)) {
        st_wait_until(c, ST_PH_TRAIL, ST_CAPTURE_TRAIL,
                      c->lead_at + st_arc_longest(c->s.period_ticks) + ST_CFG_GUARD_TICKS);
    } else {
        st_wait(c, ST_PH_TRAIL, ST_CAPTURE_TRAIL);
    }
}

/* The level must hold through the confirmation time, and through the blanking time if that ends later:
 * blanking so never hides a true edge, it only asks for a longer look. */
static st_ticks st_hold_until(const st_core *c, st_ticks edge_at)
{
    st_ticks const confirmed = edge_at + ST_CFG_CONFIRM_TICKS;
    st_ticks const blank_end = c->switched_at + c->blank_ticks;
    return st_before(edge_at, blank_end) ? st_later(confirmed, blank_end) : confirmed;
}

static void st_count_false(st_core *c, st_ticks edge_at, st_counter plain)
{
    bool const blanked = st_before(edge_at, c->switched_at + c->blank_ticks);
    st_count(c, blanked ? ST_N_BLANKED : plain);
    c->false_edges++;
}

/* Too many false edges: look away for a while, so that a storm cannot eat the processor. */
static bool st_storm(st_core *c, st_ticks now)
{
    if (c->false_edges < ST_CFG_FALSE_EDGES_MOST) {
        return false;
    }
    c->false_edges = 0U;
    st_count(c, ST_N_STORM);
    st_wait_until(c, ST_PH_STORM, ST_CAPTURE_MASKED, now + ST_CFG_STORM_TICKS);
    return true;
}

static void st_reject_lead(st_core *c, st_ticks now)
{
    st_count_false(c, c->lead_at, ST_N_SHORT);
    if (!st_storm(c, now)) {
        st_watch_lead(c);
    }
}

static void st_reject_trail(st_core *c, st_ticks now)
{
    st_count_false(c, c->trail_at, ST_N_TRAIL_BOUNCE);
    if (!st_storm(c, now)) {
        st_watch_trail(c);
    }
}

void st_on_capture(st_core *c, st_ticks at, st_ticks now)
{
    switch ((st_phase)c->phase) {
    case ST_PH_LEAD:
        c->lead_at = at;
        st_wait_until(c, ST_PH_LEAD_HOLD, ST_CAPTURE_TRAIL, st_hold_until(c, at));
        break;
    case ST_PH_LEAD_HOLD:
        st_reject_lead(c, now);
        break;
    case ST_PH_TRAIL:
        c->trail_at = at;
        st_wait_until(c, ST_PH_TRAIL_HOLD, ST_CAPTURE_LEAD, st_hold_until(c, at));
        break;
    case ST_PH_TRAIL_HOLD:
        st_reject_trail(c, now);
        break;
    default: /* masked phases: a stray interrupt, nothing to believe */
        break;
    }
}

/* The lead edge has held.  Where the arc is checked, look away until the trail edge can come. */
static void st_lead_held(st_core *c, st_ticks now)
{
    if (!st_lead_believed(c, now)) {
        c->false_edges++;
        if (!st_storm(c, now)) {
            st_watch_lead(c);
        }
    } else if (!st_running(c)) {
        st_watch_trail(c);
    } else if (ST_CFG_ARC_CHECK) {
        st_wait_until(c, ST_PH_TRAIL_CLOSED, ST_CAPTURE_MASKED,
                      c->lead_at + st_arc_shortest(c->s.period_ticks));
    } else {
        c->pending = false;
        st_watch_next(c);
    }
}

static void st_trail_held(st_core *c, st_ticks now)
{
    st_trail_believed(c, now);
    st_watch_next(c);
}

static void st_doubt(st_core *c)
{
    st_pulse_doubted(c);
    st_watch_next(c);
}

static void st_hold_over(st_core *c, st_ticks now, bool active)
{
    bool const lead = c->phase == (uint8_t)ST_PH_LEAD_HOLD;
    st_ticks const until = st_hold_until(c, lead ? c->lead_at : c->trail_at);
    if (st_before(now, until)) { /* the coil switched meanwhile: hold through its blanking too */
        st_wait_until(c, (st_phase)c->phase, lead ? ST_CAPTURE_TRAIL : ST_CAPTURE_LEAD, until);
        return;
    }
    if (lead && active) {
        st_lead_held(c, now);
    } else if (lead) {
        st_reject_lead(c, now);
    } else if (active) {
        st_reject_trail(c, now);
    } else {
        st_trail_held(c, now);
    }
}

/* The storm's look-away is over: go on with what was being waited for. */
static void st_storm_over(st_core *c, st_ticks now)
{
    if (c->pending && st_running(c)) {
        st_doubt(c);
    } else if (c->pending) {
        st_watch_trail(c);
    } else if (st_running(c) && !st_before(now, c->gate_close_at)) {
        st_edge_missed(c, now);
        st_watch_next(c);
    } else {
        st_watch_lead(c);
    }
}

void st_on_alarm(st_core *c, st_ticks now, bool active)
{
    c->orders.alarm_on = false;
    switch ((st_phase)c->phase) {
    case ST_PH_CLOSED:
        st_watch_lead(c);
        break;
    case ST_PH_LEAD: /* the gate closes without an edge */
        st_edge_missed(c, now);
        if (st_running(c)) {
            st_watch_next(c);
        } else {
            st_watch_lead(c);
        }
        break;
    case ST_PH_LEAD_HOLD:
    case ST_PH_TRAIL_HOLD:
        st_hold_over(c, now, active);
        break;
    case ST_PH_TRAIL_CLOSED:
        if (active) {
            st_watch_trail(c);
        } else { /* the magnet has gone too soon */
            st_doubt(c);
        }
        break;
    case ST_PH_TRAIL: /* the magnet stays too long */
        st_doubt(c);
        break;
    case ST_PH_STORM:
        st_storm_over(c, now);
        break;
    default: /* cannot be: a flipped bit.  Start from standstill */
        st_lose_lock(c);
        st_watch_lead(c);
        break;
    }
}

/* An alarm that never came (an upset timer or phase) must not leave the line unwatched. */
void st_watch_overdue(st_core *c, st_ticks now, bool active)
{
    bool const watching = ((c->phase == (uint8_t)ST_PH_LEAD) || (c->phase == (uint8_t)ST_PH_TRAIL)) &&
                          !st_running(c);
    if (!watching && st_before(c->deadline_at + ST_CFG_OVERDUE_TICKS, now)) {
        st_on_alarm(c, now, active);
    }
}
