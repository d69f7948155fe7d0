/* Port for the RP2040.  Numbers in brackets are chapters of its data sheet.
 *
 * The chip's timer neither stamps an edge nor switches a pin, so both are done by programs of the
 * programmable I/O (st_port_pio.c) that count with the CPU's clock: the core's tick is 60 clocks of
 * 120 MHz, 0.5 us; edges of the pickup are looked at every 30 clocks, the coil switches on the clock that
 * begins a tick.  That costs no tick against a timer with capture and compare.
 *
 * `now` comes from the timer (4.6), which counts microseconds of the same crystal: it is up to 2 ticks
 * ahead of the programs' count and never behind it.  It only says how far away an instant is; stamps and
 * coil edges do not pass through it.
 *
 * The timer's alarm 0 gives the heartbeat of 1 ms and with it an on-time guard that shares nothing with
 * core and PIO: it looks at the pin and takes the pin away from the PIO.
 *
 * Code and constants are copied into RAM before main (st_port_start.c) and run from there: no wait for
 * flash, and noise on the flash chip's bus is of no account.
 */
#include "st_port.h"

#include "st_port_flash.h"
#include "st_port_regs.h"

#define ST_NEAR_TICKS 16U    /* nearest instant that can still be armed: 8 us, 960 clocks */
#define ST_AT_ONCE_TICKS 4U  /* the PIO takes an order within one */
#define ST_STEP_TICKS 600U   /* an event told this late, or before its time, is none of ours ... */
#define ST_PROMPT_TICKS 8U   /* ... nor one this late that has ended a sleep */
#define ST_BEAT_US 1000U
#define ST_TRIES 2000U

static st_ticks st_coil_at;     /* instant ordered */
static st_ticks st_edge_at;     /* edge taken from the queue, not told yet */
static uint8_t st_coil_pending; /* st_coil_order that a state machine is to carry out */
static bool st_edge_there;
static bool st_alarm_on;
static bool st_listening;       /* edges are wanted ... */
static uint32_t st_edge_level;  /* ... that end at this level of the pin */
static st_ticks st_alarm_at;
static uint32_t st_latest;      /* how late what this interrupt tells may be */
static volatile bool st_asleep; /* nothing but an interrupt is served next */
static volatile uint8_t st_guard;
static volatile uint8_t st_beats;
static volatile bool st_forced; /* the guard has struck */

/* ---- Time ------------------------------------------------------------------------------------ */

st_ticks st_port_now(void)
{
    return (TIMER_RAW_LOW * ST_TICKS_A_US) + 1U;
}

/* Counts of timer and PIO that have parted (an upset) make every spark wrong: start anew.  From sleep an
 * event is served within 3 us, so a shift of more than 4 us shows at the first that ends one. */
static void st_in_step(uint32_t age)
{
    if (age > st_latest) {
        st_port_halt();
    }
}

/* An instant that is still waited for has passed long ago: its machine is lost. */
static void st_not_overdue(bool waits, st_ticks at)
{
    st_ticks const age = st_port_now() - at;
    if (waits && (age > ST_STEP_TICKS) && ((age & ST_HALF_RANGE) == 0U)) {
        st_port_halt();
    }
}

/* ---- Coil ------------------------------------------------------------------------------------ */

static uint32_t st_coil_machine(void)
{
    return (st_coil_pending == (uint8_t)ST_COIL_ON_AT) ? ST_SM_ON : ST_SM_OFF;
}

/* Off now, by the pin's override; the PIO's own level follows within microseconds. */
static void st_coil_off(void)
{
    uint32_t tries = ST_TRIES;
    st_coil_force_off();
    st_pio_take_back(ST_SM_ON);
    st_pio_take_back(ST_SM_OFF);
    if (st_pio_coil_is_on()) {
        st_pio_order(ST_SM_OFF, st_port_now() + ST_AT_ONCE_TICKS);
        while (st_pio_coil_is_on() && (tries != 0U)) {
            tries--;
        }
        st_pio_take_back(ST_SM_OFF);
    }
    PIO_IRQ = ST_PIO_MATCH(ST_SM_ON) | ST_PIO_MATCH(ST_SM_OFF);
    st_coil_pending = (uint8_t)ST_COIL_IDLE;
    st_coil_let_go();
}

/* An instant too near, or past, is moved to the nearest that can still be armed. */
static st_ticks st_within_reach(st_ticks at)
{
    st_ticks const now = st_port_now();
    st_ticks const ahead = at - now;
    bool const near = (ahead < ST_NEAR_TICKS) || ((ahead & ST_HALF_RANGE) != 0U);
    return near ? (now + ST_NEAR_TICKS) : at;
}

/* The match has switched the pin: tell the core. */
static void st_coil_switched(st_core *core)
{
    bool const on = st_coil_pending == (uint8_t)ST_COIL_ON_AT;
    PIO_IRQ = ST_PIO_MATCH(ST_SM_ON) | ST_PIO_MATCH(ST_SM_OFF);
    st_coil_pending = (uint8_t)ST_COIL_IDLE;
    st_in_step(st_port_now() - st_coil_at);
    if ((st_coil_is_on() != on) && !st_coil_is_held_off()) {
        st_port_halt(); /* the machine switched, the pin did not */
    }
    st_pin_put(TACHO, !on);
    if (!st_coil_is_on()) {
        st_guard = 0U; /* an off-time may fall between two beats */
    }
    st_on_coil(core, st_coil_at, on);
}

static bool st_coil_matched(void)
{
    return (st_coil_pending != (uint8_t)ST_COIL_IDLE) &&
           ((PIO_IRQ & ST_PIO_MATCH(st_coil_machine())) != 0U);
}

/* Tell a match whose interrupt still waits before any other event. */
static void st_coil_first(st_core *core)
{
    if (st_coil_matched()) {
        st_coil_switched(core);
    }
}

/* Two coils: which of them the output reaches, changed over while it is off. */
static void st_select_coil(const st_core *core)
{
#if ST_CFG_TWO_COILS
    if (!st_coil_is_on()) {
        st_pin_put(COIL_SELECT, core->orders.second);
    }
#else
    (void)core;
#endif
}

static void st_coil_arm(st_core *core)
{
    core->orders.coil_fresh = false;
    if (core->orders.coil == (uint8_t)ST_COIL_IDLE) {
        st_coil_off();
        return;
    }
    if (st_coil_pending != (uint8_t)ST_COIL_IDLE) {
        st_pio_take_back(st_coil_machine());
        if (st_coil_matched()) { /* the old order has come about */
            st_coil_switched(core); /* gives a new order */
            return;
        }
    }
    st_coil_pending = core->orders.coil;
    st_select_coil(core);
    st_coil_at = st_within_reach(core->orders.coil_at);
    st_pio_order(st_coil_machine(), st_coil_at);
}

/* ---- Capture and alarm ----------------------------------------------------------------------- */

/* Empty the queue of stamps; of the edges wanted the last one counts, as in a capture register. */
static void st_edges_in(void)
{
    while ((PIO_FSTAT & ST_BIT(8U + ST_SM_CAPTURE)) == 0U) {
        uint32_t const word = PIO_RXF(ST_SM_CAPTURE);
        st_ticks const now = st_port_now();
        if (st_listening && ((word & 1U) == st_edge_level)) {
            uint32_t const age = st_pio_age(word, now);
            st_in_step(age);
            st_edge_at = now - age;
            st_edge_there = true;
        }
    }
}

static void st_events_to(void)
{
    PIO_IRQ0_INTE = ST_PIO_MATCH_EVENT(ST_SM_ON) | ST_PIO_MATCH_EVENT(ST_SM_OFF) |
                    ST_PIO_MATCH_EVENT(ST_SM_ALARM) | (st_listening ? ST_PIO_EDGE_EVENT : 0U);
}

static void st_capture_arm(st_core *core)
{
    bool const lead = core->orders.capture == (uint8_t)ST_CAPTURE_LEAD;
    core->orders.capture_fresh = false;
    st_listening = false;
    st_edges_in(); /* what came before is not wanted */
    st_edge_there = false;
    /* Active low: the magnet's arrival ends at a low level. */
    st_edge_level = (lead == (ST_CFG_ACTIVE_LOW == 0)) ? 1U : 0U;
    st_listening = core->orders.capture != (uint8_t)ST_CAPTURE_MASKED;
    st_events_to();
}

static void st_alarm_arm(st_core *core)
{
    core->orders.alarm_fresh = false;
    if (st_alarm_on) {
        st_pio_take_back(ST_SM_ALARM);
    }
    PIO_IRQ = ST_PIO_MATCH(ST_SM_ALARM);
    st_alarm_on = core->orders.alarm_on;
    if (st_alarm_on) {
        st_alarm_at = st_within_reach(core->orders.alarm_at);
        st_pio_order(ST_SM_ALARM, st_alarm_at);
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

/* ---- Interrupts ------------------------------------------------------------------------------ */

static void st_serve_alarm(st_core *core)
{
    bool active;
    PIO_IRQ = ST_PIO_MATCH(ST_SM_ALARM);
    if (!st_alarm_on) {
        return; /* a stray match */
    }
    st_alarm_on = false;
    st_in_step(st_port_now() - st_alarm_at);
    st_coil_first(core);
    active = st_port_active();
#if ST_CFG_TWO_COILS
    core->second_there = st_port_second();
#endif
    st_edges_in();
    if (!st_edge_there) { /* an edge goes first: it may be what was read */
        st_on_alarm(core, st_port_now(), active);
    }
}

/* One event an entry; what is left keeps the interrupt pending, an edge out of the queue by hand. */
void st_pio_event(void)
{
    st_core *const core = &st_the_core;
    st_latest = st_asleep ? ST_PROMPT_TICKS : ST_STEP_TICKS;
    st_asleep = false;
    st_edges_in();
    if (st_coil_matched()) {
        st_coil_switched(core);
    } else if (st_edge_there) {
        st_edge_there = false;
        st_coil_first(core);
        st_on_capture(core, st_edge_at, st_port_now());
    } else if ((PIO_IRQ & ST_PIO_MATCH(ST_SM_ALARM)) != 0U) {
        st_serve_alarm(core);
    } else { /* an edge in the other direction, or a stray match */
        PIO_IRQ = ST_PIO_MATCH(ST_SM_ON) | ST_PIO_MATCH(ST_SM_OFF);
    }
    st_port_apply(core);
    if (core->to_settle != 0U) {
        st_settle(core);
        st_port_apply(core);
    }
    if (st_edge_there) {
        NVIC_ISPR = ST_BIT(ST_IRQ_PIO0);
    }
}

/* Heartbeat, and the independent guard: it trusts the pin and a constant, nothing else. */
void st_timer_beat(void)
{
    TIMER_INTR = ST_BIT(0);
    TIMER_ALARM0 = TIMER_RAW_LOW + ST_BEAT_US;
    st_beats++;
    st_guard = st_coil_is_on() ? (uint8_t)(st_guard + 1U) : 0U;
    if (st_guard > ST_CFG_GUARD_BEATS) {
        st_guard = 0U;
        st_coil_force_off();
        st_forced = true;
    }
}

/* ---- The rest of the contract ---------------------------------------------------------------- */

void st_port_init(void)
{
    st_board_on();
    st_pio_start();
    TIMER_ALARM0 = TIMER_RAW_LOW + ST_BEAT_US;
    st_port_refresh();
}

bool st_port_power_on(void)
{
    return st_reset_cause == 0U; /* neither watchdog nor pin: the supply, and RAM holds nothing */
}

/* The main loop, thrown into from within a handler, would run on as if it were one: events would never
 * come again, and the watchdog be fed. */
static void st_not_in_handler(void)
{
    uint32_t running;
    __asm__ volatile("mrs %0, ipsr" : "=r"(running));
    if (running != 0U) {
        st_port_halt();
    }
}

/* Nothing here changes a register that already holds what it should. */
void st_port_refresh(void)
{
    st_latest = ST_STEP_TICKS;
    st_not_in_handler();
    st_clock_refresh();
    st_pio_refresh();
    PIO_CTRL = 0xFU;
    if (!st_pio_in_place()) {
        st_port_halt();
    }
    st_not_overdue(st_coil_pending != (uint8_t)ST_COIL_IDLE, st_coil_at);
    st_not_overdue(st_alarm_on, st_alarm_at);
    st_events_to();
    st_pins_refresh();
    TIMER_INTE = ST_BIT(0);
    if ((TIMER_ALARM0 - TIMER_RAW_LOW) > ST_BEAT_US) {
        TIMER_ALARM0 = TIMER_RAW_LOW + ST_BEAT_US; /* missed, or flipped */
    }
    SCB_VTOR = ST_RAM_FROM;
    NVIC_IPR0 = 0U;
    NVIC_IPR1 = 0x40U << 24; /* the guard's interrupt goes before the events' */
    NVIC_ISER = ST_BIT(ST_IRQ_TIMER0) | ST_BIT(ST_IRQ_PIO0);
    if ((st_coil_pending == (uint8_t)ST_COIL_IDLE) && st_coil_is_on()) {
        st_coil_off(); /* on, but no spark is armed: never left so */
    }
}

void st_port_events_on(void)
{
    __asm__ volatile("cpsie i" ::: "memory");
}

void st_port_started(void)
{
    st_port_events_on();
}

void st_port_events_off(void)
{
    __asm__ volatile("cpsid i" ::: "memory");
}

/* Nothing is to be done until the next interrupt, which ends the sleep even while it is held off, and is
 * served as soon as it is let in. */
ST_LOOP_PART uint8_t st_port_heartbeats(void)
{
    uint8_t beats;
    __asm__ volatile("cpsid i" ::: "memory");
    if (st_beats == 0U) {
        st_asleep = true;
        __asm__ volatile("wfi" ::: "memory");
    }
    beats = st_beats;
    st_beats = 0U;
    __asm__ volatile("cpsie i\n\tisb" ::: "memory");
    st_asleep = false;
    return beats;
}

bool st_port_forced_off(void)
{
    bool const forced = st_forced;
    st_forced = false;
    return forced;
}

void st_port_halt(void)
{
    __asm__ volatile("cpsid i" ::: "memory");
    st_coil_force_off();
    PSM_WDSEL = PSM_ALL_BUT_OSCILLATORS;
    WATCHDOG_CTRL = WATCHDOG_ENABLE | WATCHDOG_TRIGGER;
    for (;;) {
    }
}
