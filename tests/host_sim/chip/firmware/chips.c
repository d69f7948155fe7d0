/* What the timer-1 port relies on, by the port's own names of the registers, on any of its chips. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "st_port_chip.h"

#define JOIN_(a, b) a##b
#define JOIN(a, b) JOIN_(a, b)
#define COIL_DIR JOIN(DDR, COIL_PORT)

volatile uint16_t at[8];
volatile uint8_t count;

ISR(ST_TIMER_VECTOR(CAPT))
{
    at[count & 7] = ST_ICR;
    count++;
}

int main(void)
{
#if CASE == 1 /* set at 1000, clear at 3000, then forced on and off; edges captured meanwhile */
    COIL_DIR |= _BV(COIL_BIT);
    ST_OCRA = 1000;
    ST_TCCRA = _BV(COM1A1) | _BV(COM1A0);
    ST_TCCRB = _BV(ICNC1) | _BV(ICES1) | _BV(CS11);
    ST_TIMSK = _BV(ICIE1);
    sei();
    while (!(ST_TIFR & _BV(OCF1A))) {
    }
    ST_TIFR = _BV(OCF1A);
    ST_OCRA = 3000;
    ST_TCCRA = _BV(COM1A1);
    while (!(ST_TIFR & _BV(OCF1A))) {
    }
    ST_TCCRA = _BV(COM1A1) | _BV(COM1A0);
    ST_TCCRC = _BV(FOC1A);
    __builtin_avr_delay_cycles(100);
    ST_TCCRA = _BV(COM1A1);
    ST_TCCRC = _BV(FOC1A);
#elif CASE == 2 /* never fed */
    MCUSR = 0;
    wdt_enable(WDTO_15MS);
#elif CASE == 3 /* an edge while masked is told on unmasking; clearing another flag leaves it */
    ST_TCCRB = _BV(ICNC1) | _BV(ICES1) | _BV(CS11);
    sei();
    while (!(ST_TIFR & _BV(ICF1))) {
    }
    ST_TIFR = _BV(OCF1A) | _BV(OCF1B) | _BV(TOV1);
    ST_TIMSK = _BV(ICIE1);
#endif
    for (;;) {
    }
}
