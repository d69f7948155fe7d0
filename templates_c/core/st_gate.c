/* Where the next edges can be: the gate around the expected lead edge, the arc's pulse width. */
#include "st_internal.h"

ST_APART uint32_t st_scale_q16(uint32_t value, uint16_t fraction_q16)
{
    uint32_t const high = (uint32_t)(uint16_t)(value >> 16) * fraction_q16;
    uint32_t const low = (uint32_t)(uint16_t)value * fraction_q16;
    return high + (low >> 16);
}

/* By how much an interval differs from the last. */
ST_APART uint32_t st_apart(const st_core *c, uint32_t interval)
{
    uint32_t const period = c->s.period_ticks;
    return (interval > period) ? (interval - period) : (period - interval);
}

/* Where the next lead edge will be and how far from there it may come; how wide its pulse may be.
 *
 * Acceleration a changes an interval T by the fraction a T^2 / 60 (T in s, a in rpm/s).  The plan
 * puts that fraction, at the slow end of each line of the delay table, and a floor for the spread of
 * magnet and prediction, into the table.  Each missing edge adds as much again.
 *
 * Much less than that gate is what the crank has just shown: the next interval changes by no more than
 * the last two differ, strokes that take turns included.  An edge sooner than that, with a little to
 * spare, is early; its pulse must be no wider than the speed that it claims.
 */
void st_foresee(st_core *c)
{
    uint32_t const interval = c->s.period_ticks;
    uint32_t const arc = st_scale_q16(interval, ST_CFG_ARC_Q16);
    uint32_t const slack = (arc >> 3) * ST_CFG_ARC_SLACK_EIGHTHS;
    st_line_notes notes;
    uint32_t next;
    uint32_t within;
    uint32_t apart;
    uint8_t missing;
    if (c->foreseen) {
        return;
    }
    c->foreseen = true;
    next = st_next_interval(c);
    notes = st_notes(interval);
    within = st_scale_q16(interval, notes.gate_q16);
    c->weight_q8 = notes.weight_q8;
    c->arc_from_ticks = arc - slack;
    c->arc_to_ticks = arc + (c->early ? (slack >> 1) : slack);
    c->next_edge_at = c->s.edge_at + next;
    c->next_within_ticks = within;
    for (missing = c->s.missing & 7U; missing != 0U; missing--) {
        c->next_edge_at += next;
        c->next_within_ticks += within;
    }
    apart = c->apart_before_ticks;
    c->apart_before_ticks = st_apart(c, c->period_before_ticks);
    if (apart < c->apart_before_ticks) {
        apart = c->apart_before_ticks;
    }
#if ST_CFG_PREDICTOR == ST_PREDICT_TREND
    if (c->early) {
        c->next_within_ticks += apart; /* the trend is not followed yet: it may be a true one */
    }
#endif
    c->soonest_at = c->next_edge_at + (interval - next) - apart - st_scale_q16(interval, ST_CFG_EARLY_Q16);
}

/* Locked: as foreseen.  Else from a quarter to two and a half times its arc, for a crank that slows or
 * jerks. */
bool st_arc_agrees(const st_core *c)
{
    uint32_t from = c->arc_from_ticks;
    uint32_t over = c->arc_to_ticks - from;
    if ((c->s.mode != (uint8_t)ST_RUN) && (c->s.mode != (uint8_t)ST_WARM)) {
        uint32_t const arc = st_scale_q16(c->interval_ticks, ST_CFG_ARC_Q16);
        from = arc >> 2;
        over = (arc << 1) + from;
    }
    return ((c->edge_at[1] - c->edge_at[0]) - from) <= over;
}
