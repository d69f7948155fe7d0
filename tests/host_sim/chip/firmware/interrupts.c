/* Interrupt flags, enables and response, one case an image. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

volatile uint8_t seen[8];
volatile uint16_t count;

#if CASE == 1 || CASE == 2 || CASE == 7
/* The first instruction of the handler reads the count. */
ISR(TIMER1_COMPA_vect, ISR_NAKED)
{
    __asm__ volatile("lds r24, 0x84\n sts seen, r24\n reti");
}
#elif CASE == 9
ISR(TIMER1_COMPA_vect, ISR_NAKED)
{
    __asm__ volatile("sts seen, r16\n reti");
}
ISR(TIMER1_COMPB_vect, ISR_NAKED)
{
    __asm__ volatile("sts seen+1, r16\n reti");
}
#elif CASE == 5 || CASE == 6
/* Says how far the main program came, once. */
ISR(TIMER1_COMPA_vect, ISR_NAKED)
{
    __asm__ volatile("sts seen, r16\n clr r18\n sts 0x6f, r18\n reti"); /* TIMSK1 = 0 */
}
#else
ISR(TIMER1_COMPA_vect)
{
    count++;
}
ISR(TIMER1_CAPT_vect)
{
    seen[1]++;
}
ISR(INT0_vect)
{
    count++;
}
#endif

static inline void raise_compare_flag(void)
{
    TCCR1B = _BV(CS10);
    while (!(TIFR1 & _BV(OCF1A))) {
    }
}

int main(void)
{
#if CASE == 1 /* response from a loop of one-cycle instructions */
    OCR1A = 100;
    TIMSK1 = _BV(OCIE1A);
    TCCR1B = _BV(CS10);
    sei();
    for (;;) {
        __asm__ volatile(".rept 200\n nop\n .endr");
    }
#elif CASE == 2 /* response from idle sleep */
    OCR1A = 100;
    TIMSK1 = _BV(OCIE1A);
    set_sleep_mode(SLEEP_MODE_IDLE);
    sleep_enable();
    TCCR1B = _BV(CS10);
    sei();
    for (;;) {
        sleep_cpu();
    }
#elif CASE == 3 /* writing one to a flag clears that flag only; writing 0 none */
    OCR1A = 10;
    OCR1B = 20;
    TCCR1B = _BV(CS10);
    __asm__ volatile(".rept 60\n nop\n .endr");
    seen[0] = TIFR1;
    TIFR1 = 0;
    seen[1] = TIFR1;
    TIFR1 = _BV(OCF1A);
    seen[2] = TIFR1;
    TIFR1 = _BV(OCF1B);
    seen[3] = TIFR1;
    for (;;) {
    }
#elif CASE == 4 /* an interrupt enabled with its flag set fires at once, and once */
    OCR1A = 10;
    raise_compare_flag();
    TCCR1B = 0;
    sei();
    seen[0] = (uint8_t)count;
    TIMSK1 = _BV(OCIE1A);
    __asm__ volatile("nop\n nop\n");
    seen[2] = (uint8_t)count;
    __asm__ volatile(".rept 60\n nop\n .endr");
    seen[3] = (uint8_t)count;
    seen[4] = TIFR1;
    for (;;) {
    }
#elif CASE == 5 || CASE == 6 /* one instruction runs after SEI, and after OUT SREG */
    OCR1A = 10;
    raise_compare_flag();
    TCCR1B = 0;
    TIMSK1 = _BV(OCIE1A);
    __asm__ volatile("clr r16\n in r20, 0x3f\n ori r20, 0x80\n"
#if CASE == 5
                     "sei\n"
#else
                     "out 0x3f, r20\n"
#endif
                     "inc r16\n inc r16\n inc r16\n inc r16\n inc r16\n" ::
                         : "r16", "r17", "r18", "r20");
    for (;;) {
    }
#elif CASE == 7 /* SLEEP without its enable bit is no sleep */
    TCCR1B = _BV(CS10);
    sei();
    sleep_cpu();
    seen[1] = TCNT1L;
    sleep_cpu();
    seen[2] = TCNT1L;
    for (;;) {
    }
#elif CASE == 8 /* INT0 low at power-up, then set to falling edges */
    EICRA = _BV(ISC01);
    EIFR = _BV(INTF0);
    EIMSK = _BV(INT0);
    sei();
    for (;;) {
    }
#elif CASE == 9 /* main gets one instruction between two pending interrupts */
    OCR1A = 10;
    OCR1B = 10;
    raise_compare_flag();
    TCCR1B = 0;
    TIMSK1 = _BV(OCIE1A) | _BV(OCIE1B);
    __asm__ volatile("clr r16\n sei\n .rept 20\n inc r16\n .endr" ::: "r16");
    for (;;) {
    }
#elif CASE == 10 /* a toggled pin, and then the port written */
    DDRB = _BV(PB5) | _BV(PB4);
    PINB = _BV(PB5);
    seen[0] = PORTB;
    PORTB = _BV(PB5) | _BV(PB4);
    PINB = _BV(PB4);
    PORTB = _BV(PB5) | _BV(PB4);
    PINB = _BV(PB5);
    seen[1] = PORTB;
    for (;;) {
    }
#endif
}
