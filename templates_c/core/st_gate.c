/* Where the next edges can be: the gate around the expected lead edge, the arc's pulse width. */
#include "st_internal.h"

/* How far the next edge may lie from its expected place, ticks.
 *
 * Acceleration a changes an interval T by the fraction a T^2 / 60 (T in s, a in rpm/s); the plan
 * holds that factor for u = T >> shift, plus a floor for the magnet's and the prediction's spread.
 */
uint32_t st_gate_allowance(uint32_t interval_ticks, uint8_t missing)
{
    uint32_t const u = (interval_ticks >> ST_CFG_GATE_SHIFT) + 1U;
    uint32_t const capped = (u > 255U) ? 255U : u;
    uint32_t part_q8 = ST_CFG_GATE_FLOOR_Q8 + ((capped * capped * ST_CFG_GATE_ACCEL_Q16) >> 16);
    part_q8 *= (uint32_t)missing + 1U;
    if (part_q8 > ST_CFG_GATE_MOST_Q8) {
        part_q8 = ST_CFG_GATE_MOST_Q8;
    }
    return st_scale_q8(interval_ticks, (uint16_t)part_q8) + 1U;
}

st_ticks st_expected_edge(const st_core *c)
{
    uint32_t const interval = st_next_interval(c);
    return c->s.edge_at + (interval * ((uint32_t)c->s.missing + 1U));
}

static uint32_t st_arc_ticks(uint32_t interval_ticks)
{
    return st_scale_q16(interval_ticks, ST_CFG_ARC_Q16);
}

uint32_t st_arc_shortest(uint32_t interval_ticks)
{
    return st_scale_q8(st_arc_ticks(interval_ticks), ST_CFG_ARC_SHORTEST_Q8);
}

uint32_t st_arc_longest(uint32_t interval_ticks)
{
    return st_scale_q8(st_arc_ticks(interval_ticks), ST_CFG_ARC_LONGEST_Q8);
}

/* Locked: the plan's narrow tolerance.  Else a third to four times, for a crank that slows or jerks. */
bool st_arc_agrees(uint32_t width_ticks, uint32_t interval_ticks, bool running)
{
    uint32_t const arc = st_arc_ticks(interval_ticks);
    if (running) {
        return (width_ticks >= st_arc_shortest(interval_ticks)) &&
               (width_ticks <= st_arc_longest(interval_ticks));
    }
    return (width_ticks >= (arc / 4U)) && (width_ticks <= (arc * 4U));
}
