/* What AVR ports do alike beside their timer: kept RAM, reading a pin; on the classic parts start-up,
 * watchdog and lamp as well.  Included once by st_port_board.c, behind st_port_pins.h, which names the
 * registers.  Section numbers: ATmega328P data sheet (DS40002061).
 */
#ifndef ST_PORT_BOARD_H
#define ST_PORT_BOARD_H

#include <avr/interrupt.h>

static st_retained st_kept __attribute__((section(".noinit")));
volatile uint8_t st_reset_cause __attribute__((section(".noinit")));

st_retained *st_port_retained(void)
{
    return &st_kept;
}

/* Four clocks from read to read: what the noise canceller drops, no longer than that, is seen by one
 * read at most, so it never makes the majority. */
#define ST_MAJORITY_OF(in, bit) \
    uint8_t a; \
    uint8_t b; \
    uint8_t c; \
    a = (in); \
    __builtin_avr_delay_cycles(3UL); \
    b = (in); \
    __builtin_avr_delay_cycles(3UL); \
    c = (in); \
    return ((((a & b) | (b & c) | (a & c)) & ST_BIT(bit)) != 0U) != (ST_CFG_ACTIVE_LOW != 0)

#if defined(MCUSR)
#include <avr/wdt.h>

/* Of st_reset_cause, beside the bits of MCUSR (10.9.1). */
#define ST_STARTING 0x80U  /* start-up was reached as it should be, and is not over */
#define ST_ONCE_MORE 0x40U /* the next halt may start anew */
#define ST_NEVER 0x20U     /* of no reset that a board here knows */

void st_port_halt(void) __attribute__((noreturn));

/* Before C start-up (avr-libc section .init3): the coil off and driven, the reset cause kept, the
 * watchdog at its shortest.  After a watchdog reset it is running already (10.9.2). */
void st_port_early(void) __attribute__((naked, used, section(".init3")));
void st_port_early(void)
{
#if ST_CFG_COIL_ON_HIGH
    ST_COIL_OUT &= (uint8_t)~ST_BIT(ST_PIN_COIL_BIT);
#else
    ST_COIL_OUT |= ST_BIT(ST_PIN_COIL_BIT);
#endif
    ST_COIL_DIR |= ST_BIT(ST_PIN_COIL_BIT);
#if ST_CFG_TWO_COILS
    ST_SELECT_DIR |= ST_BIT(ST_PIN_COIL_SELECT_BIT);
#endif
    st_reset_cause = (uint8_t)(MCUSR | ST_STARTING | ST_ONCE_MORE);
    MCUSR = 0U;
    wdt_enable(WDTO_15MS);
    __asm__ volatile(".global st_anew\nst_anew:");
}

/* Whole, for code thrown into where it is written may have written anything: a power-on it was not would
 * cost the kept period. */
bool st_port_power_on(void)
{
    uint8_t const told = ST_STARTING | ST_ONCE_MORE | ST_NEVER | ST_BIT(PORF);
    return (st_reset_cause & told) == (told & (uint8_t)~ST_NEVER);
}

/* Code thrown into start-up by an upset has cleared the core's state, half of it or with a stack that
 * lies wrong: it starts anew, and properly, at once. */
void st_port_started(void)
{
    if ((st_reset_cause & ST_STARTING) == 0U) {
        st_port_halt();
    }
    st_reset_cause &= ST_ONCE_MORE;
    st_port_events_on();
}

/* Once between two resets a halt starts the program anew by itself, 16 ms sooner than the watchdog and
 * without feeding it.  What that cannot put right ends in the next halt, and that in a reset.
 * Interrupts off, stack at its beginning. */
void st_start_anew_once(void)
{
    if (st_reset_cause == ST_ONCE_MORE) {
        st_reset_cause = ST_STARTING;
        __asm__ volatile(ST_JMP " st_anew");
    }
}

bool st_port_active(void)
{
    ST_MAJORITY_OF(ST_PICKUP_IN, ST_PIN_PICKUP_BIT);
}

/* Its register is written again each time: a flipped bit would leave a hung chip hanging. */
void st_port_feed_watchdog(void)
{
    wdt_enable(WDTO_15MS);
}

/* Beyond the reach of SBI and CBI (ports H to L) reading and writing a port takes several instructions:
 * a handler that switched another of its pins in between would be undone. */
void st_port_lamp(bool on)
{
    if (ST_LAMP_FAR) {
        cli();
    }
    if (on) {
        ST_LAMP_OUT |= ST_BIT(ST_PIN_LAMP_BIT);
    } else {
        ST_LAMP_OUT &= (uint8_t)~ST_BIT(ST_PIN_LAMP_BIT);
    }
    if (ST_LAMP_FAR) {
        sei();
    }
}
#endif

#endif
