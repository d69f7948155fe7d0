/* Which period stands for the speed during the delay.
 *
 * The interval T ends at the lead edge; its mean speed was the speed half a turn ago, and the spark
 * needs the speed in the middle of the delay that follows.  At steady acceleration the period there
 * is T + (T - T_before) * (1/2 + delay / 720 deg): the weight stands in the table beside each line.
 *
 * An engine slows into every compression, so even a steady one is not at its mean speed there.  By
 * how much, the magnet tells too late: but the pulse before the last was on the same stroke, so what
 * was foreseen (with the weight 9/16, near enough) is corrected by what was wrong there.
 */
#include "st_internal.h"

#if ST_CFG_PREDICTOR == ST_PREDICT_TREND
/* Newer less older interval, held within a quarter of newer: more is no trend but a fault, and so is an
 * early edge's. */
ST_APART static int32_t st_trend(const st_core *c)
{
    uint32_t const newer = c->s.period_ticks;
    int32_t const most = c->early ? 0 : (int32_t)(newer >> 2);
    int32_t const change = (int32_t)(newer - c->period_before_ticks);
    if (change > most) {
        return most;
    }
    return (change < -most) ? -most : change;
}

static uint32_t st_with_trend(uint32_t interval, int32_t trend, uint16_t weight_q8)
{
    int32_t const correction = st_floor_q8(trend * (int32_t)weight_q8);
    return (uint32_t)((int32_t)interval + correction);
}
#endif

uint32_t st_carried_period(const st_core *c)
{
    uint32_t const interval_ticks = c->s.period_ticks;
#if ST_CFG_PREDICTOR == ST_PREDICT_TREND
    return st_with_trend(interval_ticks, st_trend(c), c->weight_q8);
#elif ST_CFG_PREDICTOR == ST_PREDICT_SAME_STROKE
    /* A turn that gains more than an eighth was thrown by a start or a first burn: the next is not. */
    uint32_t const most = interval_ticks + (interval_ticks >> 3);
    uint32_t const before = (c->period_before_ticks > most) ? most : c->period_before_ticks;
    return ((25U * interval_ticks) - (9U * before)) >> 4;
#else
    return interval_ticks;
#endif
}

uint32_t st_effective_period(const st_core *c)
{
#if ST_CFG_PREDICTOR == ST_PREDICT_SAME_STROKE
    return st_carried_period(c) + (uint32_t)((int32_t)c->like_q4[3] * 16);
#else
    return st_carried_period(c);
#endif
}

uint32_t st_next_interval(const st_core *c)
{
#if ST_CFG_PREDICTOR == ST_PREDICT_TREND
    return st_with_trend(c->s.period_ticks, st_trend(c), 256U);
#else
    return c->s.period_ticks;
#endif
}
