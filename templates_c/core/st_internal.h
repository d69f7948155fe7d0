/* Functions the core's files share among themselves; ports never include this. */
#ifndef ST_INTERNAL_H
#define ST_INTERNAL_H

#include "config.h"
#include "st_core.h"
#include "st_port_flash.h"

#if ST_CFG_CORE_VERSION != ST_CORE_VERSION
#error "config.h was generated for another core: generate the firmware folder again"
#endif

void st_count(st_core *c, st_counter which);

/* Bits of to_settle. */
#define ST_SETTLE_TRAIL 1U /* watch for the trail edge of the lead edge just believed */
#define ST_SETTLE_NEXT 2U  /* watch for the next lead edge */
#define ST_SETTLE_PLAN 4U  /* begin the next charge before its edge, if it must */

/* st_table.c: ticks from 1/256 ticks, to the nearest; a delay that is already over is none. */
st_ticks st_rounded(int32_t ticks_q8);

/* Wanted charging time. */
static inline uint32_t st_dwell(const st_core *c)
{
#if ST_CFG_DWELL_POINTS
    return c->dwell_ticks;
#else
    (void)c;
    return ST_CFG_DWELL_TICKS;
#endif
}

/* st_seal.c: the check over spark-causing state. */
void st_seal(st_core *c);
bool st_seal_ok(st_core *c); /* false is counted */

/* st_coil.c */
void st_coil_spark_at(st_core *c, st_ticks spark_at);
void st_coil_start_charge_at(st_core *c, st_ticks on_at);
void st_coil_plan_ahead(st_core *c);
void st_coil_release(st_core *c);

/* st_gate.c: expected places of the next edges. */
void st_foresee(st_core *c);
uint32_t st_apart(const st_core *c, uint32_t interval);
bool st_arc_agrees(const st_core *c);

/* st_sync.c: what a believed edge means. */
bool st_lead_believed(st_core *c); /* false: not a pulse after all */
void st_trail_believed(st_core *c);
void st_pulse_doubted(st_core *c);
void st_edge_missed(st_core *c);
void st_lose_lock(st_core *c);

/* st_belief.c: what the pickup line is watched for. */
void st_watch_lead(st_core *c);
void st_start_over(st_core *c);
void st_watch_overdue(st_core *c, bool active);

#endif
