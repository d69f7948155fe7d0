/* Main loop: slow poll, telling, background check of the tables, watchdog.
 *
 * The watchdog is fed here only, and only when the interrupt side has shown its heartbeat and this
 * side has been all the way round since the last feeding.
 */
#include "st_internal.h"
#include "st_port.h"

st_core st_the_core;

void st_tell_wait(uint8_t heartbeats);
int main(void);

static st_table_state st_checked;

/* One whole pass over the tables: no spark is timed by tables that have changed. */
ST_APART static void st_check_tables(void)
{
    do {
        if (!st_table_check(&st_checked)) {
            st_port_halt();
        }
    } while (st_checked.place != 0U);
}

ST_LOOP_PART static void st_poll(void)
{
    bool const active = st_port_active();
    st_ticks now;
    st_port_events_off();
#if ST_CFG_TWO_COILS
    st_the_core.second_there = st_port_second();
#endif
    now = st_port_now();
    if (st_port_forced_off()) {
        st_on_forced_off(&st_the_core, now);
    }
    st_on_poll(&st_the_core, now, active);
    st_settle(&st_the_core);
    st_port_apply(&st_the_core);
    st_port_refresh();
    st_port_events_on();
    st_port_lamp(active);
}

#if ST_CFG_DWELL_POINTS
static void st_measure_supply(void)
{
    uint16_t const counts = st_port_supply();
    st_port_events_off();
    st_on_supply(&st_the_core, counts);
    st_port_events_on();
}
#endif

ST_LOOP_PART static void st_beat(uint8_t heartbeats)
{
    if (!st_table_check(&st_checked)) {
        st_check_tables(); /* the sum itself may have been hit: a reset would cost sparks */
    }
#if ST_CFG_TELL
    st_tell_wait(heartbeats);
#else
    (void)heartbeats;
#endif
#if ST_CFG_DWELL_POINTS
    st_measure_supply();
#endif
    st_port_events_off();
    st_keep(&st_the_core, st_port_retained());
    st_port_events_on();
    st_port_feed_watchdog();
}

/* Once round.  The watchdog is fed only when the interrupt side has shown its heartbeat. */
ST_ROUND static void st_round(void)
{
    uint8_t heartbeats;
    st_poll();
#if ST_CFG_TELL
    st_tell();
#endif
    heartbeats = st_port_heartbeats();
    if (heartbeats != 0U) {
        st_beat(heartbeats);
    }
}

int main(void)
{
    st_ticks now;
    st_port_init();
    st_check_tables();
    now = st_port_now();
    st_init(&st_the_core, now, st_port_retained(), st_port_power_on()); /* asked just before it counts */
    st_port_apply(&st_the_core);
    st_port_started();
    for (;;) {
        ST_STACK_HOME();
        st_round();
    }
}
