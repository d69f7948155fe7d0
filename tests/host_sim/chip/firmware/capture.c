/* Stores what timer 1 captured, and what PB0 showed: PB5 follows it as fast as it can. */
#include <avr/interrupt.h>
#include <avr/io.h>

volatile uint16_t at[16];
volatile uint8_t count;

ISR(TIMER1_CAPT_vect)
{
    if (count < 16) {
        at[count] = ICR1;
    }
    count++;
#ifdef BOTH_EDGES
    TCCR1B ^= _BV(ICES1);
    TIFR1 = _BV(ICF1);
#endif
}

int main(void)
{
    DDRB = _BV(PB5);
#ifdef PULL_UP
    PORTB = _BV(PB0);
#endif
    TCCR1B = (CANCELLER ? _BV(ICNC1) : 0) | (RISING ? _BV(ICES1) : 0) | CLOCK;
    TIFR1 = _BV(ICF1);
    TIMSK1 = _BV(ICIE1);
#ifdef FOLLOW
    for (;;) { /* IN, OUT-time and loop: PB5 changes at most 7 cycles after PINB does */
        if (PINB & _BV(PB0)) {
            PORTB |= _BV(PB5);
        } else {
            PORTB &= (uint8_t)~_BV(PB5);
        }
    }
#endif
    sei();
    for (;;) {
#ifdef PULL_UP
        PORTB ^= _BV(PB5); /* writes of the whole port */
#endif
    }
}
