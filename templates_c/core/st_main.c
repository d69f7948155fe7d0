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

typedef struct {
    uint16_t crc;
    uint8_t line;
} st_table_check;

static void st_poll(void)
{
    bool const active = st_port_active();
    st_port_events_off();
    st_on_poll(&st_the_core, st_port_now(), active);
    st_port_apply(&st_the_core);
    st_port_refresh(&st_the_core);
    st_port_events_on();
    st_port_lamp(active);
}

/* One table line a heartbeat; a mismatch means flash has changed: stop for good. */
static void st_check_table(st_table_check *check)
{
    if (check->line == 0U) {
        check->crc = 0xFFFFU;
    }
    check->crc = st_table_crc(check->crc, check->line);
    check->line++;
    if (check->line >= (uint8_t)(ST_CFG_RUN_LINES + ST_CFG_START_LINES)) {
        if (check->crc != ST_CFG_TABLE_CRC) {
            st_port_events_off();
            st_port_halt();
        }
        check->line = 0U;
    }
}

static void st_beat(st_table_check *check, uint8_t heartbeats)
{
    st_check_table(check);
    st_tell_wait(heartbeats);
    st_port_events_off();
    st_keep(&st_the_core, st_port_retained());
    st_port_events_on();
    st_port_feed_watchdog();
}

int main(void)
{
    st_table_check check = {0U, 0U};
    bool const power_on = st_port_init();

    if (!st_table_intact()) {
        st_port_halt();
    }
    st_init(&st_the_core, st_port_now(), st_port_retained(), power_on);
    st_port_apply(&st_the_core);
    st_port_events_on();
    for (;;) {
        uint8_t heartbeats;
        st_poll();
#if ST_CFG_TELL
        st_tell();
#endif
        heartbeats = st_port_heartbeats();
        if (heartbeats != 0U) {
            st_beat(&check, heartbeats);
        }
    }
}
