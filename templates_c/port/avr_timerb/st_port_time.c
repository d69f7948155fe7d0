/* The tick counter of 32 bits, and TCB0's time stamps as instants of it. */
#include "st_port.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "st_port_pins.h"

#define ST_CYCLES 8U /* CPU clocks a tick */
#if ST_CFG_TICK_PRESCALER != 8
#error "this port runs TCA0 at CPU clock / 8"
#endif

static uint16_t st_high; /* upper half of the tick counter */
static uint16_t st_zero; /* TCB0's count at a tick whose lower 13 bits are 0 */

ISR(TCA0_OVF_vect)
{
    ST_TCA.INTFLAGS = TCA_SINGLE_OVF_bm;
    st_high++;
}

/* An overflow whose interrupt is still pending belongs to a count that is small. */
st_ticks st_port_now(void)
{
    uint16_t const count = ST_TCA.CNT;
    uint16_t high = st_high;
    if (((ST_TCA.INTFLAGS & TCA_SINGLE_OVF_bm) != 0U) && (count < 0x8000U)) {
        high++;
    }
    return ((st_ticks)high << 16) | count;
}

/* Where TCB0 stands at a tick whose lower 13 bits are 0, from reading both; within a tick.  A read
 * takes 3 clocks a byte, so the low byte of TCB0 is seen 6 after that of TCA0. */
static uint16_t st_zero_read(void)
{
    uint16_t const ticks = ST_TCA.CNT;
    uint16_t const cycles = TCB0.CNT;
    return (uint16_t)(cycles - (ticks * ST_CYCLES) - 6U);
}

/* The same from the capture unit itself, fed with the very event that switches the coil: whatever the
 * chip takes from match to event and from event to capture is the same for coil and time stamp and
 * drops out.  Before the flip-flop listens; main context, once. */
void st_time_begin(void)
{
    uint16_t const at = (uint16_t)(ST_TCA.CNT + ST_NEAR_TICKS);
    uint8_t tries = 255U;
    ST_EV_COIL_SOURCE = ST_EV_COIL_MATCH;
    ST_EV_USER_CAPTURE = ST_EV_COIL;
    TCB0.EVCTRL = TCB_CAPTEI_bm; /* rising, no canceller: the event lasts one clock */
    ST_TCA.CMP0 = at;
    TCB0.INTFLAGS = TCB_CAPT_bm;
    while (((TCB0.INTFLAGS & TCB_CAPT_bm) == 0U) && (tries != 0U)) {
        tries--;
    }
    st_zero = (tries != 0U) ? (uint16_t)(TCB0.CCMP - (at * ST_CYCLES)) : st_zero_read();
}

/* Put right what an upset has moved; a tick or two apart is how the two ways of looking differ. */
void st_time_check(void)
{
    uint16_t const read = st_zero_read();
    if ((uint16_t)(read - st_zero + (3U * ST_CYCLES)) > (6U * ST_CYCLES)) {
        st_zero = read;
    }
}

/* The instant of the edge TCB0 holds, at most one span of it (4 ms) ago. */
st_ticks st_time_captured(void)
{
    uint16_t const tick = (uint16_t)(TCB0.CCMP - st_zero) / ST_CYCLES;
    st_ticks const now = st_port_now() + 2U;
    return now - (((uint16_t)now - tick) & (0xFFFFU / ST_CYCLES));
}
