/* Port for AVR chips whose 16-bit Timer1 has a capture input (ICP1) and compare outputs (OC1x).
 *
 * Section numbers are those of the ATmega48A/PA/88A/PA/168A/PA/328/P data sheet (DS40002061).
 * Timer1 runs free (normal mode, 16.9.1) with CPU clock / 8; an overflow count makes it 32 bit.
 * A compare output changes one tick after the count it is compared with (16.7): that tick, like the
 * delay of the capture unit, is in the delay table, so instants here are plain counts.
 *   ICP1  pickup, time-stamped by the capture unit behind its noise canceller (16.6)
 *   OC1A  coil, switched by the compare unit, so that no interrupt delays an edge (16.7, 16.8)
 *   OC1B  alarm, interrupt only
 * Timer0 gives a heartbeat of 1 ms and, with it, an on-time guard that shares nothing with the core.
 */
#include "st_port.h"
#include "st_port_flash.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "config.h"
#include "st_port_pins.h"

/* Compare output modes (table 16-2): the pin goes low or high at the match. */
#define ST_COM_LOW ST_BIT(COM1A1)
#define ST_COM_HIGH ((uint8_t)(ST_BIT(COM1A1) | ST_BIT(COM1A0)))
#if ST_CFG_COIL_ON_HIGH
#define ST_COM_ON ST_COM_HIGH
#define ST_COM_OFF ST_COM_LOW
#else
#define ST_COM_ON ST_COM_LOW
#define ST_COM_OFF ST_COM_HIGH
#endif

#if ST_CFG_CAPTURE_FILTER
#define ST_TIMER_MODE ((uint8_t)(ST_BIT(ICNC1) | ST_BIT(CS11)))
#else
#define ST_TIMER_MODE ST_BIT(CS11)
#endif
#if ST_CFG_TICK_PRESCALER != 8
#error "this port runs Timer1 at CPU clock / 8"
#endif

/* Nearest instant that can still be armed: the code between reading the counter and enabling the
 * compare takes at most 100 cycles. */
#define ST_NEAR_TICKS 16U

/* Heartbeats the coil may be on before the guard ends it: the hard limit, rounded up, plus one. */
#define ST_GUARD_BEATS ST_CFG_GUARD_BEATS

#if ST_CFG_F_CPU_HZ > 16384000UL
#error "the heartbeat's 8-bit timer counts no millisecond at that clock"
#endif
#define ST_BEAT_COUNT ((uint8_t)((ST_CFG_F_CPU_HZ / 64UL / 1000UL) - 1UL))
#define ST_BAUD_COUNT ((uint16_t)(((ST_CFG_F_CPU_HZ + (4UL * ST_CFG_BAUD)) / (8UL * ST_CFG_BAUD)) - 1UL))

static uint16_t st_high;           /* upper half of the tick counter */
static st_ticks st_coil_at;        /* instant armed in, or waiting for, ST_OCRA */
static st_ticks st_alarm_at;
static uint8_t st_coil_pending;    /* st_coil_order that ST_OCRA is to carry out */
static bool st_coil_far;           /* ... but more than one timer span ahead */
static bool st_alarm_far;
static uint8_t st_masks;           /* what ST_TIMSK should hold */
static uint8_t st_edge_select;     /* what ICES1 should hold */
static uint8_t st_action;          /* what ST_TCCRA should hold: the action at the match */
static uint8_t st_guard;
static volatile uint8_t st_beats;
static bool st_forced;           /* the guard has struck */

/* ---- Time ------------------------------------------------------------------------------------ */

/* 32-bit instant of a 16-bit count read just now: an overflow whose interrupt is still pending
 * belongs to it when the count is small (16.3). */
ST_APART static st_ticks st_extend(uint16_t count)
{
    uint16_t high = st_high;
    if (((ST_TIFR & ST_BIT(TOV1)) != 0U) && (count < 0x8000U)) {
        high++;
    }
    return ((st_ticks)high << 16) | count;
}

st_ticks st_port_now(void)
{
    return st_extend(ST_TCNT);
}

/* ---- Coil ------------------------------------------------------------------------------------ */

static void st_mask(uint8_t events)
{
    st_masks &= (uint8_t)~events;
    ST_TIMSK = st_masks;
}

static void st_unmask(uint8_t events)
{
    st_masks |= events;
    ST_TIMSK = st_masks;
}

static void st_tacho(bool high)
{
    if (high) {
        ST_TACHO_OUT |= ST_BIT(ST_PIN_TACHO_BIT);
    } else {
        ST_TACHO_OUT &= (uint8_t)~ST_BIT(ST_PIN_TACHO_BIT);
    }
}

static void st_action_to(uint8_t action)
{
    st_action = action;
    ST_TCCRA = action;
}

/* Off now: the compare latch is cleared by force (16.7.2), else it would show when next connected. */
static void st_coil_off(void)
{
    st_action_to(ST_COM_OFF);
    ST_TCCRC = ST_BIT(FOC1A);
    st_coil_pending = (uint8_t)ST_COIL_IDLE;
    st_coil_far = false;
    st_mask(ST_BIT(OCIE1A));
}

/* True when a match at the low half of *at is the match wanted; an instant too near, or past, is
 * moved to the nearest that can still be armed.  False while it is more than a timer span ahead. */
static bool st_within_reach(st_ticks *at)
{
    st_ticks const now = st_port_now();
    st_ticks const ahead = *at - now;
    uint16_t const spans = (uint16_t)(ahead >> 16);
    if ((spans >= 0x8000U) || ((spans == 0U) && ((uint16_t)ahead < ST_NEAR_TICKS))) {
        *at = now + ST_NEAR_TICKS;
        return true;
    }
    return spans == 0U;
}

/* Let ST_OCRA carry out the pending order, or leave it to a later overflow when it is far ahead. */
static void st_coil_engage(void)
{
    st_coil_far = !st_within_reach(&st_coil_at);
    if (st_coil_far) {
        st_mask(ST_BIT(OCIE1A));
        return;
    }
    ST_OCRA = (uint16_t)st_coil_at;
    ST_TIFR = ST_BIT(OCF1A);
    st_action_to((st_coil_pending == (uint8_t)ST_COIL_ON_AT) ? ST_COM_ON : ST_COM_OFF);
    st_unmask(ST_BIT(OCIE1A));
}

static bool st_coil_is_on(void)
{
    bool const high = (ST_COIL_IN & ST_BIT(ST_PIN_COIL_BIT)) != 0U;
    return high == (ST_CFG_COIL_ON_HIGH != 0);
}

/* The match has switched the pin: tell the core. */
static void st_coil_switched(st_core *core)
{
    bool const on = st_coil_pending == (uint8_t)ST_COIL_ON_AT;
    ST_TIFR = ST_BIT(OCF1A);
    st_coil_pending = (uint8_t)ST_COIL_IDLE;
    st_mask(ST_BIT(OCIE1A));
    st_tacho(!on);
    /* An off-time may fall between two beats. */
    st_guard = st_coil_is_on() ? st_guard : (uint8_t)0U;
    st_on_coil(core, st_coil_at, on);
}

static bool st_coil_matched(void)
{
    return ((st_masks & ST_BIT(OCIE1A)) != 0U) && ((ST_TIFR & ST_BIT(OCF1A)) != 0U);
}

/* Tell a match whose interrupt still waits before any other event. */
static void st_coil_first(st_core *core)
{
    if (st_coil_matched()) {
        st_coil_switched(core);
    }
}

/* After st_coil_defuse the pin alone tells whether the old order has come about: a match between the
 * defusing and this look sets the flag and leaves the pin as it was. */
static bool st_coil_came_about(void)
{
    return (st_coil_pending != (uint8_t)ST_COIL_IDLE) && !st_coil_far &&
           (st_coil_is_on() == (st_coil_pending == (uint8_t)ST_COIL_ON_AT));
}

/* Put the opposite action on the pin, where a match changes nothing, then look whether the old one
 * has come about meanwhile: no order is given twice or lost. */
static void st_coil_defuse(void)
{
    if (st_coil_pending == (uint8_t)ST_COIL_ON_AT) {
        st_action_to(ST_COM_OFF);
    } else if (st_coil_pending == (uint8_t)ST_COIL_OFF_AT) {
        st_action_to(ST_COM_ON);
    } else { /* nothing pending */
    }
}

/* Two coils: which of them the output reaches, changed over while it is off. */
static void st_select_coil(const st_core *core)
{
#if ST_CFG_TWO_COILS
    if (st_coil_is_on()) {
        return;
    }
    if (core->orders.second) {
        ST_SELECT_OUT |= ST_BIT(ST_PIN_COIL_SELECT_BIT);
    } else {
        ST_SELECT_OUT &= (uint8_t)~ST_BIT(ST_PIN_COIL_SELECT_BIT);
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
    st_coil_defuse();
    if (st_coil_came_about()) {
        /* A match a timer span later must change nothing, should no new order come until then. */
        st_action_to((st_coil_pending == (uint8_t)ST_COIL_ON_AT) ? ST_COM_ON : ST_COM_OFF);
        st_coil_switched(core); /* gives a new order */
        return;
    }
    st_coil_pending = core->orders.coil;
    st_coil_at = core->orders.coil_at;
    st_select_coil(core);
    st_coil_engage();
}

/* ---- Capture and alarm ----------------------------------------------------------------------- */

static void st_capture_arm(st_core *core)
{
    bool const lead = core->orders.capture == (uint8_t)ST_CAPTURE_LEAD;
    core->orders.capture_fresh = false;
    if (core->orders.capture == (uint8_t)ST_CAPTURE_MASKED) {
        st_mask(ST_BIT(ICIE1));
        return;
    }
    /* Active low: the magnet's arrival is a falling edge, ICES1 = 0. */
    st_edge_select = (lead != (ST_CFG_ACTIVE_LOW != 0)) ? ST_BIT(ICES1) : 0U;
    ST_TCCRB = (uint8_t)(ST_TIMER_MODE | st_edge_select);
    ST_TIFR = ST_BIT(ICF1); /* changing the edge can set the flag (16.6.3) */
    st_unmask(ST_BIT(ICIE1));
}

static void st_alarm_engage(void)
{
    st_alarm_far = !st_within_reach(&st_alarm_at);
    if (!st_alarm_far) {
        ST_OCRB = (uint16_t)st_alarm_at;
        ST_TIFR = ST_BIT(OCF1B);
        st_unmask(ST_BIT(OCIE1B));
    }
}

static void st_alarm_arm(st_core *core)
{
    core->orders.alarm_fresh = false;
    st_alarm_far = false;
    st_mask(ST_BIT(OCIE1B));
    if (core->orders.alarm_on) {
        st_alarm_at = core->orders.alarm_at;
        st_alarm_engage();
    }
}

void st_port_apply(st_core *core)
{
    uint8_t tries;
    if (st_coil_far) {
        st_coil_engage();
    }
    if (st_alarm_far) {
        st_alarm_engage();
    }
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

/* Arm what is urgent, then let the core do the rest and arm that. */
static void st_finish(void)
{
    st_port_apply(&st_the_core);
    if (st_the_core.to_settle != 0U) {
        st_settle(&st_the_core);
        st_port_apply(&st_the_core);
    }
}

/* ---- Interrupts ------------------------------------------------------------------------------ */

/* The three events of Timer1 share one handler: a compiler saves every register in each handler that
 * calls a function, three times the code.  Each vector loads its number and joins st_entry, which
 * saves what a C function may change (avr-gcc's calling convention). */
#define ST_EVENT_CAPTURE 1
#define ST_EVENT_COIL 2
#define ST_EVENT_ALARM 3
#define ST_TEXT_(x) #x
#define ST_TEXT(x) ST_TEXT_(x)
#define ST_VECTOR(event) __asm__ volatile("push r24\n\tldi r24, " ST_TEXT(event) "\n\t" ST_JMP " st_entry")

ISR(ST_TIMER_VECTOR(CAPT), ISR_NAKED)
{
    ST_VECTOR(ST_EVENT_CAPTURE);
}

ISR(ST_TIMER_VECTOR(COMPA), ISR_NAKED)
{
    ST_VECTOR(ST_EVENT_COIL);
}

ISR(ST_TIMER_VECTOR(COMPB), ISR_NAKED)
{
    ST_VECTOR(ST_EVENT_ALARM);
}

/* An edge waits to be told.  It goes before an alarm that has read the level: what was read may be
 * the glitch that begins with that edge.  An edge that the reads saw has its flag up after them. */
static bool st_captured(void)
{
    return ((st_masks & ST_BIT(ICIE1)) != 0U) && ((ST_TIFR & ST_BIT(ICF1)) != 0U);
}

void st_serve(uint8_t event) __attribute__((used, noinline));
void st_serve(uint8_t event)
{
    st_core *const core = &st_the_core;
    if (event == ST_EVENT_CAPTURE) {
        st_ticks const at = st_extend(ST_ICR);
        st_coil_first(core);
        st_on_capture(core, at, st_port_now());
    } else if (event == ST_EVENT_ALARM) {
        bool active;
        st_mask(ST_BIT(OCIE1B));
        st_coil_first(core);
        active = st_port_active();
#if ST_CFG_TWO_COILS
        core->second_there = st_port_second();
#endif
        if (!st_captured()) {
            st_on_alarm(core, st_port_now(), active);
        }
    } else if (st_coil_pending != (uint8_t)ST_COIL_IDLE) {
        st_coil_switched(core);
    } else { /* a stray match */
    }
    st_finish();
}

void st_entry(void) __attribute__((naked, used));
void st_entry(void)
{
    __asm__ volatile("push r0\n\tin r0, __SREG__\n\tpush r0\n\tpush r1\n\tclr r1\n\t"
                     "push r18\n\tpush r19\n\tpush r20\n\tpush r21\n\tpush r22\n\tpush r23\n\t"
                     "push r25\n\tpush r26\n\tpush r27\n\tpush r30\n\tpush r31\n\t"
                     ST_CALL " st_serve\n\t"
                     "pop r31\n\tpop r30\n\tpop r27\n\tpop r26\n\tpop r25\n\t"
                     "pop r23\n\tpop r22\n\tpop r21\n\tpop r20\n\tpop r19\n\tpop r18\n\t"
                     "pop r1\n\tpop r0\n\tout __SREG__, r0\n\tpop r0\n\tpop r24\n\treti");
}

ISR(ST_TIMER_VECTOR(OVF))
{
    st_high++;
}

/* Heartbeat, and the independent guard: it trusts the pin and a constant, nothing else. */
ISR(ST_BEAT_VECTOR)
{
    st_beats++;
    st_guard = st_coil_is_on() ? (uint8_t)(st_guard + 1U) : 0U;
    if (st_guard > ST_GUARD_BEATS) {
        st_guard = 0U;
        ST_TCCRA = ST_COM_OFF;
        ST_TCCRC = ST_BIT(FOC1A);
        st_forced = true;
    }
}

/* A vector that nothing should reach: outputs safe, then the watchdog resets the chip. */
ISR(BADISR_vect)
{
    st_port_halt();
}

/* ---- The rest of the contract ---------------------------------------------------------------- */

bool st_port_init(void)
{
    st_action = ST_COM_OFF;
    st_port_refresh();
#if ST_HAS_SERIAL
    ST_UCSRA = ST_BIT(ST_U2X);
    ST_UBRR = ST_BAUD_COUNT;
    ST_UCSRB = ST_CFG_TELL ? ST_BIT(ST_TXEN) : 0U;
#endif
    return (st_reset_cause & ST_BIT(PORF)) != 0U;
}

/* Nothing here changes a register that already holds what it should; the coil's latch is left to
 * the orders, its connection is not. */
void st_port_refresh(void)
{
    ST_COIL_DIR |= ST_BIT(ST_PIN_COIL_BIT);
    ST_LAMP_DIR |= ST_BIT(ST_PIN_LAMP_BIT);
    ST_TACHO_DIR |= ST_BIT(ST_PIN_TACHO_BIT);
    ST_PICKUP_DIR &= (uint8_t)~ST_BIT(ST_PIN_PICKUP_BIT);
#if ST_CFG_PICKUP_PULL_UP
    ST_PICKUP_OUT |= ST_BIT(ST_PIN_PICKUP_BIT);
#else
    ST_PICKUP_OUT &= (uint8_t)~ST_BIT(ST_PIN_PICKUP_BIT);
#endif
#if ST_CFG_TWO_COILS
    ST_SELECT_DIR |= ST_BIT(ST_PIN_COIL_SELECT_BIT);
    ST_PHASE_DIR &= (uint8_t)~ST_BIT(ST_PIN_PHASE_BIT);
#if ST_CFG_PICKUP_PULL_UP
    ST_PHASE_OUT |= ST_BIT(ST_PIN_PHASE_BIT);
#else
    ST_PHASE_OUT &= (uint8_t)~ST_BIT(ST_PIN_PHASE_BIT);
#endif
#endif
    st_masks |= ST_BIT(TOIE1);
    ST_TCCRA = st_action;
    ST_TCCRB = (uint8_t)(ST_TIMER_MODE | (st_edge_select & ST_BIT(ICES1)));
    ST_TIMSK = st_masks;
    TCCR0A = ST_BIT(WGM01);
    TCCR0B = (uint8_t)(ST_BIT(CS01) | ST_BIT(CS00));
    OCR0A = ST_BEAT_COUNT;
    TIMSK0 = ST_BIT(OCIE0A);
    if (SPH != (uint8_t)(RAMEND >> 8)) {
        st_port_halt(); /* the main loop's stack is in the last page of RAM */
    }
    if ((st_coil_pending == (uint8_t)ST_COIL_IDLE) && st_coil_is_on() && !st_coil_matched()) {
        st_coil_off(); /* on, but no spark is armed: never left so */
    }
}

void st_port_events_on(void)
{
    sei();
}

void st_port_events_off(void)
{
    cli();
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
    SP = RAMEND; /* stack and watchdog may have been hit by what led here */
    st_coil_off();
    st_port_feed_watchdog();
    for (;;) {
    }
}
