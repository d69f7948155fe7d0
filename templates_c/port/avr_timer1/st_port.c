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
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

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

typedef uint8_t st_events;
#define ST_EVENT_COIL ST_BIT(OCIE1A)
#define ST_EVENT_ALARM ST_BIT(OCIE1B)
#define ST_REACH_TICKS UINT32_C(0x10000)

#include "st_port_span.h"

#include "st_port_avr.h"

static uint16_t st_high;           /* upper half of the tick counter */
static uint8_t st_masks;           /* what ST_TIMSK should hold */
static uint8_t st_edge_select;     /* what ICES1 should hold */
static uint8_t st_action;          /* what ST_TCCRA should hold: the action at the match */

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

static void st_mask(st_events events)
{
    st_masks &= (uint8_t)~events;
    ST_TIMSK = st_masks;
}

static void st_unmask(st_events events)
{
    st_masks |= events;
    ST_TIMSK = st_masks;
}

static void st_match_coil_at(uint16_t count)
{
    ST_OCRA = count;
    ST_TIFR = ST_BIT(OCF1A);
}

static void st_match_alarm_at(uint16_t count)
{
    ST_OCRB = count;
    ST_TIFR = ST_BIT(OCF1B);
}

static void st_tacho(bool high)
{
    if (high) {
        ST_TACHO_OUT |= ST_BIT(ST_PIN_TACHO_BIT);
    } else {
        ST_TACHO_OUT &= (uint8_t)~ST_BIT(ST_PIN_TACHO_BIT);
    }
}

ST_APART static void st_action_to(uint8_t action)
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

ST_APART static void st_lead_to(uint8_t order)
{
    st_action_to((order == (uint8_t)ST_COIL_ON_AT) ? ST_COM_ON : ST_COM_OFF);
}

/* The opposite action. */
static void st_coil_defuse(void)
{
    if (st_coil_pending == (uint8_t)ST_COIL_ON_AT) {
        st_action_to(ST_COM_OFF);
    } else if (st_coil_pending == (uint8_t)ST_COIL_OFF_AT) {
        st_action_to(ST_COM_ON);
    } else { /* nothing pending */
    }
}

/* The action stays, and finds its level there. */
static void st_coil_rest(void)
{
    ST_TIFR = ST_BIT(OCF1A);
}

static bool st_coil_is_on(void)
{
    bool const high = (ST_COIL_IN & ST_BIT(ST_PIN_COIL_BIT)) != 0U;
    return high == (ST_CFG_COIL_ON_HIGH != 0);
}

static bool st_coil_matched(void)
{
    return ((st_masks & ST_BIT(OCIE1A)) != 0U) && ((ST_TIFR & ST_BIT(OCF1A)) != 0U);
}

#if ST_CFG_TWO_COILS
static void st_select_put(bool second)
{
    if (second) {
        ST_SELECT_OUT |= ST_BIT(ST_PIN_COIL_SELECT_BIT);
    } else {
        ST_SELECT_OUT &= (uint8_t)~ST_BIT(ST_PIN_COIL_SELECT_BIT);
    }
}
#endif

/* ---- Capture --------------------------------------------------------------------------------- */

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

static bool st_captured(void)
{
    return ((st_masks & ST_BIT(ICIE1)) != 0U) && ((ST_TIFR & ST_BIT(ICF1)) != 0U);
}

static st_ticks st_captured_at(void)
{
    return st_extend(ST_ICR);
}

/* ---- Interrupts ------------------------------------------------------------------------------ */

ISR(ST_TIMER_VECTOR(CAPT), ISR_NAKED)
{
    ST_VECTOR(ST_VECTOR_CAPTURE);
}

ISR(ST_TIMER_VECTOR(COMPA), ISR_NAKED)
{
    ST_VECTOR(ST_VECTOR_COIL);
}

ISR(ST_TIMER_VECTOR(COMPB), ISR_NAKED)
{
    ST_VECTOR(ST_VECTOR_ALARM);
}

ISR(ST_TIMER_VECTOR(OVF))
{
    st_high++;
}

/* Heartbeat, and the guard. */
ISR(ST_BEAT_VECTOR)
{
    if (st_guard_strikes()) {
        ST_TCCRA = ST_COM_OFF;
        ST_TCCRC = ST_BIT(FOC1A);
    }
}

/* ---- The rest of the contract ---------------------------------------------------------------- */

void st_port_init(void)
{
    st_action = ST_COM_OFF;
    st_port_refresh();
#if ST_HAS_SERIAL
    ST_UCSRA = ST_BIT(ST_U2X);
    ST_UBRR = ST_BAUD_COUNT;
    ST_UCSRB = ST_CFG_TELL ? ST_BIT(ST_TXEN) : 0U;
#endif
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
    if (st_the_core.orders.capture != (uint8_t)ST_CAPTURE_MASKED) {
        st_masks |= ST_BIT(ICIE1); /* armed, whatever has become of the copy */
    }
    ST_TIMSK = st_masks;
    TCCR0A = ST_BIT(WGM01);
    TCCR0B = (uint8_t)(ST_BIT(CS01) | ST_BIT(CS00));
    OCR0A = ST_BEAT_COUNT;
    TIMSK0 = ST_BIT(OCIE0A);
    st_coil_refresh();
}

void st_port_halt(void)
{
    cli();
    SP = RAMEND; /* the stack may have been hit by what led here, and the watchdog, and the zero register */
    __asm__ volatile("clr __zero_reg__");
    st_coil_off();
    _WD_CONTROL_REG = (uint8_t)(ST_BIT(_WD_CHANGE_BIT) | ST_BIT(WDE)); /* on, at its shortest, not fed */
    _WD_CONTROL_REG = ST_BIT(WDE);
    st_start_anew_once();
    for (;;) {
    }
}

/* Main does not return; code that runs astray may return from it.  The compiler's start-up would hang
 * with interrupts off then, for good where the watchdog has been made an interrupt. */
void st_run_main(void) __attribute__((naked, used, section(".init8")));
void st_run_main(void)
{
    __asm__ volatile(ST_CALL " main\n\t" ST_JMP " st_port_halt");
}

/* What start-up clears RAM with, in place of the compiler's own loop (section .init4), which code thrown
 * into it with another address or end goes through all of RAM with, for ever: the end is loaded in each
 * round, and nothing behind it, such as the kept period, is ever reached. */
__asm__(".section .init4,\"ax\",@progbits\n"
        ".global __do_clear_bss\n"
        "__do_clear_bss:\n\t"
        "ldi r26, lo8(__bss_start)\n\tldi r27, hi8(__bss_start)\n"
        "1:\tldi r18, hi8(__bss_end)\n\tcpi r26, lo8(__bss_end)\n\tcpc r27, r18\n\tbrsh 2f\n\t"
        "st X+, __zero_reg__\n\trjmp 1b\n"
        "2:\n"
        ".previous");

#if defined(__AVR_HAVE_JMP_CALL__)
/* The compiler's own, which most functions save their registers with, and one thing more: a stack that
 * has left its page ends in a halt.  Code thrown into here from the other of the two, by one flipped
 * bit, would save registers for ever, all over RAM and the registers below it. */
__asm__(".section .text.st_prologue,\"ax\",@progbits\n"
        ".global __prologue_saves__\n"
        "__prologue_saves__:\n\t"
        "push r2\n\tpush r3\n\tpush r4\n\tpush r5\n\tpush r6\n\tpush r7\n\tpush r8\n\tpush r9\n\t"
        "push r10\n\tpush r11\n\tpush r12\n\tpush r13\n\tpush r14\n\tpush r15\n\tpush r16\n\tpush r17\n\t"
        "push r28\n\tpush r29\n\t"
        "in r28, __SP_L__\n\tin r29, __SP_H__\n\tsub r28, r26\n\tsbc r29, r27\n\t"
        "cpi r29, " ST_TEXT(RAMEND) " >> 8\n\tbrne 1f\n\t"
        "in __tmp_reg__, __SREG__\n\tcli\n\tout __SP_H__, r29\n\tout __SREG__, __tmp_reg__\n\t"
        "out __SP_L__, r28\n\tijmp\n"
        "1:\tjmp st_port_halt\n"
        ".previous");
#endif
