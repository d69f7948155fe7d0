/* Resets, one case an image: what survives, what the flags say, what the pins do. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

volatile uint8_t kept[4] __attribute__((section(".noinit")));
volatile uint8_t cause;
volatile uint8_t control;
volatile uint16_t captures;

ISR(TIMER1_CAPT_vect)
{
    captures++;
}

int main(void)
{
    cause = MCUSR;
    control = WDTCSR;
    MCUSR = 0;
    if (cause & _BV(PORF)) {
        kept[0] = 0;
    }
    kept[0]++;
    kept[1] = cause;
    DDRB = _BV(PB1);
    TCCR1B = _BV(ICES1) | _BV(CS10);
    TIFR1 = _BV(ICF1); /* selecting the edge may have set it */
    TIMSK1 = _BV(ICIE1);
    TCCR1A = _BV(COM1A1) | _BV(COM1A0);
#if CASE == 1 /* hangs with the coil on until the watchdog bites; after that is served */
    if (kept[0] == 1) {
        wdt_enable(WDTO_15MS);
        TCCR1C = _BV(FOC1A);
        for (;;) {
        }
    }
    wdt_reset();
    kept[2] = control;
#endif
#if CASE == 3 /* the watchdog stays on after it has bitten */
    wdt_enable(WDTO_15MS);
    TCCR1C = _BV(FOC1A);
    for (;;) {
    }
#endif
    sei();
    TCCR1C = _BV(FOC1A);
    for (;;) {
#if CASE == 1
        wdt_reset();
#endif
    }
}
