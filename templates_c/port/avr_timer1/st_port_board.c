/* The part of the AVR port that needs no timer: start-up, kept RAM, pickup level, watchdog, serial, lamp. */
#include "st_port.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "st_port_pins.h"

static st_retained st_kept __attribute__((section(".noinit")));
uint8_t st_reset_cause __attribute__((section(".noinit")));

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
    st_reset_cause = MCUSR;
    MCUSR = 0U;
    wdt_enable(WDTO_15MS);
}

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

bool st_port_active(void)
{
    ST_MAJORITY_OF(ST_PICKUP_IN, ST_PIN_PICKUP_BIT);
}

#if ST_CFG_TWO_COILS
bool st_port_second(void) /* a sensor like the pickup */
{
    ST_MAJORITY_OF(ST_PHASE_IN, ST_PIN_PHASE_BIT);
}
#endif

#if ST_CFG_DWELL_POINTS
/* 10-bit conversion against the chip's own supply (24.4), at CPU clock / 128; 13 clocks of it (24.4)
 * are over before the next call. */
uint16_t st_port_supply(void)
{
    uint16_t const counts = ADC;
    ADMUX = (uint8_t)(ST_ADC_REFERENCE | ST_SUPPLY_CHANNEL);
    ADCSRA = (uint8_t)(ST_BIT(ADEN) | ST_BIT(ADSC) | ST_BIT(ADPS2) | ST_BIT(ADPS1) | ST_BIT(ADPS0));
    return counts;
}
#endif

/* Its register is written again each time: a flipped bit would leave a hung chip hanging. */
void st_port_feed_watchdog(void)
{
    wdt_enable(WDTO_15MS);
}

bool st_port_send(uint8_t byte)
{
#if ST_HAS_SERIAL
    if ((ST_UCSRA & ST_BIT(ST_UDRE)) == 0U) {
        return false;
    }
    ST_UDR = byte;
    return true;
#else
    (void)byte;
    return true; /* nowhere to send it */
#endif
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
