/* One event from any state that satisfies the invariant: it holds again, whatever the event.
 *
 * The state after st_init satisfies it (base.c), so this proves, for every sequence of
 * events of any length: no charge without start mode or lock (C), no charge ordered to end after the
 * hard limit (A), no arithmetic overflow, shift or index out of range (E).
 *
 * The whole core is one translation unit, with the numbers of one engine.  PROOF chooses the event.
 */
#include "st_belief.c"
#include "st_coil.c"
#include "st_gate.c"
#include "st_predict.c"
#include "st_sync.c"
#include "st_table.c"

#include "invariant.h"

#define PROOF_CAPTURE 1
#define PROOF_ALARM 2
#define PROOF_COIL 3
#define PROOF_FORCED 4
#define PROOF_POLL 5
#define PROOF_SETTLE 6

extern unsigned int __VERIFIER_nondet_uint(void);
extern unsigned short __VERIFIER_nondet_ushort(void);
extern unsigned char __VERIFIER_nondet_uchar(void);
extern void __ESBMC_assume(_Bool);
extern void __ESBMC_assert(_Bool, const char *);

/* The seal stands for "the state was changed, or was not": both are tried.  st_seal.c itself reads the
 * state through a pointer to bytes, which the prover cannot follow. */
void st_seal(st_core *c)
{
    c->foreseen = false;
}

bool st_seal_ok(st_core *c)
{
    bool const ok = (__VERIFIER_nondet_uchar() & 1U) != 0U;
    if (!ok) {
        st_count(c, ST_N_SEAL);
    }
    return ok;
}

static bool any_bool(void)
{
    return (__VERIFIER_nondet_uchar() & 1U) != 0U;
}

static st_core any_state(void)
{
    st_core c;
    uint8_t i;
    c.s.edge_at = __VERIFIER_nondet_uint();
    c.s.period_ticks = __VERIFIER_nondet_uint();
    c.s.mode = __VERIFIER_nondet_uchar();
    c.s.missing = __VERIFIER_nondet_uchar();
    c.phase = __VERIFIER_nondet_uchar();
    c.seek = __VERIFIER_nondet_uchar();
    c.lock_count = __VERIFIER_nondet_uchar();
    c.false_edges = __VERIFIER_nondet_uchar();
    c.to_settle = __VERIFIER_nondet_uchar();
    c.coil_on = any_bool();
    c.spark_due = any_bool();
    c.limiting = any_bool();
    c.foreseen = any_bool();
    c.pending = any_bool();
    c.lock_before = any_bool();
    c.missing_before = __VERIFIER_nondet_uchar();
    c.edge_at[0] = __VERIFIER_nondet_uint();
    c.edge_at[1] = __VERIFIER_nondet_uint();
    c.coil_on_at = __VERIFIER_nondet_uint();
    c.coil_off_at = __VERIFIER_nondet_uint();
    c.switched_at = __VERIFIER_nondet_uint();
    c.close_at = __VERIFIER_nondet_uint();
    c.next_edge_at = __VERIFIER_nondet_uint();
    c.next_within_ticks = __VERIFIER_nondet_uint();
    c.arc_from_ticks = __VERIFIER_nondet_uint();
    c.arc_to_ticks = __VERIFIER_nondet_uint();
    c.period_before_ticks = __VERIFIER_nondet_uint();
    for (i = 0U; i < 4U; i++) {
        c.like_q4[i] = (int16_t)__VERIFIER_nondet_ushort();
    }
    c.seal = __VERIFIER_nondet_ushort();
    c.weight_q8 = __VERIFIER_nondet_ushort();
    c.now = __VERIFIER_nondet_uint();
    c.interval_ticks = __VERIFIER_nondet_uint();
    c.width_ticks = __VERIFIER_nondet_uint();
    c.edge_before_at = __VERIFIER_nondet_uint();
    c.early = any_bool();
    c.soonest_at = __VERIFIER_nondet_uint();
    c.apart_before_ticks = __VERIFIER_nondet_uint();
    c.orders.coil_at = __VERIFIER_nondet_uint();
    c.orders.alarm_at = __VERIFIER_nondet_uint();
    c.orders.coil = __VERIFIER_nondet_uchar();
    c.orders.capture = __VERIFIER_nondet_uchar();
    c.orders.coil_fresh = any_bool();
    c.orders.alarm_on = any_bool();
    c.orders.alarm_fresh = any_bool();
    c.orders.capture_fresh = any_bool();
    for (i = 0U; i < (uint8_t)ST_N_COUNT; i++) {
        c.count[i] = __VERIFIER_nondet_ushort();
    }
    return c;
}

int main(void)
{
    st_core c = any_state();
    st_ticks const now = __VERIFIER_nondet_uint();
    __ESBMC_assume(invariant(&c));
#if PROOF == PROOF_CAPTURE
    st_on_capture(&c, __VERIFIER_nondet_uint(), now);
#elif PROOF == PROOF_ALARM
    st_on_alarm(&c, now, any_bool());
#elif PROOF == PROOF_COIL
    __ESBMC_assume(c.orders.coil != (uint8_t)ST_COIL_IDLE);
    st_on_coil(&c, c.orders.coil_at, c.orders.coil == (uint8_t)ST_COIL_ON_AT);
#elif PROOF == PROOF_FORCED
    st_on_forced_off(&c, now);
#elif PROOF == PROOF_POLL
    c.now = now; /* the poll's other half only serves an alarm that is overdue: PROOF_ALARM */
    st_stand_still(&c, any_bool());
#elif PROOF == PROOF_SETTLE
    st_settle(&c);
#endif
    __ESBMC_assert(invariant(&c), "invariant");
#if defined(PROOF_VACUOUS)
    __ESBMC_assert(0, "reached: this must fail, or the proof says nothing");
#endif
    return 0;
}
