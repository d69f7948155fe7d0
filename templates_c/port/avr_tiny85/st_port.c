/* Port for the ATtiny85, which has no capture unit and no 16-bit timer.
 *
 * Section numbers are those of the ATtiny25/45/85 data sheet (2586).  Timer0 runs free (normal mode,
 * 11.7.1) with CPU clock / 8; counting its overflows makes it 32 bit.
 *   INT0  pickup: the handler reads the counter (9.2), so the instant is as exact as its start: the
 *         instruction that runs, another handler or a stretch with interrupts off may delay it
 *   OC0A  coil, switched by the compare unit, so that no interrupt delays an edge (11.5, 11.6)
 *   OC0B  alarm, interrupt only
 *
 * Two levels: the handlers proper only note what has happened, and may interrupt the core at any time;
 * st_dispatch hands the notes to the core one by one, the first handler that finds it idle.  Main
 * holds events off by the same means, with interrupts on, so that neither delays a time stamp.
 *
 * An instant more than a timer span (256 ticks) ahead is waited for lap by lap: the match of each lap
 * changes nothing on the pin until the lap before the one that is wanted has armed the action.
 */
#include "st_port.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "config.h"
#include "st_port_flash.h"
#include "st_port_pins.h"

static volatile uint8_t st_noted; /* events that wait for the core */
volatile uint8_t st_busy; /* not 0: the core is at work, main holds events off, or a handler is inside */
static st_ticks st_captured_at;
static st_ticks st_coil_at;
static st_ticks st_alarm_at;
static volatile uint8_t st_coil_pending; /* st_coil_order that OC0A is to carry out */
static uint8_t st_action;                /* what TCCR0A should hold */
static uint8_t st_masks;                 /* what TIMSK should hold */
static uint8_t st_edge_select;           /* what ISC00 should hold */
static volatile bool st_listening;       /* INT0 is wanted */
static uint8_t st_guard;
static volatile uint8_t st_beats;
static volatile bool st_forced;

static int32_t st_ahead(st_ticks at)
{
    return (int32_t)(at - st_port_now());
}

/* ---- Masks and notes, whatever the interrupts ------------------------------------------------- */

static void st_mask(uint8_t events)
{
    ST_HOLD();
    st_masks &= (uint8_t)~events;
    TIMSK = st_masks;
    ST_RELEASE();
}

static void st_unmask(uint8_t events)
{
    ST_HOLD();
    st_masks |= events;
    TIMSK = st_masks;
    ST_RELEASE();
}

static void st_note(uint8_t event)
{
    ST_HOLD();
    st_noted |= event;
    ST_RELEASE();
}

static bool st_take(uint8_t event)
{
    bool noted;
    ST_HOLD();
    noted = (st_noted & event) != 0U;
    st_noted &= (uint8_t)~event;
    ST_RELEASE();
    return noted;
}

/* ---- Coil, interrupts off -------------------------------------------------------------------- */

ST_APART static void st_action_to(uint8_t action)
{
    st_action = action;
    TCCR0A = action;
}

static uint8_t st_wanted_action(void)
{
    return (st_coil_pending == (uint8_t)ST_COIL_ON_AT) ? ST_COM_ON : ST_COM_OFF;
}

/* Off now: the compare latch is cleared by force (11.9.2). */
static void st_coil_off(void)
{
    st_action_to(ST_COM_OFF);
    TCCR0B = (uint8_t)(ST_BIT(FOC0A) | ST_BIT(CS01));
    st_coil_pending = (uint8_t)ST_COIL_IDLE;
    st_noted &= (uint8_t)~ST_EVENT_COIL;
    st_masks &= (uint8_t)~ST_BIT(OCIE0A);
    TIMSK = st_masks;
}

static uint8_t st_since(st_ticks from)
{
    return (uint8_t)(TCNT0 - (uint8_t)from);
}

/* A near order: interrupts are held off from the reading of the counter to the action.  The match of
 * the lap before, where it is still to come, is left to its handler. */
static void st_coil_engage_near(st_ticks now, int16_t ahead)
{
    uint8_t const action = st_wanted_action();
    uint8_t since;
    ST_HOLD();
    since = st_since(now);
    if (ahead < (int16_t)(since + ST_NEAR_TICKS)) {
        ahead = (int16_t)(since + ST_NEAR_TICKS);
        st_coil_at = now + (uint16_t)ahead;
    }
    OCR0A = (uint8_t)st_coil_at;
    TIFR = ST_BIT(OCF0A);
    if (ahead < (int16_t)(st_since(now) + ST_SPAN)) {
        st_action_to(action);
    }
    ST_RELEASE();
}

/* An order well beyond the lap is armed with interrupts on: the handler of the match does the rest. */
static void st_coil_engage(void)
{
    st_ticks const now = st_port_now();
    int32_t const ahead = (int32_t)(st_coil_at - now);
    if (ahead >= (int32_t)ST_FAR_TICKS) {
        OCR0A = (uint8_t)st_coil_at;
        TIFR = ST_BIT(OCF0A);
    } else {
        st_coil_engage_near(now, (ahead < 0) ? 0 : (int16_t)ahead);
    }
    st_unmask(ST_BIT(OCIE0A));
}

static bool st_coil_is_on(void)
{
    bool const high = (PINB & ST_BIT(ST_PIN_COIL_BIT)) != 0U;
    return high == (ST_CFG_COIL_ON_HIGH != 0);
}

/* Tell the core that the output has switched. */
static void st_coil_switched(st_core *core)
{
    bool const on = st_coil_pending == (uint8_t)ST_COIL_ON_AT;
    st_mask(ST_BIT(OCIE0A));
    st_coil_pending = (uint8_t)ST_COIL_IDLE;
    if (on) {
        PORTB &= (uint8_t)~ST_BIT(ST_PIN_TACHO_BIT);
    } else {
        PORTB |= ST_BIT(ST_PIN_TACHO_BIT);
    }
    st_guard = st_coil_is_on() ? st_guard : (uint8_t)0U; /* off between two beats counts */
    st_on_coil(core, st_coil_at, on);
}

static bool st_coil_as_ordered(void)
{
    return st_coil_is_on() == (st_coil_pending == (uint8_t)ST_COIL_ON_AT);
}

/* True when the old order has come about; if not it is taken back.  One that has, keeps its action: a
 * match of a later lap, which comes within a charge, would carry out the opposite one. */
static bool st_coil_defuse(void)
{
    bool came_about = false;
    ST_HOLD();
    if (st_coil_pending != (uint8_t)ST_COIL_IDLE) {
        came_about = st_coil_as_ordered();
        if (!came_about) {
            st_action_to(ST_IDLE_ACTION());
            __asm__ volatile("nop"); /* the pin register shows a pin a clock late (10.2.4) */
            came_about = st_coil_as_ordered();
            if (came_about) {
                st_action_to(st_wanted_action());
            }
        }
    }
    ST_RELEASE();
    return came_about;
}

static void st_coil_arm(st_core *core)
{
    core->orders.coil_fresh = false;
    if (core->orders.coil == (uint8_t)ST_COIL_IDLE) {
        ST_HOLD();
        st_coil_off();
        ST_RELEASE();
        return;
    }
    if (st_coil_defuse()) {
        st_coil_switched(core); /* gives a new order */
        return;
    }
    st_mask(ST_BIT(OCIE0A));
    (void)st_take(ST_EVENT_COIL);
    st_coil_pending = core->orders.coil;
    st_coil_at = core->orders.coil_at;
    st_action_to(ST_IDLE_ACTION());
    st_coil_engage();
}

/* ---- Capture and alarm ----------------------------------------------------------------------- */

static void st_capture_arm(st_core *core)
{
    bool const lead = core->orders.capture == (uint8_t)ST_CAPTURE_LEAD;
    ST_HOLD();
    core->orders.capture_fresh = false;
    st_listening = core->orders.capture != (uint8_t)ST_CAPTURE_MASKED;
    st_noted &= (uint8_t)~ST_EVENT_CAPTURE;
    GIMSK = 0U;
    if (st_listening) {
        /* Active low: the magnet's arrival is a falling edge, ISC00 = 0. */
        st_edge_select = (lead != (ST_CFG_ACTIVE_LOW != 0)) ? ST_BIT(ISC00) : 0U;
        MCUCR = (uint8_t)(ST_BIT(ISC01) | st_edge_select);
        GIFR = ST_BIT(INTF0);
        GIMSK = ST_BIT(INT0);
    }
    ST_RELEASE();
}

static void st_alarm_arm(st_core *core)
{
    core->orders.alarm_fresh = false;
    st_mask(ST_BIT(OCIE0B));
    (void)st_take(ST_EVENT_ALARM);
    if (!core->orders.alarm_on) {
        return;
    }
    st_alarm_at = core->orders.alarm_at;
    OCR0B = (uint8_t)st_alarm_at;
    TIFR = ST_BIT(OCF0B);
    if (st_ahead(st_alarm_at) <= 0) { /* a match after this look sets the flag, and is told */
        st_note(ST_EVENT_ALARM);
    } else {
        st_unmask(ST_BIT(OCIE0B));
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

/* ---- Events to the core ---------------------------------------------------------------------- */

static void st_serve(st_core *core)
{
    if (st_take(ST_EVENT_COIL)) {
        st_coil_switched(core);
    } else if (st_take(ST_EVENT_CAPTURE)) {
        st_on_capture(core, st_captured_at, st_port_now());
    } else if (st_take(ST_EVENT_ALARM)) {
        bool const active = st_port_active();
        if ((st_noted & ST_EVENT_CAPTURE) == 0U) {
            st_on_alarm(core, st_port_now(), active);
        }
    } else { /* taken back meanwhile */
    }
    st_port_apply(core);
    if (core->to_settle != 0U) {
        st_settle(core);
        st_port_apply(core);
    }
}

/* The core is ours.  Interrupts are let in again before registers are restored: an edge just then
 * stacks one more handler, which takes two events within three microseconds. */
static void st_work(void) __attribute__((noinline));
static void st_work(void)
{
    for (;;) {
        while (st_noted != 0U) {
            st_serve(&st_the_core);
        }
        cli();
        if (st_noted == 0U) {
            break;
        }
        sei();
    }
    st_busy = 0U;
    sei();
}

/* Interrupts off at the begin, and on before anything is saved: a time stamp may wait for it. */
static void st_dispatch(void)
{
    if (st_busy == 0U) {
        st_busy = 1U;
        sei();
        st_work();
    }
}

/* ---- Interrupts ------------------------------------------------------------------------------ */

/* The counter is read before anything is saved. */
ISR(INT0_vect, ISR_NAKED)
{
    __asm__ volatile("push r24\n\tin r24, %0\n\tout %2, r24\n\tin r24, %1\n\tout %3, r24\n\tpop r24\n\t"
                     "rjmp __vector_st_int0" ::"I"(_SFR_IO_ADDR(TCNT0)), "I"(_SFR_IO_ADDR(TIFR)),
                     "I"(_SFR_IO_ADDR(GPIOR0)), "I"(_SFR_IO_ADDR(GPIOR1)));
}

void __vector_st_int0(void) __attribute__((signal, used));
void __vector_st_int0(void)
{
    GIMSK = 0U;
    st_captured_at = st_time_of(st_spans_high, st_span, GPIOR0, GPIOR1);
    st_noted |= ST_EVENT_CAPTURE;
    st_dispatch();
}

ISR(TIM0_COMPA_vect, ISR_NAKED)
{
    ST_LET_IN("__vector_st_coil");
}

ISR(TIM0_COMPB_vect, ISR_NAKED)
{
    ST_LET_IN("__vector_st_alarm");
}

/* The end of both.  A time stamp taken meanwhile has found the core held off: it is told now. */
static void st_leave(void)
{
    st_busy--;
    if ((st_noted != 0U) && (st_busy == 0U)) {
        cli();
        st_dispatch();
    }
}

void __vector_st_coil(void) __attribute__((signal, used));
void __vector_st_coil(void)
{
    int32_t const ahead = st_ahead(st_coil_at);
    if (ahead <= 0) {
        st_mask(ST_BIT(OCIE0A));
        st_note(ST_EVENT_COIL);
    } else if (ahead < (int32_t)ST_SPAN) {
        st_action_to(st_wanted_action());
    } else { /* laps to go */
    }
    st_leave();
}

void __vector_st_alarm(void) __attribute__((signal, used));
void __vector_st_alarm(void)
{
    if (st_ahead(st_alarm_at) <= 0) {
        st_mask(ST_BIT(OCIE0B));
        st_note(ST_EVENT_ALARM);
    }
    st_leave();
}

/* A span more; seven of eight times (16 MHz) that is all. */
ISR(TIM0_OVF_vect, ISR_NAKED)
{
    __asm__ volatile("push r24\n\tin r24, __SREG__\n\tpush r24\n\t"
                     "lds r24, st_span\n\tinc r24\n\tsts st_span, r24\n\t"
                     "brne 1f\n\t"
                     "push r25\n\tlds r24, st_spans_high\n\tlds r25, st_spans_high+1\n\tadiw r24, 1\n\t"
                     "sts st_spans_high+1, r25\n\tsts st_spans_high, r24\n\tpop r25\n\tclr r24\n"
                     "1:\tandi r24, %0\n\tbreq 2f\n\t"
                     "pop r24\n\tout __SREG__, r24\n\tpop r24\n\treti\n"
                     "2:\tpop r24\n\tout __SREG__, r24\n\tpop r24\n\tsei\n\trjmp __vector_st_beat" ::"M"(
                         ST_SPANS_PER_BEAT - 1U));
}

/* Heartbeat, and the guard: it trusts the pin and a constant, nothing else. */
void __vector_st_beat(void) __attribute__((signal, used));
void __vector_st_beat(void)
{
    st_beats++;
    st_guard = st_coil_is_on() ? (uint8_t)(st_guard + 1U) : 0U;
    if (st_guard > ST_GUARD_BEATS) {
        st_guard = 0U;
        TCCR0A = ST_COM_OFF;
        TCCR0B = (uint8_t)(ST_BIT(FOC0A) | ST_BIT(CS01));
        st_forced = true;
    }
}

/* A vector that nothing should reach: outputs safe, then the watchdog resets the chip. */
ISR(BADISR_vect)
{
    st_port_halt();
}

/* ---- The rest of the contract ---------------------------------------------------------------- */

void st_port_init(void)
{
    st_busy = 1U;
    st_action = ST_COM_OFF;
    st_port_refresh();
    sei();
}

/* Interrupts are held off for single stores only: handlers change what those write. */
void st_port_refresh(void)
{
    DDRB = (uint8_t)(ST_BIT(ST_PIN_COIL_BIT) | ST_BIT(ST_PIN_LAMP_BIT) | ST_BIT(ST_PIN_TACHO_BIT));
#if ST_CFG_PICKUP_PULL_UP
    PORTB |= ST_BIT(ST_PIN_PICKUP_BIT);
#else
    PORTB &= (uint8_t)~ST_BIT(ST_PIN_PICKUP_BIT);
#endif
    TCCR0B = ST_BIT(CS01);
    MCUCR = (uint8_t)(ST_BIT(ISC01) | st_edge_select);
    st_unmask(ST_BIT(TOIE0));
    {
        ST_HOLD();
        TCCR0A = st_action;
        ST_RELEASE();
    }
    {
        ST_HOLD();
        if (st_listening && ((st_noted & ST_EVENT_CAPTURE) == 0U)) {
            GIMSK = ST_BIT(INT0);
        }
        ST_RELEASE();
    }
    if ((st_coil_pending == (uint8_t)ST_COIL_IDLE) && st_coil_is_on()) {
        st_coil_off(); /* on, but no spark is armed: never left so */
    }
}

void st_port_events_on(void)
{
    cli();
    st_busy = 0U;
    st_dispatch();
    sei();
}

void st_port_events_off(void)
{
    st_busy = 1U;
}

uint8_t st_port_heartbeats(void)
{
    uint8_t beats;
    cli();
    beats = st_beats;
    st_beats = 0U;
    sei();
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
    cli();
    SP = RAMEND; /* the stack may have been hit by what led here, and the zero register */
    __asm__ volatile("clr __zero_reg__");
    st_coil_off();
    st_start_anew_once();
    for (;;) {
    }
}
