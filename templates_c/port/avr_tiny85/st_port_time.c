/* The tick counter of 32 bits: timer 0 and the count of its spans. */
#include "st_port.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "st_port_flash.h"
#include "st_port_pins.h"

volatile uint8_t st_span; /* timer spans: low byte ... */
volatile uint16_t st_spans_high;

/* An overflow whose interrupt is still pending belongs to the count when that is small. */
ST_APART st_ticks st_time_of(uint16_t high, uint8_t span, uint8_t count, uint8_t flags)
{
    uint16_t const low = (uint16_t)((uint16_t)((uint16_t)span << 8) | count);
    st_ticks const at = ((st_ticks)high << 16) | low;
    return (((flags & ST_BIT(TOV0)) != 0U) && (count < 0x80U)) ? at + ST_SPAN : at;
}

st_ticks st_port_now(void)
{
    uint8_t count;
    uint8_t flags;
    uint8_t span;
    uint16_t high;
    ST_HOLD();
    count = TCNT0;
    flags = TIFR;
    span = st_span;
    high = st_spans_high;
    ST_RELEASE();
    return st_time_of(high, span, count, flags);
}
