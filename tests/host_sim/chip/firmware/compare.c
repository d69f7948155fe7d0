/* Timer 1's compare unit and the pin, one case an image. */
#include <avr/interrupt.h>
#include <avr/io.h>

#define NOPS(n) __builtin_avr_delay_cycles(n)

volatile uint16_t at[8];

static inline uint16_t now(void)
{
    return TCNT1;
}

int main(void)
{
#if CASE == 1 /* clear on match, many overflows and register writes: nothing to be seen */
    DDRB = _BV(PB1);
    TCCR1A = _BV(COM1A1);
    TCCR1B = _BV(CS10);
    for (;;) {
        OCR1A = TCNT1 + 1000;
        NOPS(700);
    }
#elif CASE == 2 /* set at 1000, clear at 3000 */
    DDRB = _BV(PB1);
    OCR1A = 1000;
    TCCR1A = _BV(COM1A1) | _BV(COM1A0);
    TCCR1B = _BV(CS11);
    while (!(TIFR1 & _BV(OCF1A))) {
    }
    TIFR1 = _BV(OCF1A);
    OCR1A = 3000;
    TCCR1A = _BV(COM1A1);
    for (;;) {
    }
#elif CASE == 3 /* set by match; then port writes of the other level must not show */
    DDRB = _BV(PB1) | _BV(PB5);
    OCR1A = 500;
    TCCR1A = _BV(COM1A1) | _BV(COM1A0);
    TCCR1B = _BV(CS10);
    for (;;) {
        PORTB = 0;
        NOPS(100);
        PORTB = 0xFF;
        NOPS(101);
    }
#elif CASE == 4 /* forced compare: on and off at once, both units in one write */
    DDRB = _BV(PB1) | _BV(PB2);
    TCCR1B = _BV(CS10);
    TCCR1A = _BV(COM1A1) | _BV(COM1A0) | _BV(COM1B1) | _BV(COM1B0);
    NOPS(100);
    TCCR1C = _BV(FOC1A);
    NOPS(100);
    TCCR1A = _BV(COM1A1) | _BV(COM1B1) | _BV(COM1B0);
    TCCR1C = _BV(FOC1A) | _BV(FOC1B);
    for (;;) {
    }
#elif CASE == 5 /* connected and on; disconnected: the port's 0; input: floating */
    DDRB = _BV(PB1);
    TCCR1A = _BV(COM1A1) | _BV(COM1A0);
    TCCR1C = _BV(FOC1A);
    NOPS(100);
    TCCR1A = 0;
    NOPS(100);
    PORTB = _BV(PB1);
    NOPS(100);
    DDRB = 0;
    for (;;) {
    }
#elif CASE == 6 /* the highest compare value matches as the counter rolls over */
    DDRB = _BV(PB1);
    OCR1A = 0xFFFF;
    TCNT1 = 0xFF00;
    TCCR1A = _BV(COM1A0);
    TCCR1B = _BV(CS10);
    for (;;) {
    }
#elif CASE == 7 /* toggle on match, interrupt flag never cleared */
    DDRB = _BV(PB1);
    OCR1A = 2000;
    TCCR1A = _BV(COM1A0);
    TIMSK1 = _BV(OCIE1A); /* pending for ever: interrupts are off */
    TCCR1B = _BV(CS10);
    for (;;) {
    }
#elif CASE == 8 /* the count is kept when stopped, written while stopped, kept on changes */
    TCNT1 = 0x1234;
    at[0] = now();
    TCCR1B = _BV(CS10);
    NOPS(1000);
    TCCR1B = 0;
    at[1] = now();
    at[2] = now();
    TCCR1B = _BV(CS11);
    at[3] = now();
    TCCR1A = 0;
    TCCR1B = _BV(CS10);
    at[4] = now();
    for (;;) {
    }
#elif CASE == 9 /* one temporary byte for every 16-bit access */
    OCR1AH = 0x12;
    TCNT1L = 0x34; /* with the high byte written for the other register */
    at[0] = now();
    TCNT1 = 0xABCD;
    (void)TCNT1L;      /* AB into the temporary byte */
    OCR1BL = 0x55;
    at[1] = OCR1B;
    OCR1AH = 0x77; /* alone: no effect */
    at[2] = OCR1A;
    for (;;) {
    }
#elif CASE == 10 /* prescaler reset: the next step is one whole tick later */
    TCCR1B = _BV(CS11) | _BV(CS10);
    DDRB = _BV(PB1);
    NOPS(23);
    PORTB = _BV(PB1);
    GTCCR = _BV(PSRSYNC);
    PORTB = 0;
    for (;;) {
    }
#endif
}
