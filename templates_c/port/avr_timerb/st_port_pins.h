/* Registers of the pins that config.h chooses, and of the event system and logic blocks behind them,
 * which the two kinds of chip name differently.
 *
 * M: ATmega808..4809 data sheet (DS40002015).  T: ATtiny804..1607 data sheet (DS40002312).  Register
 * and bit names: avr-libc iom4809.h, iotn1604.h, iotn1606.h.
 */
#ifndef ST_PORT_PINS_H
#define ST_PORT_PINS_H

#include <avr/io.h>
#include <stdint.h>

#include "config.h"
#include "st_types.h"

#define ST_JOIN_(a, b) a##b
#define ST_JOIN(a, b) ST_JOIN_(a, b)
#define ST_BIT(n) ((uint8_t)(1U << (n)))

#define ST_LETTER_A 1
#define ST_LETTER_B 2
#define ST_LETTER_C 3
#define ST_LETTER_D 4
#define ST_LETTER_E 5
#define ST_LETTER_F 6
#define ST_LETTER(port) ST_JOIN(ST_LETTER_, port)
#define ST_PIN_IS(use, port, bit) \
    ((ST_LETTER(ST_PIN_##use##_PORT) == ST_LETTER(port)) && (ST_PIN_##use##_BIT == (bit)))

#define ST_TCA TCA0.SINGLE

/* Nearest instant that can still be armed: the code between reading the counter and enabling the
 * match takes at most 100 cycles. */
#define ST_NEAR_TICKS 16U

/* DIR, OUT and IN of a pin; its configuration byte (inversion, pull-up). */
#define ST_VPORT(use) ST_JOIN(VPORT, ST_PIN_##use##_PORT)
#define ST_PIN_CONTROL(use) ((&ST_JOIN(PORT, ST_PIN_##use##_PORT).PIN0CTRL)[ST_PIN_##use##_BIT])
#define ST_MASK(use) ST_BIT(ST_PIN_##use##_BIT)
#define st_pin_put(use, high) \
    do { \
        if (high) { \
            ST_VPORT(use).OUT |= ST_MASK(use); \
        } else { \
            ST_VPORT(use).OUT &= (uint8_t)~ST_MASK(use); \
        } \
    } while (0)

#if defined(PORTMUX_EVSYSROUTEA) /* M: six or eight channels, each for any generator but pins */

#define ST_EV_COIL_SOURCE EVSYS.CHANNEL1
#define ST_EV_COIL_MATCH EVSYS_GENERATOR_TCA0_CMP0_gc
#define ST_EV_COIL EVSYS_CHANNEL_CHANNEL1_gc
#define ST_EV_STROBE() (EVSYS.STROBE = ST_BIT(1))
/* Ports A and B reach channels 0 and 1, C and D 2 and 3, E and F 4 and 5 (M table 14-1). */
#define ST_PICKUP_PAIR ((ST_LETTER(ST_PIN_PICKUP_PORT) - 1) / 2)
#define ST_EV_PICKUP_SOURCE ((&EVSYS.CHANNEL0)[2 * ST_PICKUP_PAIR])
#define ST_EV_PICKUP_PIN \
    ((uint8_t)((((ST_LETTER(ST_PIN_PICKUP_PORT) & 1) != 0) ? 0x40 : 0x48) + ST_PIN_PICKUP_BIT))
#define ST_EV_PICKUP ((uint8_t)(2 * ST_PICKUP_PAIR + 1))
#define ST_EV_USER_CAPTURE EVSYS.USERTCB0
#define ST_EV_USER_LUT(n) ((&EVSYS.USERCCLLUT0A)[2 * (n)])

#if ST_PIN_IS(COIL, A, 3) || ST_PIN_IS(COIL, A, 6)
#define ST_LUT 0
#elif ST_PIN_IS(COIL, D, 3) || ST_PIN_IS(COIL, D, 6)
#define ST_LUT 2
#else
#error "the coil needs an output of logic block 0 or 2: PA3, PA6, PD3 or PD6"
#endif
#define ST_COIL_ROUTE PORTMUX.CCLROUTEA
#define ST_COIL_ROUTED ((ST_PIN_COIL_BIT == 6) ? ST_BIT(ST_LUT) : 0U)

#if ST_PIN_IS(SERIAL_TX, A, 0) || ST_PIN_IS(SERIAL_TX, A, 4)
#define ST_SERIAL USART0
#define ST_SERIAL_UNIT 0
#elif ST_PIN_IS(SERIAL_TX, C, 0) || ST_PIN_IS(SERIAL_TX, C, 4)
#define ST_SERIAL USART1
#define ST_SERIAL_UNIT 1
#elif ST_PIN_IS(SERIAL_TX, F, 0) || ST_PIN_IS(SERIAL_TX, F, 4)
#define ST_SERIAL USART2
#define ST_SERIAL_UNIT 2
#elif ST_PIN_IS(SERIAL_TX, B, 0) || ST_PIN_IS(SERIAL_TX, B, 4)
#define ST_SERIAL USART3
#define ST_SERIAL_UNIT 3
#else
#error "the serial line needs a transmitter's pin: PA0, PA4, PB0, PB4, PC0, PC4, PF0 or PF4"
#endif
#define ST_SERIAL_ROUTE PORTMUX.USARTROUTEA
#define ST_SERIAL_ROUTED ((ST_PIN_SERIAL_TX_BIT == 4) ? ST_BIT(2 * ST_SERIAL_UNIT) : 0U)

#else /* T: one synchronous channel, two asynchronous ones */

#define ST_EV_COIL_SOURCE EVSYS.SYNCCH0
#define ST_EV_COIL_MATCH EVSYS_SYNCCH0_TCA0_CMP0_gc
#define ST_EV_COIL EVSYS_ASYNCUSER0_SYNCCH0_gc
#define ST_EV_STROBE() (EVSYS.SYNCSTROBE = ST_BIT(0))
/* Port A reaches asynchronous channel 0, port B channel 1; port C only the synchronous one, which the
 * coil takes (T table 14-1). */
#if ST_LETTER(ST_PIN_PICKUP_PORT) == ST_LETTER_A
#define ST_EV_PICKUP_SOURCE EVSYS.ASYNCCH0
#define ST_EV_PICKUP EVSYS_ASYNCUSER0_ASYNCCH0_gc
#elif ST_LETTER(ST_PIN_PICKUP_PORT) == ST_LETTER_B
#define ST_EV_PICKUP_SOURCE EVSYS.ASYNCCH1
#define ST_EV_PICKUP EVSYS_ASYNCUSER0_ASYNCCH1_gc
#else
#error "the pickup needs a pin of port A or B"
#endif
#define ST_EV_PICKUP_PIN ((uint8_t)(0x0A + ST_PIN_PICKUP_BIT))
#define ST_EV_USER_CAPTURE EVSYS.ASYNCUSER0
#define ST_EV_USER_LUT(n) ((&EVSYS.ASYNCUSER2)[n])

#if ST_PIN_IS(COIL, A, 4) || ST_PIN_IS(COIL, B, 4)
#define ST_LUT 0
#else
#error "the coil needs the output of logic block 0: PA4 or PB4"
#endif
#define ST_COIL_ROUTE PORTMUX.CTRLA
#define ST_COIL_ROUTED (ST_PIN_IS(COIL, B, 4) ? PORTMUX_LUT0_bm : 0U)

#if !ST_PIN_IS(SERIAL_TX, B, 2) && !ST_PIN_IS(SERIAL_TX, A, 1)
#error "the serial line needs the transmitter's pin: PB2 or PA1"
#endif
#define ST_SERIAL USART0
#define ST_SERIAL_ROUTE PORTMUX.CTRLB
#define ST_SERIAL_ROUTED (ST_PIN_IS(SERIAL_TX, A, 1) ? PORTMUX_USART0_bm : 0U)

#endif

extern volatile uint8_t st_reset_cause; /* RSTFR as the reset left it */

void st_pins_refresh(void);
void st_serial_on(void);

void st_time_begin(void);        /* both counters run; before the flip-flop listens */
void st_time_check(void);        /* events held off */
st_ticks st_time_captured(void); /* instant of the edge that TCB0 holds */

#endif
