/* A plain hobby ignition for the ATmega328P, written for comparison: what one finds in a first
 * evening's work.  The pickup's edge interrupts (INT0), a running count of half microseconds is the
 * clock, the delay is computed with divisions, the coil is switched in software: on in the main loop,
 * off in a timer interrupt.  No filter, no gate, no limit of the on-time, no watchdog.
 *
 * With DEAD_TICKS, an edge that follows another sooner than the engine can turn is left out.
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#include "engine.h"

#define COIL_BIT ((uint8_t)(1U << 1)) /* PB1 */

static volatile uint16_t overflows;
static uint32_t last_edge;
static uint32_t period;
static uint32_t spark_at;
static volatile uint32_t charge_at;
static volatile bool charge_wanted;
static bool charge_before_edge;

static const uint16_t curve_rpm[CURVE_POINTS] = CURVE_RPM;
static const uint16_t curve_tenths[CURVE_POINTS] = CURVE_TENTHS_DEG;

/* Half microseconds since the start; interrupts off. */
static uint32_t clock_now(void)
{
    uint16_t const low = TCNT1;
    uint16_t high = overflows;
    if (((TIFR1 & (1U << TOV1)) != 0U) && (low < 0x8000U)) {
        high++;
    }
    return ((uint32_t)high << 16) | low;
}

static uint16_t advance_tenths(uint16_t rpm)
{
    uint8_t i;
    if (rpm <= curve_rpm[0]) {
        return curve_tenths[0];
    }
    for (i = 1U; i < CURVE_POINTS; i++) {
        if (rpm < curve_rpm[i]) {
            uint16_t const span = (uint16_t)(curve_rpm[i] - curve_rpm[i - 1U]);
            uint16_t const above = (uint16_t)(rpm - curve_rpm[i - 1U]);
            uint16_t const rise = (uint16_t)(curve_tenths[i] - curve_tenths[i - 1U]);
            return (uint16_t)(curve_tenths[i - 1U] + (((uint32_t)above * rise) / span));
        }
    }
    return curve_tenths[CURVE_POINTS - 1U];
}

static void arm_spark(void)
{
    OCR1A = (uint16_t)spark_at;
    TIFR1 = 1U << OCF1A;
    TIMSK1 |= 1U << OCIE1A;
}

ISR(INT0_vect)
{
    uint32_t const now = clock_now();
    uint32_t const since = now - last_edge;
    uint32_t rpm;
    uint32_t delay;
#ifdef DEAD_TICKS
    if (since < DEAD_TICKS) {
        return;
    }
#endif
    last_edge = now;
    if (since > SLOWEST_TICKS) {
        return; /* the first pulse tells no speed */
    }
    rpm = RPM_TICKS / since;
    if (rpm > LIMIT_RPM) {
        return;
    }
    period = since;
    delay = (period * (LEAD_TENTHS_DEG - advance_tenths((uint16_t)rpm))) / SPACING_TENTHS_DEG;
    spark_at = (now + delay) - FIXED_TICKS;
    charge_before_edge = delay < (DWELL_TICKS + 400U);
    if (!charge_before_edge) {
        charge_at = spark_at - DWELL_TICKS;
        charge_wanted = true;
    }
    arm_spark();
}

ISR(TIMER1_COMPA_vect)
{
    PORTB &= (uint8_t)~COIL_BIT;
    TIMSK1 &= (uint8_t) ~(1U << OCIE1A);
    if (charge_before_edge) {
        charge_at = (spark_at + period) - DWELL_TICKS;
        charge_wanted = true;
    }
}

ISR(TIMER1_OVF_vect)
{
    overflows++;
}

int main(void)
{
    DDRB = COIL_BIT;
    PORTD = 1U << 2; /* pull-up at PD2, INT0 */
    TCCR1B = 1U << CS11;
    TIMSK1 = 1U << TOIE1;
    EICRA = PICKUP_ACTIVE_LOW ? (1U << ISC01) : ((1U << ISC01) | (1U << ISC00));
    EIFR = 1U << INTF0;
    EIMSK = 1U << INT0;
    sei();
    for (;;) {
        if (!charge_wanted) {
            continue;
        }
        cli();
        if ((int32_t)(clock_now() - charge_at) >= 0) {
            PORTB |= COIL_BIT;
            charge_wanted = false;
        }
        sei();
    }
}
