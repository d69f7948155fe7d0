/* Believing an edge: gate, captured edge, level that holds, storm bound.
 *
 * One capture unit and one alarm serve the whole sequence; `phase` says what is being waited for and
 * `seek` for which edge.  Nothing here waits: a capture or an alarm moves on to the next phase.
 */
#include "st_internal.h"

/* Wait in `phase`, for the edge sought or for none; no alarm yet.  Capture that is armed already stays
 * so: arming it again would drop an edge that came meanwhile. */
static void st_wait(st_core *c, st_phase phase, st_capture capture)
{
    c->phase = (uint8_t)phase;
    if (c->orders.capture != (uint8_t)capture) {
        c->orders.capture = (uint8_t)capture;
        c->orders.capture_fresh = true;
    }
    c->orders.alarm_on = false;
    c->orders.alarm_fresh = true;
}

static void st_until(st_core *c, st_ticks deadline)
{
    c->orders.alarm_at = deadline;
    c->orders.alarm_on = true;
}

static bool st_running(const st_core *c)
{
    return c->s.mode == (uint8_t)ST_RUN;
}

/* Look for the edge sought; when locked, until it cannot come any more. */
static void st_look(st_core *c)
{
    st_wait(c, ST_PH_LOOK, (st_capture)c->seek);
    if (st_running(c)) {
        st_until(c, c->close_at);
    }
}

ST_APART void st_watch_lead(st_core *c)
{
    c->seek = (uint8_t)ST_CAPTURE_LEAD;
    st_look(c);
}

/* Of the pulse before nothing is known any more: a trail edge waited for now would be another pulse's. */
ST_APART void st_start_over(st_core *c)
{
    st_lose_lock(c);
    c->pending = false;
    c->to_settle = 0U;
    st_watch_lead(c);
}

static void st_closed_until(st_core *c, st_phase phase, st_ticks open_at)
{
    st_wait(c, phase, ST_CAPTURE_MASKED);
    st_until(c, open_at);
}

/* Closed until the next lead edge can come: the gate when locked, else the shortest interval there is.
 * (Without a gate, a quarter of the interval: to see what the gate is worth.) */
static void st_watch_next(st_core *c)
{
    st_ticks open_at = c->edge_at[0] + ST_CFG_PERIOD_MIN_TICKS;
    c->false_edges = 0U;
    c->pending = false;
    c->seek = (uint8_t)ST_CAPTURE_LEAD;
    st_foresee(c);
    if (st_running(c)) {
        c->close_at = c->next_edge_at + c->next_within_ticks;
        open_at = ST_CFG_GATE ? (c->next_edge_at - c->next_within_ticks)
                              : (c->edge_at[0] + (c->s.period_ticks >> 2));
        c->to_settle |= ST_SETTLE_PLAN;
    }
    st_closed_until(c, ST_PH_CLOSED, open_at);
}

/* The lead edge is believed: now its trail edge; when locked, not before it can come. */
static void st_watch_trail(st_core *c)
{
    c->pending = true;
    c->seek = (uint8_t)ST_CAPTURE_TRAIL;
    if (!st_running(c)) {
        st_look(c);
    } else if (ST_CFG_ARC_CHECK) {
        st_foresee(c); /* the width that goes with the interval just ended, not with the one before */
        c->close_at = c->edge_at[0] + c->arc_to_ticks + ST_CFG_GUARD_TICKS;
        st_closed_until(c, ST_PH_CLOSED, c->edge_at[0] + c->arc_from_ticks);
    } else {
        c->to_settle |= ST_SETTLE_NEXT;
    }
}

static uint8_t st_index(const st_core *c)
{
    return (uint8_t)((c->seek == (uint8_t)ST_CAPTURE_TRAIL) ? 1U : 0U);
}

ST_APART static st_ticks st_blank_end(const st_core *c)
{
    return c->switched_at + (c->coil_on ? ST_CFG_BLANK_ON_TICKS : ST_CFG_BLANK_OFF_TICKS);
}

static bool st_blanked(const st_core *c)
{
    return st_before(c->edge_at[st_index(c)], st_blank_end(c));
}

/* The level must be there at the end of the confirmation time that begins with the capture at `from`,
 * or of the blanking time if that ends later: blanking so never hides a true edge, it only asks for a
 * longer look.  Capture stays armed: another such edge meanwhile begins the time anew. */
static void st_hold(st_core *c, st_ticks from)
{
    st_ticks const confirmed = from + ST_CFG_CONFIRM_TICKS;
    st_wait(c, ST_PH_HOLD, (st_capture)c->seek);
    st_until(c, st_blanked(c) ? st_later(confirmed, st_blank_end(c)) : confirmed);
}

/* Of two lead edges in quick succession one is a glitch's.  When locked, the one nearer to the place
 * expected is taken: it is never further from the truth than the true edge is from that place, twice.
 * Else the newer, which is later and so the safe one. */
static bool st_older_counts(const st_core *c, st_ticks older, st_ticks newer)
{
    return st_running(c) && (c->seek == (uint8_t)ST_CAPTURE_LEAD) &&
           ((newer - older) < ST_CFG_STORM_TICKS) &&
           !st_before(older + (newer - c->next_edge_at), c->next_edge_at);
}

/* One more false edge.  True when they are too many in quick succession: then capture is masked for
 * a while, so that a storm cannot eat the processor. */
static bool st_storm(st_core *c)
{
    c->false_edges++;
    if (c->false_edges < ST_CFG_FALSE_EDGES_MOST) {
        return false;
    }
    c->false_edges = 0U;
    st_count(c, ST_N_STORM);
    st_closed_until(c, ST_PH_STORM, c->now + ST_CFG_STORM_TICKS);
    return true;
}

static void st_reject(st_core *c)
{
    if (!st_storm(c)) {
        st_look(c);
    }
}

static void st_count_level(st_core *c)
{
    st_counter const plain = (c->seek == (uint8_t)ST_CAPTURE_LEAD) ? ST_N_SHORT : ST_N_TRAIL_BOUNCE;
    st_count(c, st_blanked(c) ? ST_N_BLANKED : plain);
}

void st_on_capture(st_core *c, st_ticks at, st_ticks now)
{
    st_ticks *const edge_at = &c->edge_at[st_index(c)];
    bool const held = c->phase == (uint8_t)ST_PH_HOLD;
    c->now = now;
    if (!held && (c->phase != (uint8_t)ST_PH_LOOK)) {
        return; /* masked: a stray interrupt, nothing to believe */
    }
    if (held) { /* the level has gone and come again */
        st_count_level(c);
        if (st_storm(c)) {
            return;
        }
    } else if ((at - *edge_at) > ST_CFG_STORM_TICKS) {
        c->false_edges = 0U; /* far from the last: no storm */
    }
    if (!st_older_counts(c, *edge_at, at)) {
        *edge_at = at;
    }
    st_hold(c, at);
}


static void st_held(st_core *c, bool active)
{
    bool const lead = c->seek == (uint8_t)ST_CAPTURE_LEAD;
    if (st_blanked(c) && st_before(c->now, st_blank_end(c))) {
        st_hold(c, c->now); /* the coil switched meanwhile: hold through its blanking too */
        return;
    }
    if (active != lead) {
        st_count_level(c);
        st_reject(c);
        return;
    }
    if (!lead) {
        st_trail_believed(c);
        c->to_settle |= ST_SETTLE_NEXT;
        return;
    }
    if (st_lead_believed(c)) {
        c->to_settle |= ST_SETTLE_TRAIL;
    } else {
        st_reject(c);
    }
}

/* The time is over in which the edge sought can come. */
static void st_closed(st_core *c)
{
    if (c->pending) { /* the magnet stays too long, or has gone too soon */
        st_pulse_doubted(c);
    } else {
        st_edge_missed(c);
    }
    if (st_running(c)) {
        c->to_settle |= ST_SETTLE_NEXT;
    } else {
        c->pending = false;
        st_watch_lead(c);
    }
}

void st_settle(st_core *c)
{
    if ((c->to_settle != 0U) && !st_seal_ok(c)) {
        st_start_over(c); /* a flipped bit must not send the next gate into the far future */
    }
    if ((c->to_settle & ST_SETTLE_TRAIL) != 0U) {
        st_watch_trail(c);
    }
    if ((c->to_settle & ST_SETTLE_NEXT) != 0U) {
        st_watch_next(c);
    }
    if ((c->to_settle & ST_SETTLE_PLAN) != 0U) {
        st_coil_plan_ahead(c);
    }
    c->to_settle = 0U;
}

/* The magnet has gone and its trail edge was not seen: it passed while capture was being armed, or the
 * alarm was served late.  Only a slow chip near its greatest speed comes to that. */
static bool st_passed_unseen(const st_core *c)
{
    uint32_t const spread = c->arc_to_ticks - c->arc_from_ticks;
    return (c->phase == (uint8_t)ST_PH_LOOK) ||
           st_before(c->edge_at[0] + c->arc_from_ticks + (spread >> 2), c->now);
}

void st_on_alarm(st_core *c, st_ticks now, bool active)
{
    bool const trail = c->seek == (uint8_t)ST_CAPTURE_TRAIL;
    bool const gone = trail && st_running(c) && !active;
    c->now = now;
    c->orders.alarm_on = false;
    if (c->phase == (uint8_t)ST_PH_HOLD) {
        st_held(c, active);
    } else if (gone && !c->early && st_passed_unseen(c)) {
        c->to_settle |= ST_SETTLE_NEXT; /* the pulse is let go unjudged, since it came when it should */
    } else if ((c->phase == (uint8_t)ST_PH_LOOK) || gone ||
               (st_running(c) && !st_before(now, c->close_at))) {
        st_closed(c);
    } else {
        st_look(c);
    }
}

/* An alarm that never came, or lies further ahead than any can (an upset timer or phase), must not
 * leave the line unwatched. */
void st_watch_overdue(st_core *c, bool active)
{
    bool const free = (c->phase == (uint8_t)ST_PH_LOOK) && !st_running(c) &&
                      (c->orders.capture != (uint8_t)ST_CAPTURE_MASKED);
    uint32_t const ahead = (c->orders.alarm_at + ST_CFG_OVERDUE_TICKS) - c->now;
    uint32_t const most = st_running(c) ? ((ST_CFG_BRIDGE_MOST + 3U) * c->s.period_ticks)
                                        : ST_CFG_PERIOD_MIN_TICKS;
    if (!free && (ahead > (ST_CFG_OVERDUE_TICKS + most))) {
        st_on_alarm(c, c->now, active);
    }
}
