/* Which period stands for the speed during the delay.
 *
 * The interval T ends at the lead edge; its mean speed was the speed half a turn ago, and the spark
 * needs the speed in the middle of the delay that follows.  At steady acceleration the period there
 * is T + (T - T_before) * (1/2 + delay / 720 deg): the weight stands in the table beside each line.
 */
#include "st_internal.h"

#if ST_CFG_PREDICTOR != ST_PREDICT_LAST
/* newer - older, held within a quarter of newer: more is no trend but a fault.  On the same
 * stroke the older is not known at first: then there is none. */
static int32_t st_trend(uint32_t newer, uint32_t older)
{
    int32_t const most = (int32_t)(newer >> 2);
#if ST_CFG_PREDICTOR == ST_PREDICT_SAME_STROKE
    int32_t const change = (older != 0U) ? (int32_t)(newer - older) : 0;
#else
    int32_t const change = (int32_t)(newer - older);
#endif
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

uint32_t st_effective_period(const st_core *c)
{
    uint32_t const interval_ticks = c->s.period_ticks;
#if ST_CFG_PREDICTOR == ST_PREDICT_TREND
    return st_with_trend(interval_ticks, st_trend(interval_ticks, c->period_before_ticks),
                         c->weight_q8);
#elif ST_CFG_PREDICTOR == ST_PREDICT_SAME_STROKE
    /* Turns alternate: the turn that begins is like the one before the last. */
    return st_with_trend(c->period_before_ticks,
                         st_trend(interval_ticks, c->period_third_ticks),
                         c->weight_q8);
#else
    return interval_ticks;
#endif
}

uint32_t st_next_interval(const st_core *c)
{
#if ST_CFG_PREDICTOR == ST_PREDICT_TREND
    return st_with_trend(c->s.period_ticks,
                         st_trend(c->s.period_ticks, c->period_before_ticks), 256U);
#elif ST_CFG_PREDICTOR == ST_PREDICT_SAME_STROKE
    return st_with_trend(c->period_before_ticks,
                         st_trend(c->s.period_ticks, c->period_third_ticks), 256U);
#else
    return c->s.period_ticks;
#endif
}
