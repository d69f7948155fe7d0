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

typedef uint8_t st_events;
#define ST_EVENT_COIL TCA_SINGLE_CMP0_bm
#define ST_EVENT_ALARM TCA_SINGLE_CMP1_bm
#define ST_REACH_TICKS UINT32_C(0xFFFF) /* the coil's match is set a count later */
#define ST_JMP "jmp"
#define ST_CALL "call"

#include "st_port_span.h"

#include "st_port_avr.h"

static uint8_t st_masks;           /* what TCA0's INTCTRL should hold */
static uint8_t st_capture_mask;    /* what TCB0's INTCTRL should hold */
static uint8_t st_edge_select;     /* EDGE of TCB0's EVCTRL */
static uint8_t st_action;          /* st_coil_order the match event is led to */

/* ---- Coil ------------------------------------------------------------------------------------ */

static void st_mask(st_events events)
{
    st_masks &= (uint8_t)~events;
    ST_TCA.INTCTRL = st_masks;
}

static void st_unmask(st_events events)
{
    st_masks |= events;
    ST_TCA.INTCTRL = st_masks;
}

/* Lead the match event to the flip-flop's J or K; the one not meant first, so that never both listen. */
static void st_lead_to(uint8_t order)
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
    st_lead_to(ST_COIL_OFF_AT);
    ST_EV_STROBE();
    st_coil_pending = (uint8_t)ST_COIL_IDLE;
    st_coil_far = false;
    st_mask(TCA_SINGLE_CMP0_bm);
}

static void st_match_coil_at(uint16_t count)
{
    ST_TCA.CMP0 = (uint16_t)(count + 1U);
    ST_TCA.INTFLAGS = TCA_SINGLE_CMP0_bm;
}

static void st_match_alarm_at(uint16_t count)
{
    ST_TCA.CMP1 = count;
    ST_TCA.INTFLAGS = TCA_SINGLE_CMP1_bm;
}

/* Lead the event to the other input. */
static void st_coil_defuse(void)
{
    if (st_coil_pending == (uint8_t)ST_COIL_ON_AT) {
        st_lead_to(ST_COIL_OFF_AT);
    } else if (st_coil_pending == (uint8_t)ST_COIL_OFF_AT) {
        st_lead_to(ST_COIL_ON_AT);
    } else { /* nothing pending */
    }
}

/* The event stays where it is led, and finds its level there. */
static void st_coil_rest(void)
{
    ST_TCA.INTFLAGS = TCA_SINGLE_CMP0_bm;
}

static void st_tacho(bool high)
{
    st_pin_put(TACHO, high);
}

#if ST_CFG_TWO_COILS
static void st_select_put(bool second)
{
    st_pin_put(COIL_SELECT, second);
}
#endif

/* The pin, inverted by its own configuration where the coil is on when low. */
static bool st_coil_is_on(void)
{
    return (ST_VPORT(COIL).IN & ST_MASK(COIL)) != 0U;
}

static bool st_coil_matched(void)
{
    return ((st_masks & TCA_SINGLE_CMP0_bm) != 0U) && ((ST_TCA.INTFLAGS & TCA_SINGLE_CMP0_bm) != 0U);
}

/* ---- Capture --------------------------------------------------------------------------------- */

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

static bool st_captured(void)
{
    return (st_capture_mask != 0U) && ((TCB0.INTFLAGS & TCB_CAPT_bm) != 0U);
}

static st_ticks st_captured_at(void)
{
    return st_time_captured();
}

/* ---- Interrupts ------------------------------------------------------------------------------ */

ISR(TCB0_INT_vect, ISR_NAKED)
{
    ST_VECTOR(ST_VECTOR_CAPTURE);
}

ISR(TCA0_CMP0_vect, ISR_NAKED)
{
    ST_VECTOR(ST_VECTOR_COIL);
}

ISR(TCA0_CMP1_vect, ISR_NAKED)
{
    ST_VECTOR(ST_VECTOR_ALARM);
}

/* Heartbeat, and the guard.  Without the logic blocks the pin is the port's again, off; the flip-flop
 * loses its state with them, and the strobe sees to it. */
ISR(RTC_PIT_vect)
{
    RTC.PITINTFLAGS = RTC_PI_bm;
    if (st_guard_strikes()) {
        CCL.CTRLA = 0U;
        ST_USER_ON = 0U;
        ST_USER_OFF = ST_EV_COIL;
        CCL.CTRLA = CCL_ENABLE_bm;
        ST_EV_STROBE();
    }
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

void st_port_init(void)
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
}

void st_port_started(void)
{
    st_port_events_on();
}

bool st_port_power_on(void)
{
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
    st_lead_to(st_action);
    CCL.CTRLA = CCL_ENABLE_bm;
    RTC.PITINTCTRL = RTC_PI_bm;
    if (SPH != (uint8_t)(RAMEND >> 8)) {
        st_port_halt(); /* the main loop's stack is in the last page of RAM */
    }
    if ((ST_SEQUENCE != ST_FLIP_FLOP) || !st_block_right(ST_BLOCK(ST_LUT), ST_BLOCK_J) ||
        !st_block_right(ST_BLOCK(ST_LUT + 1), ST_BLOCK_K)) {
        st_port_halt();
    }
    st_coil_refresh();
}

void st_port_halt(void)
{
    cli();
    st_coil_off();
    CCL.CTRLA = 0U;
    for (;;) {
    }
}
