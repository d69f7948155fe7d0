/* What AVR ports on st_port_span.h do alike: one handler for three vectors, events held off and let in.
 * Included once by st_port.c, which names ST_JMP and ST_CALL as its chip has them.
 *
 * A compiler saves every register in each handler that calls a function, three times the code.  So
 * each vector loads its number and joins st_entry, which saves what a C function may change
 * (avr-gcc's calling convention).
 */
#ifndef ST_PORT_AVR_H
#define ST_PORT_AVR_H

#include <avr/interrupt.h>

#define ST_VECTOR_CAPTURE 1
#define ST_VECTOR_COIL 2
#define ST_VECTOR_ALARM 3
#define ST_TEXT_(x) #x
#define ST_TEXT(x) ST_TEXT_(x)
#define ST_VECTOR(vector) __asm__ volatile("push r24\n\tldi r24, " ST_TEXT(vector) "\n\t" ST_JMP " st_entry")

void st_serve(uint8_t vector) __attribute__((used, noinline));
void st_serve(uint8_t vector)
{
    st_core *const core = &st_the_core;
    if (vector == ST_VECTOR_CAPTURE) {
        st_serve_capture(core);
    } else if (vector == ST_VECTOR_ALARM) {
        st_serve_alarm(core);
    } else {
        st_serve_coil(core);
    }
    st_finish(core);
}

void st_entry(void) __attribute__((naked, used));
void st_entry(void)
{
    __asm__ volatile("push r0\n\tin r0, __SREG__\n\tpush r0\n\tpush r1\n\tclr r1\n\t"
                     "push r18\n\tpush r19\n\tpush r20\n\tpush r21\n\tpush r22\n\tpush r23\n\t"
                     "push r25\n\tpush r26\n\tpush r27\n\tpush r30\n\tpush r31\n\t"
                     ST_CALL " st_serve\n\t"
                     "pop r31\n\tpop r30\n\tpop r27\n\tpop r26\n\tpop r25\n\t"
                     "pop r23\n\tpop r22\n\tpop r21\n\tpop r20\n\tpop r19\n\tpop r18\n\t"
                     "pop r1\n\tpop r0\n\tout __SREG__, r0\n\tpop r0\n\tpop r24\n\treti");
}

/* A vector that nothing should reach: outputs safe, then the watchdog resets the chip. */
ISR(BADISR_vect)
{
    st_port_halt();
}

void st_port_events_on(void)
{
    sei();
}

void st_port_events_off(void)
{
    cli();
}

uint8_t st_port_heartbeats(void)
{
    uint8_t beats;
    cli();
    beats = st_beats;
    st_beats = 0U;
    sei();
    return beats;
}

#endif
