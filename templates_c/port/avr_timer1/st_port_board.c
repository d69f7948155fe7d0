/* The part of the AVR port that needs no timer: beside st_port_board.h the phase sensor, supply, serial. */
#include "st_port.h"

#include <avr/io.h>

#include "st_port_pins.h"

#include "st_port_board.h"

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
