/* Where the next edges can be: the gate around the expected lead edge, the arc's pulse width. */
#include "st_internal.h"

uint32_t st_scale_q16(uint32_t value, uint16_t fraction_q16)
{
    uint32_t const low = (value & 0xFFFFU) * (uint32_t)fraction_q16;
    return ((value >> 16) * fraction_q16) + (low >> 16);
}

/* How far the next edge may lie from its expected place, ticks.
 *
 * Acceleration a changes an interval T by the fraction a T^2 / 60 (T in s, a in rpm/s).  The plan
 * puts that fraction, at the slow end of each line of the delay table, and a floor for the spread of
 * magnet and prediction, into the table.
 */
uint32_t st_gate_allowance(const st_core *c)
{
    uint32_t const interval = c->s.period_ticks;
    return st_scale_q16(interval, st_gate_q16(interval)) * ((uint32_t)c->s.missing + 1U);
}

st_ticks st_expected_edge(const st_core *c)
{
    uint32_t const interval = st_next_interval(c);
    return c->s.edge_at + (interval * ((uint32_t)c->s.missing + 1U));
}

/* Locked: the plan's narrow tolerance.  Else a wide one, for a crank that slows or jerks. */
bool st_arc_agrees(const st_core *c, uint32_t interval_ticks)
{
    uint32_t const width = c->edge_at[1] - c->edge_at[0];
    bool const running = (c->s.mode == (uint8_t)ST_RUN) || (c->s.mode == (uint8_t)ST_WARM);
    uint16_t const shortest = running ? ST_CFG_ARC_SHORTEST_Q16 : ST_CFG_ARC_LOOSE_SHORTEST_Q16;
    uint16_t const longest = running ? ST_CFG_ARC_LONGEST_Q16 : ST_CFG_ARC_LOOSE_LONGEST_Q16;
    return (width >= st_scale_q16(interval_ticks, shortest)) &&
           (width <= st_scale_q16(interval_ticks, longest));
}
