/* Template of a port: every function of the contract (st_port.h), with the registers of an imaginary
 * chip in one struct, so that it compiles anywhere.  Copy the folder, name it after the timer family,
 * and put real registers in place of `chip`.
 *
 * What must hold, whatever the chip:
 *  - the tick counter is 32 bit and never stops; a capture and an overflow that coincide are told
 *    apart;
 *  - the coil's edges come from compare hardware; an order too near to arm is carried out at once;
 *  - re-arming takes the old order back first, then looks whether it has come about meanwhile;
 *  - a match is told to the core before any other event; an alarm that finds an edge waiting gives
 *    way to it;
 *  - handlers do not nest; outputs are safe before C start-up; the guard on the coil's on-time shares
 *    nothing with the core.
 */
#include "st_port.h"

#include "config.h"

#define ST_NEAR_TICKS 16U

/* The imaginary chip: 32-bit counter, one capture unit, two compare units. */
static volatile struct {
    uint32_t count;        /* runs at ST_CFG_TICK_HZ */
    uint32_t captured;     /* count at the last edge of the selected direction */
    uint32_t coil_compare; /* pin takes coil_action's level when count passes this */
    uint32_t alarm_compare;
    uint8_t coil_action;   /* 0 none, 1 on, 2 off */
    uint8_t enabled;       /* event interrupts: ST_EV_* */
    uint8_t pending;
    uint8_t rising;        /* capture edge */
    uint8_t pins;          /* bit 0 pickup, bit 1 coil, bit 4 phase sensor */
    bool select_second;    /* output: which coil the coil pin reaches */
    uint16_t converted;    /* supply, 10 bits */
    uint8_t serial;
    uint8_t serial_free;
    uint8_t watchdog;
    uint8_t global;        /* interrupts let in */
} chip;

#define ST_EV_CAPTURE 1U
#define ST_EV_COIL 2U
#define ST_EV_ALARM 4U

void st_vector_events(void);
void st_vector_heartbeat(void);

static st_retained st_kept; /* place it in RAM that start-up leaves alone */
static st_ticks st_coil_at;
static uint8_t st_coil_pending;
static uint8_t st_beats;
static uint8_t st_guard;
static bool st_forced;

void st_port_init(void)
{
    chip.serial_free = 1U;
    st_port_refresh();
}

bool st_port_power_on(void)
{
    return true; /* from the chip's reset cause */
}

st_retained *st_port_retained(void)
{
    return &st_kept;
}

void st_port_events_on(void)
{
    chip.global = 1U;
}

void st_port_started(void)
{
    st_port_events_on();
}

void st_port_events_off(void)
{
    chip.global = 0U;
}

st_ticks st_port_now(void)
{
    return chip.count;
}

bool st_port_active(void)
{
    bool const high = (chip.pins & 1U) != 0U; /* majority of three reads */
    return high != (ST_CFG_ACTIVE_LOW != 0);
}

#if ST_CFG_TWO_COILS
bool st_port_second(void)
{
    bool const high = (chip.pins & 16U) != 0U; /* majority of three reads */
    return high != (ST_CFG_ACTIVE_LOW != 0);
}
#endif

#if ST_CFG_DWELL_POINTS
uint16_t st_port_supply(void)
{
    return chip.converted; /* and begin the next conversion */
}
#endif

static void st_coil_off(void)
{
    chip.coil_action = 0U;
    chip.pins &= (uint8_t)~2U;
    st_coil_pending = (uint8_t)ST_COIL_IDLE;
    chip.enabled &= (uint8_t)~ST_EV_COIL;
}

/* The pin tells, not the flag: a match just after the order was taken back sets the flag only. */
static bool st_coil_came_about(void)
{
    bool const on = (chip.pins & 2U) != 0U;
    return (st_coil_pending != (uint8_t)ST_COIL_IDLE) &&
           (on == (st_coil_pending == (uint8_t)ST_COIL_ON_AT));
}

static void st_coil_switched(st_core *core)
{
    bool const on = st_coil_pending == (uint8_t)ST_COIL_ON_AT;
    st_coil_pending = (uint8_t)ST_COIL_IDLE;
    chip.pending &= (uint8_t)~ST_EV_COIL;
    chip.enabled &= (uint8_t)~ST_EV_COIL;
    st_on_coil(core, st_coil_at, on);
}

static st_ticks st_reachable(st_ticks at)
{
    st_ticks const nearest = chip.count + ST_NEAR_TICKS;
    return st_before(at, nearest) ? nearest : at;
}

static void st_coil_arm(st_core *core)
{
    core->orders.coil_fresh = false;
    if (core->orders.coil == (uint8_t)ST_COIL_IDLE) {
        st_coil_off();
        return;
    }
    chip.coil_action = 0U; /* take the old order back ... */
    if (st_coil_came_about()) {
        st_coil_switched(core); /* ... too late: it has come about, and gives a new order */
        return;
    }
#if ST_CFG_TWO_COILS
    if ((chip.pins & 2U) == 0U) { /* the coils change over while both are off */
        chip.select_second = core->orders.second;
    }
#endif
    st_coil_pending = core->orders.coil;
    st_coil_at = st_reachable(core->orders.coil_at);
    chip.coil_compare = st_coil_at;
    chip.pending &= (uint8_t)~ST_EV_COIL;
    chip.coil_action = (st_coil_pending == (uint8_t)ST_COIL_ON_AT) ? 1U : 2U;
    chip.enabled |= ST_EV_COIL;
}

static void st_capture_arm(st_core *core)
{
    bool const lead = core->orders.capture == (uint8_t)ST_CAPTURE_LEAD;
    core->orders.capture_fresh = false;
    if (core->orders.capture == (uint8_t)ST_CAPTURE_MASKED) {
        chip.enabled &= (uint8_t)~ST_EV_CAPTURE;
        return;
    }
    chip.rising = (lead != (ST_CFG_ACTIVE_LOW != 0)) ? 1U : 0U;
    chip.pending &= (uint8_t)~ST_EV_CAPTURE; /* an edge from before does not count */
    chip.enabled |= ST_EV_CAPTURE;
}

static void st_alarm_arm(st_core *core)
{
    core->orders.alarm_fresh = false;
    chip.enabled &= (uint8_t)~ST_EV_ALARM;
    if (core->orders.alarm_on) {
        chip.alarm_compare = st_reachable(core->orders.alarm_at);
        chip.pending &= (uint8_t)~ST_EV_ALARM;
        chip.enabled |= ST_EV_ALARM;
    }
}

void st_port_apply(st_core *core)
{
    uint8_t tries;
    for (tries = 0U; core->orders.coil_fresh && (tries < 3U); tries++) {
        st_coil_arm(core);
    }
    if (core->orders.capture_fresh) {
        st_capture_arm(core);
    }
    if (core->orders.alarm_fresh) {
        st_alarm_arm(core);
    }
}

static void st_finish(st_core *core)
{
    st_port_apply(core);
    st_settle(core);
    st_port_apply(core);
}

static void st_serve_alarm(st_core *core)
{
    bool const active = st_port_active();
#if ST_CFG_TWO_COILS
    core->second_there = st_port_second();
#endif
    chip.enabled &= (uint8_t)~ST_EV_ALARM;
    if ((chip.enabled & chip.pending & ST_EV_CAPTURE) == 0U) {
        st_on_alarm(core, st_port_now(), active);
    }
}

/* The chip's event interrupt. */
void st_vector_events(void)
{
    st_core *const core = &st_the_core;
    uint8_t const due = (uint8_t)(chip.enabled & chip.pending);
    if ((due & ST_EV_COIL) != 0U) {
        st_coil_switched(core);
    }
    if ((due & ST_EV_CAPTURE) != 0U) {
        chip.pending &= (uint8_t)~ST_EV_CAPTURE;
        st_on_capture(core, chip.captured, st_port_now());
    } else if ((due & ST_EV_ALARM) != 0U) {
        st_serve_alarm(core);
    } else { /* the coil alone */
    }
    st_finish(core);
}

/* The chip's heartbeat interrupt, about once a millisecond, and the independent guard. */
void st_vector_heartbeat(void)
{
    st_beats++;
    st_guard = ((chip.pins & 2U) != 0U) ? (uint8_t)(st_guard + 1U) : 0U;
    if (st_guard > ST_CFG_GUARD_BEATS) {
        st_guard = 0U;
        chip.coil_action = 0U;
        chip.pins &= (uint8_t)~2U;
        st_forced = true;
    }
}

bool st_port_forced_off(void)
{
    bool const forced = st_forced;
    st_forced = false;
    return forced;
}

void st_port_refresh(void)
{
    /* Write direction, timer and mask registers again, as they should be. */
    chip.enabled &= (uint8_t)(ST_EV_CAPTURE | ST_EV_COIL | ST_EV_ALARM);
}

void st_port_feed_watchdog(void)
{
    chip.watchdog = 0U;
}

uint8_t st_port_heartbeats(void)
{
    uint8_t const beats = st_beats;
    st_beats = 0U;
    return beats;
}

bool st_port_send(uint8_t byte)
{
    if (chip.serial_free == 0U) {
        return false;
    }
    chip.serial = byte;
    return true;
}

void st_port_lamp(bool on)
{
    chip.pins = (uint8_t)(on ? (chip.pins | 4U) : (chip.pins & (uint8_t)~4U));
}

void st_port_halt(void)
{
    st_port_events_off();
    st_coil_off();
    for (;;) {
    }
}
