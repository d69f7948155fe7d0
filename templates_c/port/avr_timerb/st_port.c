/* Port for AVR chips with timers A and B, an event system and configurable logic: ATmega808..4809 (M:
 * DS40002015) and ATtiny804..1607 (T: DS40002312).
 *
 *   TCA0  tick counter, normal mode, CPU clock / 8; an overflow count makes it 32 bit.
 *         Match 0 is an event that switches the coil; match 1 is the alarm, interrupt only.
 *   TCB0  time stamp: counts CPU clocks and copies its count at the pickup's edge, which the event
 *         system brings, behind its noise canceller (M 21.3.3.3: 4 equal samples).
 *   CCL   coil: a JK flip-flop of two logic blocks.  The match event goes to J (on) or to K (off), as
 *         the event system's user registers say; so the edge comes from hardware at the exact tick,
 *         like a compare output's, and a match that finds its level there already changes nothing.
 *         A timer's own outputs cannot do that here: in normal mode TCA0 drives no pin, its other
 *         modes switch it at fixed places or only toggle it, and TCB0 is the capture.
 *   RTC   heartbeat of about 1 ms and, with it, an on-time guard that shares neither clock nor data
 *         with the core.
 *
 * An instant is a count of TCA0; the pin changes one tick after it, as on the ports with a compare
 * output, so the delay table is the same.
 */
#include "st_port.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "config.h"
#include "st_port_pins.h"

#define ST_LISTEN ((uint8_t)(TCB_CAPTEI_bm | ((ST_CFG_CAPTURE_FILTER != 0) ? TCB_FILTER_bm : 0U)))

/* Four registers a logic block: CTRLA, CTRLB, CTRLC, TRUTH. */
#define ST_BLOCK(n) (&CCL.LUT0CTRLA + (4 * (n)))
#define ST_SEQUENCE ((&CCL.SEQCTRL0)[ST_LUT / 2])
#define ST_FLIP_FLOP 2U   /* JK: J is the even block, K the odd one (M table 28-3) */
#define ST_FROM_EVENT 3U  /* input 0 of a block: its first event; the others 0 */
#define ST_TRUTH 2U       /* out = input 0 */
#define ST_BLOCK_J ((uint8_t)(CCL_ENABLE_bm | CCL_OUTEN_bm))
#define ST_BLOCK_K ((uint8_t)CCL_ENABLE_bm)
#define ST_USER_ON ST_EV_USER_LUT(ST_LUT)
#define ST_USER_OFF ST_EV_USER_LUT(ST_LUT + 1)

/* Heartbeats the coil may be on before the guard ends it.  A beat is 32 clocks of a 32.768 kHz
 * oscillator, 0.977 ms; a quarter more keeps a fast one from striking early. */
#define ST_GUARD_BEATS ((uint8_t)((ST_CFG_GUARD_BEATS * 5U) / 4U + 1U))

static st_ticks st_coil_at;        /* instant armed in, or waiting for, match 0 */
static st_ticks st_alarm_at;
static uint8_t st_coil_pending;    /* st_coil_order that match 0 is to carry out */
static bool st_coil_far;           /* ... but more than one timer span ahead */
static bool st_alarm_far;
static uint8_t st_masks;           /* what TCA0's INTCTRL should hold */
static uint8_t st_capture_mask;    /* what TCB0's INTCTRL should hold */
static uint8_t st_edge_select;     /* EDGE of TCB0's EVCTRL */
static uint8_t st_action;          /* st_coil_order the match event is led to */
static uint8_t st_guard;
static volatile uint8_t st_beats;
static bool st_forced;             /* the guard has struck */

/* ---- Coil ------------------------------------------------------------------------------------ */

static void st_mask(uint8_t events)
{
    st_masks &= (uint8_t)~events;
    ST_TCA.INTCTRL = st_masks;
}

static void st_unmask(uint8_t events)
{
    st_masks |= events;
    ST_TCA.INTCTRL = st_masks;
}

/* Lead the match event to the flip-flop's J or K; the one not meant first, so that never both listen. */
static void st_action_to(uint8_t order)
{
    st_action = order;
    if (order == (uint8_t)ST_COIL_ON_AT) {
        ST_USER_OFF = 0U;
        ST_USER_ON = ST_EV_COIL;
    } else {
        ST_USER_ON = 0U;
        ST_USER_OFF = ST_EV_COIL;
    }
}

/* Off now: the event made by software. */
static void st_coil_off(void)
{
    st_action_to(ST_COIL_OFF_AT);
    ST_EV_STROBE();
    st_coil_pending = (uint8_t)ST_COIL_IDLE;
    st_coil_far = false;
    st_mask(TCA_SINGLE_CMP0_bm);
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

/* Let match 0 carry out the pending order, or leave it to a later overflow when it is far ahead. */
static void st_coil_engage(void)
{
    st_coil_far = !st_within_reach(&st_coil_at);
    if (st_coil_far) {
        st_mask(TCA_SINGLE_CMP0_bm);
        return;
    }
    ST_TCA.CMP0 = (uint16_t)(st_coil_at + 1U);
    ST_TCA.INTFLAGS = TCA_SINGLE_CMP0_bm;
    st_action_to(st_coil_pending);
    st_unmask(TCA_SINGLE_CMP0_bm);
}

/* The pin, inverted by its own configuration where the coil is on when low. */
static bool st_coil_is_on(void)
{
    return (ST_VPORT(COIL).IN & ST_MASK(COIL)) != 0U;
}

/* The match has switched the pin: tell the core. */
static void st_coil_switched(st_core *core)
{
    bool const on = st_coil_pending == (uint8_t)ST_COIL_ON_AT;
    ST_TCA.INTFLAGS = TCA_SINGLE_CMP0_bm;
    st_coil_pending = (uint8_t)ST_COIL_IDLE;
    st_mask(TCA_SINGLE_CMP0_bm);
    st_pin_put(TACHO, !on);
    /* An off-time may fall between two beats. */
    st_guard = st_coil_is_on() ? st_guard : (uint8_t)0U;
    st_on_coil(core, st_coil_at, on);
}

static bool st_coil_matched(void)
{
    return ((st_masks & TCA_SINGLE_CMP0_bm) != 0U) && ((ST_TCA.INTFLAGS & TCA_SINGLE_CMP0_bm) != 0U);
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

/* Lead the match to where it changes nothing, then look whether the old order has come about
 * meanwhile: no order is given twice or lost. */
static void st_coil_defuse(void)
{
    if (st_coil_pending == (uint8_t)ST_COIL_ON_AT) {
        st_action_to(ST_COIL_OFF_AT);
    } else if (st_coil_pending == (uint8_t)ST_COIL_OFF_AT) {
        st_action_to(ST_COIL_ON_AT);
    } else { /* nothing pending */
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
    st_coil_defuse();
    if (st_coil_came_about()) {
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
    st_capture_mask = 0U;
    TCB0.INTCTRL = 0U;
    if (core->orders.capture == (uint8_t)ST_CAPTURE_MASKED) {
        return;
    }
    /* Active low: the magnet's arrival is a falling edge, EDGE = 1. */
    st_edge_select = (lead == (ST_CFG_ACTIVE_LOW != 0)) ? TCB_EDGE_bm : 0U;
    TCB0.EVCTRL = (uint8_t)(ST_LISTEN | st_edge_select);
    __builtin_avr_delay_cycles(6UL); /* a change of edge may look like one, four samples later */
    TCB0.INTFLAGS = TCB_CAPT_bm;
    st_capture_mask = TCB_CAPT_bm;
    TCB0.INTCTRL = TCB_CAPT_bm;
}

static void st_alarm_engage(void)
{
    st_alarm_far = !st_within_reach(&st_alarm_at);
    if (!st_alarm_far) {
        ST_TCA.CMP1 = (uint16_t)st_alarm_at;
        ST_TCA.INTFLAGS = TCA_SINGLE_CMP1_bm;
        st_unmask(TCA_SINGLE_CMP1_bm);
    }
}

static void st_alarm_arm(st_core *core)
{
    core->orders.alarm_fresh = false;
    st_alarm_far = false;
    st_mask(TCA_SINGLE_CMP1_bm);
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

/* The three events share one handler, as in the other AVR port: a compiler saves every register in
 * each handler that calls a function.  Each vector loads its number and joins st_entry, which saves
 * what a C function may change (avr-gcc's calling convention). */
#define ST_EVENT_CAPTURE 1
#define ST_EVENT_COIL 2
#define ST_EVENT_ALARM 3
#define ST_TEXT_(x) #x
#define ST_TEXT(x) ST_TEXT_(x)
#define ST_VECTOR(event) __asm__ volatile("push r24\n\tldi r24, " ST_TEXT(event) "\n\tjmp st_entry")

ISR(TCB0_INT_vect, ISR_NAKED)
{
    ST_VECTOR(ST_EVENT_CAPTURE);
}

ISR(TCA0_CMP0_vect, ISR_NAKED)
{
    ST_VECTOR(ST_EVENT_COIL);
}

ISR(TCA0_CMP1_vect, ISR_NAKED)
{
    ST_VECTOR(ST_EVENT_ALARM);
}

/* An edge waits to be told.  It goes before an alarm that has read the level: what was read may be
 * the glitch that begins with that edge.  An edge that the reads saw has its flag up after them. */
static bool st_captured(void)
{
    return (st_capture_mask != 0U) && ((TCB0.INTFLAGS & TCB_CAPT_bm) != 0U);
}

void st_serve(uint8_t event) __attribute__((used, noinline));
void st_serve(uint8_t event)
{
    st_core *const core = &st_the_core;
    if (event == ST_EVENT_CAPTURE) {
        st_ticks const at = st_time_captured();
        st_coil_first(core);
        st_on_capture(core, at, st_port_now());
    } else if (event == ST_EVENT_ALARM) {
        bool active;
        st_mask(TCA_SINGLE_CMP1_bm);
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
        st_mask(TCA_SINGLE_CMP0_bm);
    }
    st_finish();
}

void st_entry(void) __attribute__((naked, used));
void st_entry(void)
{
    __asm__ volatile("push r0\n\tin r0, __SREG__\n\tpush r0\n\tpush r1\n\tclr r1\n\t"
                     "push r18\n\tpush r19\n\tpush r20\n\tpush r21\n\tpush r22\n\tpush r23\n\t"
                     "push r25\n\tpush r26\n\tpush r27\n\tpush r30\n\tpush r31\n\t"
                     "call st_serve\n\t"
                     "pop r31\n\tpop r30\n\tpop r27\n\tpop r26\n\tpop r25\n\t"
                     "pop r23\n\tpop r22\n\tpop r21\n\tpop r20\n\tpop r19\n\tpop r18\n\t"
                     "pop r1\n\tpop r0\n\tout __SREG__, r0\n\tpop r0\n\tpop r24\n\treti");
}

/* Heartbeat, and the independent guard: it trusts the pin and a constant, nothing else.  Without the
 * logic blocks the pin is the port's again, off; the flip-flop loses its state with them, and the
 * strobe sees to it. */
ISR(RTC_PIT_vect)
{
    RTC.PITINTFLAGS = RTC_PI_bm;
    st_beats++;
    st_guard = st_coil_is_on() ? (uint8_t)(st_guard + 1U) : 0U;
    if (st_guard > ST_GUARD_BEATS) {
        st_guard = 0U;
        CCL.CTRLA = 0U;
        ST_USER_ON = 0U;
        ST_USER_OFF = ST_EV_COIL;
        CCL.CTRLA = CCL_ENABLE_bm;
        ST_EV_STROBE();
        st_forced = true;
    }
}

/* A vector that nothing should reach: outputs safe, then the watchdog resets the chip. */
ISR(BADISR_vect)
{
    st_port_halt();
}

/* ---- The rest of the contract ---------------------------------------------------------------- */

static void st_block_set(volatile uint8_t *block, uint8_t control)
{
    block[1] = ST_FROM_EVENT;
    block[2] = 0U;
    block[3] = ST_TRUTH;
    block[0] = control;
}

static bool st_block_right(volatile uint8_t const *block, uint8_t control)
{
    return (block[0] == control) && (block[1] == ST_FROM_EVENT) && (block[2] == 0U) &&
           (block[3] == ST_TRUTH);
}

bool st_port_init(void)
{
    ST_TCA.PER = 0xFFFFU;
    ST_TCA.CTRLA = (uint8_t)(TCA_SINGLE_CLKSEL_DIV8_gc | TCA_SINGLE_ENABLE_bm);
    TCB0.CTRLB = TCB_CNTMODE_CAPT_gc;
    TCB0.CTRLA = (uint8_t)(TCB_CLKSEL_CLKDIV1_gc | TCB_ENABLE_bm);
    st_time_begin();
    ST_SEQUENCE = ST_FLIP_FLOP;
    st_block_set(ST_BLOCK(ST_LUT), ST_BLOCK_J);
    st_block_set(ST_BLOCK(ST_LUT + 1), ST_BLOCK_K);
    st_action = (uint8_t)ST_COIL_OFF_AT;
    st_port_refresh();
    ST_EV_STROBE();
    RTC.CLKSEL = RTC_CLKSEL_INT32K_gc;
    RTC.PITCTRLA = (uint8_t)(RTC_PERIOD_CYC32_gc | RTC_PITEN_bm);
    st_serial_on();
    return (st_reset_cause & RSTCTRL_PORF_bm) != 0U;
}

/* Nothing here changes a register that already holds what it should; the flip-flop is left to the
 * orders.  The logic blocks can only be written while they are off (M 28.3.2), which would end a
 * charge: where one of them is wrong the chip starts anew. */
void st_port_refresh(void)
{
    st_pins_refresh();
    st_masks |= TCA_SINGLE_OVF_bm;
    ST_TCA.CTRLA = (uint8_t)(TCA_SINGLE_CLKSEL_DIV8_gc | TCA_SINGLE_ENABLE_bm);
    ST_TCA.CTRLB = 0U;
    ST_TCA.CTRLD = 0U;
    ST_TCA.EVCTRL = 0U;
    ST_TCA.PER = 0xFFFFU;
    ST_TCA.INTCTRL = st_masks;
    TCB0.CTRLB = TCB_CNTMODE_CAPT_gc;
    TCB0.CTRLA = (uint8_t)(TCB_CLKSEL_CLKDIV1_gc | TCB_ENABLE_bm);
    TCB0.EVCTRL = (uint8_t)(ST_LISTEN | (st_edge_select & TCB_EDGE_bm));
    TCB0.INTCTRL = st_capture_mask;
    st_time_check();
    ST_EV_COIL_SOURCE = ST_EV_COIL_MATCH;
    ST_EV_PICKUP_SOURCE = ST_EV_PICKUP_PIN;
    ST_EV_USER_CAPTURE = ST_EV_PICKUP;
    st_action_to(st_action);
    CCL.CTRLA = CCL_ENABLE_bm;
    RTC.PITINTCTRL = RTC_PI_bm;
    if (SPH != (uint8_t)(RAMEND >> 8)) {
        st_port_halt(); /* the main loop's stack is in the last page of RAM */
    }
    if ((ST_SEQUENCE != ST_FLIP_FLOP) || !st_block_right(ST_BLOCK(ST_LUT), ST_BLOCK_J) ||
        !st_block_right(ST_BLOCK(ST_LUT + 1), ST_BLOCK_K)) {
        st_port_halt();
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
    st_coil_off();
    CCL.CTRLA = 0U;
    for (;;) {
    }
}
