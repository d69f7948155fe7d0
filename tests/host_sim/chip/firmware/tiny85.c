/* What the ATtiny85 port relies on: timer 0's compare output, and INT0 by edge. */
#include <avr/interrupt.h>
#include <avr/io.h>

volatile uint16_t at[8];
volatile uint8_t count;

ISR(INT0_vect)
{
    at[count & 7] = TCNT0;
    count++;
}

int main(void)
{
    DDRB = _BV(PB0);
    OCR0A = 100;
    TCCR0A = _BV(COM0A1) | _BV(COM0A0);
    TCCR0B = _BV(CS01);
    MCUCR = _BV(ISC01) | (RISING ? _BV(ISC00) : 0);
    GIMSK = _BV(INT0);
    sei();
    while (!(TIFR & _BV(OCF0A))) {
    }
    TIFR = _BV(OCF0A);
    OCR0A = 200;
    TCCR0A = _BV(COM0A1);
    while (!(TIFR & _BV(OCF0A))) {
    }
    TCCR0A = _BV(COM0A1) | _BV(COM0A0);
    TCCR0B = _BV(FOC0A) | _BV(CS01);
    __builtin_avr_delay_cycles(100);
    TCCR0A = _BV(COM0A1);
    TCCR0B = _BV(FOC0A) | _BV(CS01);
    for (;;) {
    }
}
