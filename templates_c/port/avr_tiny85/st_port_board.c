/* The part of the ATtiny85 port that needs no timer: start-up, kept RAM, pickup level, watchdog, lamp. */
#include "st_port.h"

#include <avr/io.h>
#include <avr/wdt.h>

#include "st_port_pins.h"

static st_retained st_kept __attribute__((section(".noinit")));
uint8_t st_reset_cause __attribute__((section(".noinit")));

/* Before C start-up (avr-libc section .init3): the coil off and driven, the reset cause kept, the
 * watchdog at its shortest.  After a watchdog reset it is running already (8.4.1). */
void st_port_early(void) __attribute__((naked, used, section(".init3")));
void st_port_early(void)
{
#if ST_CFG_COIL_ON_HIGH
    PORTB &= (uint8_t)~ST_BIT(ST_PIN_COIL_BIT);
#else
    PORTB |= ST_BIT(ST_PIN_COIL_BIT);
#endif
    DDRB |= ST_BIT(ST_PIN_COIL_BIT);
    st_reset_cause = MCUSR;
    MCUSR = 0U;
    wdt_enable(WDTO_15MS);
}

st_retained *st_port_retained(void)
{
    return &st_kept;
}

bool st_port_active(void)
{
    uint8_t a;
    uint8_t b;
    uint8_t c;
    a = PINB;
    __builtin_avr_delay_cycles(3UL);
    b = PINB;
    __builtin_avr_delay_cycles(3UL);
    c = PINB;
    return ((((a & b) | (b & c) | (a & c)) & ST_BIT(ST_PIN_PICKUP_BIT)) != 0U) != (ST_CFG_ACTIVE_LOW != 0);
}

void st_port_feed_watchdog(void)
{
    wdt_reset();
}

bool st_port_send(uint8_t byte)
{
    (void)byte;
    return true; /* the chip has no serial port */
}

void st_port_lamp(bool on)
{
    if (on) {
        PORTB |= ST_BIT(ST_PIN_LAMP_BIT);
    } else {
        PORTB &= (uint8_t)~ST_BIT(ST_PIN_LAMP_BIT);
    }
}
