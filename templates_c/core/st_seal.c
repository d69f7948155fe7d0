/* A check over the state that can cause a spark, verified before every charge.
 *
 * A sum of 16-bit words with a start value that neither zeroed nor erased memory meets: any single
 * flipped bit changes it.
 */
#include "st_internal.h"

#define ST_SUM_START 0x5AC3U

/* Read byte by byte: words read through another type would be undefined C. */
ST_APART static uint16_t st_sum(const st_sealed *sealed)
{
    const uint8_t *bytes = (const uint8_t *)sealed;
    uint16_t sum = ST_SUM_START;
    uint8_t words;
    for (words = (uint8_t)(sizeof *sealed / 2U); words != 0U; words--) {
        sum = (uint16_t)(sum + (uint16_t)(bytes[0] | (uint16_t)(bytes[1] << 8)));
        bytes += 2;
    }
    return sum;
}

void st_seal(st_core *c)
{
    c->foreseen = false;
    c->seal = st_sum(&c->s);
}

/* A period that no believed pulses can have is as bad: code that ran astray has sealed it.  When false,
 * lock is to be given up. */
bool st_seal_ok(st_core *c)
{
    uint16_t const sum = st_sum(&c->s);
    bool const timed = c->s.mode >= (uint8_t)ST_LOCKING;
    if ((c->seal == sum) && (!timed || ((c->s.period_ticks - ST_CFG_PERIOD_MIN_TICKS) <=
                                        (ST_CFG_START_LEAVE_TICKS - ST_CFG_PERIOD_MIN_TICKS)))) {
        return true;
    }
    st_count(c, ST_N_SEAL);
    c->s.period_ticks = c->period_before_ticks; /* what is left of the truth, to lock on again */
    c->s.mode = (uint8_t)(c->lock_before ? ST_RUN : ST_STOPPED);
    return false;
}

static uint16_t st_kept_check(const st_retained *kept)
{
    uint32_t const period = kept->period_ticks;
    return (uint16_t)(ST_SUM_START + (uint16_t)period + (uint16_t)(period >> 16));
}

/* Only a period of running speed is kept.  It stays when lock is lost: an upset may have done that, and
 * a reset be yet to come; a pulse has to agree with it in any case. */
void st_keep(const st_core *c, st_retained *kept)
{
    if (c->s.mode == (uint8_t)ST_RUN) {
        kept->period_ticks = c->s.period_ticks;
        kept->check = st_kept_check(kept); /* only here: a flipped bit is not sealed with it */
    }
}

static void st_from_standstill(st_core *c, st_ticks now)
{
    if (!ST_STATE_CLEARED) {
        uint8_t *const bytes = (uint8_t *)c;
        uint8_t i;
        for (i = 0U; i < (uint8_t)sizeof *c; i++) {
            bytes[i] = 0U;
        }
    }
    c->now = now;
    c->edge_at[0] = now;
    c->switched_at = now - ST_CFG_OFF_MIN_TICKS;
    c->orders.coil_fresh = true;
#if ST_CFG_DWELL_POINTS
    c->supply_q4 = ST_CFG_SUPPLY_Q4;
    c->dwell_ticks = ST_CFG_DWELL_TICKS;
#endif
}

/* What is kept is left as it is, but for the count: code thrown in here must not overwrite it. */
void st_init(st_core *c, st_ticks now, st_retained *kept, bool power_on)
{
    if (power_on) {
        kept->resets = UINT16_MAX;
        kept->period_ticks = 0U;
    }
    st_from_standstill(c, now);
    kept->resets++;
    c->count[ST_N_RESET] = kept->resets;
    if (ST_CFG_WARM_RESTART && (kept->period_ticks != 0U) && (kept->check == st_kept_check(kept))) {
        c->s.period_ticks = kept->period_ticks;
        c->s.mode = (uint8_t)ST_WARM;
    }
    st_seal(c);
    st_watch_lead(c);
}
