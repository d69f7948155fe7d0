/* Charging and firing one coil.
 *
 * The spark is always re-timed by the newest believed edge; a charge that has to begin before that
 * edge gets a late, safe spark time first, so that a crank that slows is never met by an early spark.
 */
#include "st_internal.h"

#define ST_SAME_TICKS 16U /* begins of a charge that lie as near as this are one */

static void st_order_coil(st_core *c, st_coil_order order, st_ticks at)
{
    c->orders.coil = (uint8_t)order;
    c->orders.coil_at = at;
    c->orders.coil_fresh = true;
}

/* Invariant C: no charge unless it is known where the crank is. */
ST_APART static void st_order_charge(st_core *c, st_ticks on_at)
{
    if (c->s.mode >= (uint8_t)ST_START) {
        st_order_coil(c, ST_COIL_ON_AT, on_at);
    }
}

static void st_order_spark(st_core *c)
{
    st_ticks const limit = c->coil_on_at + ST_CFG_HARD_LIMIT_TICKS;
    st_order_coil(c, ST_COIL_OFF_AT, st_earlier(c->coil_off_at, limit));
}

/* Whose coil the next charge is for: the cylinder of the last pulse, or the other. */
static void st_choose_coil(st_core *c, bool other)
{
#if ST_CFG_TWO_COILS
    if (!c->coil_on) {
        c->orders.second = (c->s.second != 0U) != other;
    }
#else
    (void)c;
    (void)other;
#endif
}

/* Earliest allowed start of a charge that is wanted at `on_at`. */
static st_ticks st_charge_from(const st_core *c, st_ticks on_at)
{
    return st_later(on_at, c->switched_at + ST_CFG_OFF_MIN_TICKS);
}

/* This pulse's spark.  A running charge is ended then; else one that still fits is begun. */
void st_coil_spark_at(st_core *c, st_ticks spark_at)
{
    st_ticks on_at;
    st_choose_coil(c, false);
#if ST_CFG_SPARK_ON_RISE
    /* Capacitor discharge: the pulse begins at the spark, dwell is its width. */
    c->coil_off_at = spark_at + st_dwell(c);
    if (c->limiting) {
        st_coil_release(c);
    } else if (!c->coil_on) {
        st_order_charge(c, spark_at);
    } else { /* a pulse still runs: this spark is lost */
    }
    return;
#endif
    c->coil_off_at = spark_at;
    if (c->coil_on) {
        st_order_spark(c);
        return;
    }
    on_at = st_later(st_charge_from(c, spark_at - st_dwell(c)), c->now);
    if (c->limiting || !st_before(on_at + ST_CFG_ON_MIN_TICKS, spark_at)) {
        st_coil_release(c); /* no room for a charge: skip this event whole */
        c->spark_due = false;
        return;
    }
    /* One ordered for about then stays: it may be so near that arming it again would make it late. */
    if ((c->orders.coil != (uint8_t)ST_COIL_ON_AT) ||
        (((on_at - c->orders.coil_at) + ST_SAME_TICKS) > (2U * ST_SAME_TICKS))) {
        st_order_charge(c, on_at);
    }
}

/* Begin a charge in start mode before the trail edge that will end it (driven starters only). */
void st_coil_start_charge_at(st_core *c, st_ticks on_at)
{
    if (c->coil_on || c->limiting) {
        return;
    }
    st_choose_coil(c, false);
    on_at = st_later(st_charge_from(c, on_at), c->now);
    c->coil_off_at = on_at + ST_CFG_HARD_LIMIT_TICKS;
    st_order_charge(c, on_at);
}

/* After a spark: begin the next charge before its edge, where it would not fit behind it.  One that has
 * begun already, for a pulse that was doubted, is put off in the same way. */
void st_coil_plan_ahead(st_core *c)
{
    uint32_t delay;
    if (ST_CFG_SPARK_ON_RISE || (c->s.mode != (uint8_t)ST_RUN) || c->spark_due || c->limiting) {
        return;
    }
    delay = st_rounded(st_delay_q8(st_next_interval(c)));
    if (c->coil_on || (delay < (st_dwell(c) + ST_CFG_GUARD_TICKS))) { /* else it fits behind the edge */
        uint32_t latest;
        st_ticks spark_at;
        st_ticks on_at;
        if (!st_seal_ok(c)) {
            st_lose_lock(c);
            return;
        }
        st_foresee(c);
        latest = c->next_within_ticks + ST_CFG_GUARD_TICKS;
        spark_at = c->next_edge_at + delay;
        st_choose_coil(c, true);
        c->coil_off_at = (delay > latest) ? spark_at : (c->next_edge_at + latest);
        on_at = st_charge_from(c, spark_at - st_dwell(c));
        if (c->coil_on) {
            st_order_spark(c);
        } else if ((c->coil_off_at - on_at) <= ST_CFG_HARD_LIMIT_TICKS) {
            st_order_charge(c, on_at);
        } else { /* after missed pulses the edge may come so late that the limit would end the charge first */
        }
    }
}

/* No further charge; one that runs keeps the spark time it has. */
void st_coil_release(st_core *c)
{
    if (!c->coil_on) {
        st_order_coil(c, ST_COIL_IDLE, 0U);
    }
}

static void st_switched(st_core *c, st_ticks at, bool on)
{
    c->switched_at = at;
    c->coil_on = on;
}

void st_on_coil(st_core *c, st_ticks at, bool on)
{
    st_switched(c, at, on);
    if (on) {
        c->coil_on_at = at;
        st_order_spark(c);
        return;
    }
    c->orders.coil = (uint8_t)ST_COIL_IDLE; /* true already: nothing for the port to do */
    st_count(c, ST_N_SPARK);
    if ((at - c->coil_on_at) >= ST_CFG_HARD_LIMIT_TICKS) {
        st_count(c, ST_N_HARD);
    }
    if (c->spark_due) { /* else the charge has ended before its edge: no second one for that edge */
        c->to_settle |= ST_SETTLE_PLAN;
    }
    c->spark_due = false;
}

void st_on_forced_off(st_core *c, st_ticks at)
{
    st_count(c, ST_N_HARD);
    st_switched(c, at, false);
    c->spark_due = false;
    st_order_coil(c, ST_COIL_IDLE, 0U);
}
