/* What holds before and after every event.  Plain C: proofs, fuzzers and tests share it. */
#ifndef PROOF_INVARIANT_H
#define PROOF_INVARIANT_H

#include "st_internal.h"

/* Longest interval the core ever keeps, with the trend's quarter to spare. */
#define PROOF_PERIOD_MOST (2U * ST_CFG_PERIOD_MAX_TICKS)

static bool ordered_in_time(const st_core *c)
{
    st_ticks const limit = c->coil_on_at + ST_CFG_HARD_LIMIT_TICKS;
    return (c->orders.coil_at == limit) || st_before(c->orders.coil_at, limit);
}

static bool invariant(const st_core *c)
{
    bool const enums = (c->s.mode <= (uint8_t)ST_RUN) && (c->phase <= (uint8_t)ST_PH_STORM) &&
                       ((c->seek == (uint8_t)ST_CAPTURE_LEAD) || (c->seek == (uint8_t)ST_CAPTURE_TRAIL)) &&
                       (c->orders.coil <= (uint8_t)ST_COIL_OFF_AT) && (c->to_settle < 8U);
    bool const sizes = (c->s.missing <= (ST_CFG_BRIDGE_MOST + 1U)) &&
                       (c->s.period_ticks <= PROOF_PERIOD_MOST) &&
                       (c->interval_ticks <= ST_CFG_PERIOD_MAX_TICKS) &&
                       (c->period_before_ticks <= PROOF_PERIOD_MOST) &&
                       (c->weight_q8 <= 256U);
    bool const charge = (c->orders.coil != (uint8_t)ST_COIL_ON_AT) ||
                        (!c->coil_on && (c->s.mode >= (uint8_t)ST_START));
    bool const end = !c->coil_on || ((c->orders.coil == (uint8_t)ST_COIL_OFF_AT) && ordered_in_time(c));
    bool const idle = c->coil_on || (c->orders.coil != (uint8_t)ST_COIL_OFF_AT);
    return enums && sizes && charge && end && idle;
}

#endif
