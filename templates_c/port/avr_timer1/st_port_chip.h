/* Where the chips of the family differ: which timer has its capture and compare pins brought out, what
 * vectors and the serial port are called.  Bits have the same places in every timer and port, so the
 * names of timer 1 and USART0 serve for all.
 *
 *   ATmega48..328P   timer 1: ICP1 PB0, OC1A PB1; USART0
 *   ATmega2560       timer 5: ICP5 PL1, OC5A PL3 (boards leave ICP1 out); USART0
 *   ATmega32U4       timer 1: ICP1 PD4, OC1A PB5; USART1
 *   ATtiny24/44/84   timer 1: ICP1 PA7, OC1A PA6; no USART
 */
#ifndef ST_PORT_CHIP_H
#define ST_PORT_CHIP_H

#include <avr/io.h>

#if defined(__AVR_ATmega2560__)
#define ST_TIMER(before, after) before##5##after
#define ST_TIMER_VECTOR(event) TIMER5_##event##_vect
#elif defined(__AVR_ATtiny24__) || defined(__AVR_ATtiny44__) || defined(__AVR_ATtiny84__)
#define ST_TIMER(before, after) before##1##after
#define ST_TIMER_VECTOR(event) TIM1_##event##_vect
#define ST_BEAT_VECTOR TIM0_COMPA_vect
/* Its converter refers to VCC with both bits 0, to the pin AREF with REFS0 (ATtiny84 data sheet, table
 * of REFS1:0, from memory). */
#define ST_ADC_REFERENCE 0U
#else
#define ST_TIMER(before, after) before##1##after
#define ST_TIMER_VECTOR(event) TIMER1_##event##_vect
#endif

#ifndef ST_ADC_REFERENCE
#define ST_ADC_REFERENCE ((uint8_t)(1U << REFS0)) /* AVCC (table 24-3) */
#endif

#ifndef ST_BEAT_VECTOR
#define ST_BEAT_VECTOR TIMER0_COMPA_vect
#endif

#define ST_TCCRA ST_TIMER(TCCR, A)
#define ST_TCCRB ST_TIMER(TCCR, B)
#define ST_TCCRC ST_TIMER(TCCR, C)
#define ST_TCNT ST_TIMER(TCNT, )
#define ST_ICR ST_TIMER(ICR, )
#define ST_OCRA ST_TIMER(OCR, A)
#define ST_OCRB ST_TIMER(OCR, B)
#define ST_TIMSK ST_TIMER(TIMSK, )
#define ST_TIFR ST_TIMER(TIFR, )

#if defined(UDR0)
#define ST_HAS_SERIAL 1
#define ST_UCSRA UCSR0A
#define ST_UCSRB UCSR0B
#define ST_UBRR UBRR0
#define ST_UDR UDR0
#define ST_U2X U2X0
#define ST_TXEN TXEN0
#define ST_UDRE UDRE0
#elif defined(UDR1)
#define ST_HAS_SERIAL 1
#define ST_UCSRA UCSR1A
#define ST_UCSRB UCSR1B
#define ST_UBRR UBRR1
#define ST_UDR UDR1
#define ST_U2X U2X1
#define ST_TXEN TXEN1
#define ST_UDRE UDRE1
#else
#define ST_HAS_SERIAL 0
#endif

/* Chips with 8 KiB and less have no JMP and CALL, and need none. */
#if defined(__AVR_HAVE_JMP_CALL__)
#define ST_JMP "jmp"
#define ST_CALL "call"
#else
#define ST_JMP "rjmp"
#define ST_CALL "rcall"
#endif

#endif
