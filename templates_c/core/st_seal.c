/* A check over the state that can cause a spark, verified before every charge.
 *
 * Fletcher's sum with a start value, so that neither all zeros nor all ones passes.
 */
#include <stddef.h>

#include "st_internal.h"

static uint16_t st_sum(const uint8_t *bytes, uint8_t count)
{
    uint8_t a = 0x5AU;
    uint8_t b = 0xC3U;
    uint8_t i;
    for (i = 0U; i < count; i++) {
        a = (uint8_t)(a + bytes[i]);
        b = (uint8_t)(b + a);
    }
    return (uint16_t)(((uint16_t)b << 8) | a);
}

void st_seal(st_core *c)
{
    c->seal = st_sum((const uint8_t *)&c->s, (uint8_t)sizeof c->s);
}

bool st_seal_ok(const st_core *c)
{
    return c->seal == st_sum((const uint8_t *)&c->s, (uint8_t)sizeof c->s);
}

static uint16_t st_kept_check(const st_retained *kept)
{
    return st_sum((const uint8_t *)kept, (uint8_t)offsetof(st_retained, check));
}

void st_keep(const st_core *c, st_retained *kept)
{
    kept->period_ticks = (c->s.mode == (uint8_t)ST_RUN) ? c->s.period_ticks : 0U;
    kept->check = st_kept_check(kept);
}

static void st_from_standstill(st_core *c, st_ticks now)
{
    uint8_t *const bytes = (uint8_t *)c;
    uint8_t i;
    for (i = 0U; i < (uint8_t)sizeof *c; i++) {
        bytes[i] = 0U;
    }
    c->now = now;
    c->edge_at[0] = now;
    c->switched_at = now - ST_CFG_OFF_MIN_TICKS;
    c->blank_end_at = now;
    c->orders.coil_fresh = true;
}

static void st_warm(st_core *c, uint32_t period)
{
    c->s.mode = (uint8_t)ST_WARM;
    c->s.period_ticks = period;
    c->s.period_before_ticks = period;
    c->s.period_third_ticks = period;
}

void st_init(st_core *c, st_ticks now, st_retained *kept, bool power_on)
{
    uint32_t const period = kept->period_ticks;
    st_from_standstill(c, now);
    if (power_on || (kept->check != st_kept_check(kept))) {
        kept->resets = 0U;
    } else {
        kept->resets++;
        if (ST_CFG_WARM_RESTART && (period >= ST_CFG_PERIOD_MIN_TICKS) &&
            (period <= ST_CFG_START_PERIOD_TICKS)) {
            st_warm(c, period);
        }
    }
    c->count[ST_N_RESET] = kept->resets;
    st_seal(c);
    st_keep(c, kept);
    st_watch_lead(c);
}
