/* Names for the registers of the pins that config.h chooses, and what the port's files share. */
#ifndef ST_PORT_PINS_H
#define ST_PORT_PINS_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

#include "config.h"
#include "st_types.h"

#define ST_BIT(n) ((uint8_t)(1U << (n)))

#define ST_PICKUP_IN PINB
#define ST_COIL_OUT PORTB
#define ST_COIL_DIR DDRB
#define ST_LAMP_OUT PORTB
#define ST_LAMP_FAR 0

#define ST_COM_LOW ST_BIT(COM0A1)
#define ST_COM_HIGH ((uint8_t)(ST_BIT(COM0A1) | ST_BIT(COM0A0)))
#if ST_CFG_COIL_ON_HIGH
#define ST_COM_ON ST_COM_HIGH
#define ST_COM_OFF ST_COM_LOW
#else
#define ST_COM_ON ST_COM_LOW
#define ST_COM_OFF ST_COM_HIGH
#endif
#define ST_IDLE_ACTION() ((st_coil_pending == (uint8_t)ST_COIL_ON_AT) ? ST_COM_OFF : ST_COM_ON)
#if ST_CFG_TICK_PRESCALER != 8
#error "this port runs Timer0 at CPU clock / 8"
#endif

#define ST_SPAN 256U
#define ST_NEAR_TICKS 16U /* st_coil_engage takes at most 120 cycles from reading the counter */
#define ST_FAR_TICKS (ST_SPAN + 64U) /* more than a lap and all that may interrupt the arming */
#define ST_SPANS_PER_BEAT ((ST_CFG_F_CPU_HZ > 12000000UL) ? 8U : 4U) /* about 1 ms; a power of two */
#define ST_GUARD_BEATS ST_CFG_GUARD_BEATS

#define ST_EVENT_CAPTURE 1U
#define ST_EVENT_COIL 2U
#define ST_EVENT_ALARM 4U

#define ST_HOLD() \
    uint8_t const held = SREG; \
    cli()
#define ST_RELEASE() SREG = held

/* The other handlers let a time stamp in before they save anything, but not the core: it would keep
 * them from arming the last lap.  Their own flags come a lap later at the earliest. */
#define ST_LET_IN(rest) \
    __asm__ volatile("push r24\n\tin r24, __SREG__\n\tpush r24\n\t" \
                     "lds r24, st_busy\n\tinc r24\n\tsts st_busy, r24\n\t" \
                     "pop r24\n\tout __SREG__, r24\n\tpop r24\n\tsei\n\trjmp " rest)

extern volatile uint8_t st_reset_cause; /* MCUSR as the reset left it, and more: st_port_board.h */
void st_start_anew_once(void);
#define ST_JMP "rjmp"

extern volatile uint8_t st_span;
extern volatile uint16_t st_spans_high;

st_ticks st_time_of(uint16_t high, uint8_t span, uint8_t count, uint8_t flags);

#endif
