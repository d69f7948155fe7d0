/* The hardware use of an ignition in fifty lines: capture with the noise canceller, coil
 * on OC1A by compare, heartbeat on timer 0, watchdog at 16 ms, a polled serial port. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

enum { DELAY_TICKS = 2000, DWELL_TICKS = 6000 };

volatile uint16_t captures;
volatile uint16_t overflows;
volatile uint8_t beats;
static volatile uint8_t phase;

ISR(TIMER1_CAPT_vect)
{
    uint16_t t = ICR1;
    captures++;
    phase = 1;
    OCR1A = t + DELAY_TICKS;
    TCCR1A = _BV(COM1A1) | _BV(COM1A0); /* set on match: charge */
    TIFR1 = _BV(OCF1A);
    TIMSK1 |= _BV(OCIE1A);
}

ISR(TIMER1_COMPA_vect)
{
    if (phase == 1) {
        phase = 2;
        OCR1A += DWELL_TICKS;
        TCCR1A = _BV(COM1A1); /* clear on match: spark */
    } else {
        TIMSK1 &= ~_BV(OCIE1A);
    }
}

ISR(TIMER1_OVF_vect)
{
    overflows++;
}

ISR(TIMER0_COMPA_vect)
{
    beats++;
}

int main(void)
{
    uint8_t sent = 0;
    DDRB = _BV(PB1);
    TCCR1A = _BV(COM1A1);
    TCCR1B = _BV(ICNC1) | _BV(ICES1) | _BV(CS11);
    TCCR1C = _BV(FOC1A);
    TIFR1 = 0xFF;
    TIMSK1 = _BV(ICIE1) | _BV(TOIE1);
    TCCR0A = _BV(WGM01);
    OCR0A = 249;
    TCCR0B = _BV(CS01) | _BV(CS00);
    TIMSK0 = _BV(OCIE0A);
    UBRR0 = 16;
    UCSR0A = _BV(U2X0);
    UCSR0B = _BV(TXEN0);
    wdt_enable(WDTO_15MS);
    sei();
    for (;;) {
        wdt_reset();
        if ((UCSR0A & _BV(UDRE0)) && (uint8_t)(captures & 0xFF) != sent) {
            sent = (uint8_t)captures;
            UDR0 = 'A' + (sent & 15);
        }
    }
}
