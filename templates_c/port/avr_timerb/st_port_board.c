/* The part of the port that needs no timer: start-up, kept RAM, pins, pickup level, watchdog, serial, lamp. */
#include "st_port.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "st_port_pins.h"

#include "st_port_board.h"

#define ST_BAUD ((uint16_t)(((4UL * ST_CFG_F_CPU_HZ) + (ST_CFG_BAUD / 2UL)) / ST_CFG_BAUD))

/* 8 clocks of 1.024 kHz closed, then 8 open: the first 7.8 ms after a feeding forbid the next, at
 * 15.6 ms the chip is reset (M 20.3.2). */
#define ST_WATCHDOG ((uint8_t)(WDT_WINDOW_8CLK_gc | WDT_PERIOD_8CLK_gc))

#define ST_PACE_TICKS ((uint16_t)(ST_CFG_TICK_HZ / 100U)) /* between two feedings, 10 ms */

static uint16_t st_fed_at;

/* Before C start-up (avr-libc section .init3): the coil off and driven, the full clock, the reset
 * cause kept, the watchdog on.  Every reset leaves pins as inputs, the clock at a sixth and the
 * watchdog as its fuse says. */
void st_port_early(void) __attribute__((naked, used, section(".init3")));
void st_port_early(void)
{
#if !ST_CFG_COIL_ON_HIGH
    ST_PIN_CONTROL(COIL) = PORT_INVEN_bm;
#endif
    ST_VPORT(COIL).DIR |= ST_MASK(COIL);
#if ST_CFG_TWO_COILS
    ST_VPORT(COIL_SELECT).DIR |= ST_MASK(COIL_SELECT);
#endif
    _PROTECTED_WRITE(CLKCTRL.MCLKCTRLB, 0U);
    _PROTECTED_WRITE(WDT.CTRLA, ST_WATCHDOG);
    st_reset_cause = RSTCTRL.RSTFR;
    RSTCTRL.RSTFR = st_reset_cause;
}

/* Directions, pull-up, inversion; then what cannot be changed any more once it is locked: the clock's
 * and the watchdog's settings (the latter as soon as it has taken them over, M 20.3.4). */
void st_pins_refresh(void)
{
    ST_PIN_CONTROL(COIL) = (ST_CFG_COIL_ON_HIGH != 0) ? 0U : PORT_INVEN_bm;
    ST_PIN_CONTROL(PICKUP) = (ST_CFG_PICKUP_PULL_UP != 0) ? PORT_PULLUPEN_bm : 0U;
    ST_VPORT(COIL).OUT &= (uint8_t)~ST_MASK(COIL);
    ST_VPORT(COIL).DIR |= ST_MASK(COIL);
    ST_VPORT(LAMP).DIR |= ST_MASK(LAMP);
    ST_VPORT(TACHO).DIR |= ST_MASK(TACHO);
    ST_VPORT(PICKUP).DIR &= (uint8_t)~ST_MASK(PICKUP);
#if ST_CFG_TWO_COILS
    ST_PIN_CONTROL(PHASE) = (ST_CFG_PICKUP_PULL_UP != 0) ? PORT_PULLUPEN_bm : 0U;
    ST_VPORT(COIL_SELECT).DIR |= ST_MASK(COIL_SELECT);
    ST_VPORT(PHASE).DIR &= (uint8_t)~ST_MASK(PHASE);
#endif
    ST_COIL_ROUTE = ST_COIL_ROUTED;
    ST_SERIAL_ROUTE = ST_SERIAL_ROUTED;
    if ((WDT.STATUS & (WDT_SYNCBUSY_bm | WDT_LOCK_bm)) == 0U) {
        _PROTECTED_WRITE(WDT.STATUS, WDT_LOCK_bm);
        _PROTECTED_WRITE(CLKCTRL.MCLKLOCK, CLKCTRL_LOCKEN_bm);
    }
}

bool st_port_active(void)
{
    ST_MAJORITY_OF(ST_VPORT(PICKUP).IN, ST_PIN_PICKUP_BIT);
}

#if ST_CFG_TWO_COILS
bool st_port_second(void) /* a sensor like the pickup */
{
    ST_MAJORITY_OF(ST_VPORT(PHASE).IN, ST_PIN_PHASE_BIT);
}
#endif

#if ST_CFG_DWELL_POINTS
/* 10-bit conversion against the chip's own supply, at CPU clock / 128; it is over before the next
 * call. */
uint16_t st_port_supply(void)
{
    uint16_t const counts = ADC0.RES;
    ADC0.CTRLC = (uint8_t)(ADC_SAMPCAP_bm | ADC_REFSEL_VDDREF_gc | ADC_PRESC_DIV128_gc);
    ADC0.MUXPOS = ST_SUPPLY_CHANNEL;
    ADC0.CTRLA = ADC_ENABLE_bm;
    ADC0.COMMAND = ADC_STCONV_bm;
    return counts;
}
#endif

/* The watchdog's window is closed for its first half: it is fed only when 10 ms by the CPU's clock
 * have passed, so that a loop that feeds it too often, or a clock too fast or too slow by more than
 * the two oscillators may differ, ends in a reset as well. */
void st_port_feed_watchdog(void)
{
    uint16_t now;
    cli();
    now = ST_TCA.CNT;
    sei();
    if ((uint16_t)(now - st_fed_at) >= ST_PACE_TICKS) {
        st_fed_at = now;
        __asm__ volatile("wdr");
    }
}

void st_serial_on(void)
{
#if ST_CFG_TELL
    ST_VPORT(SERIAL_TX).OUT |= ST_MASK(SERIAL_TX);
    ST_VPORT(SERIAL_TX).DIR |= ST_MASK(SERIAL_TX);
    ST_SERIAL.BAUD = ST_BAUD;
    ST_SERIAL.CTRLB = USART_TXEN_bm;
#endif
}

bool st_port_send(uint8_t byte)
{
    if ((ST_SERIAL.STATUS & USART_DREIF_bm) == 0U) {
        return false;
    }
    ST_SERIAL.TXDATAL = byte;
    return true;
}

void st_port_lamp(bool on)
{
    st_pin_put(LAMP, on);
}
