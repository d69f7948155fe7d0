/* Names for the registers of the pins that config.h chooses, and what the port's files share. */
#ifndef ST_PORT_PINS_H
#define ST_PORT_PINS_H

#include <avr/io.h>

#include "config.h"
#include "st_port_chip.h"

#define ST_JOIN_(a, b) a##b
#define ST_JOIN(a, b) ST_JOIN_(a, b)
#define ST_BIT(n) ((uint8_t)(1U << (n)))

#define ST_PICKUP_IN ST_JOIN(PIN, ST_PIN_PICKUP_PORT)
#define ST_PICKUP_OUT ST_JOIN(PORT, ST_PIN_PICKUP_PORT)
#define ST_PICKUP_DIR ST_JOIN(DDR, ST_PIN_PICKUP_PORT)
#define ST_COIL_OUT ST_JOIN(PORT, ST_PIN_COIL_PORT)
#define ST_COIL_IN ST_JOIN(PIN, ST_PIN_COIL_PORT)
#define ST_COIL_DIR ST_JOIN(DDR, ST_PIN_COIL_PORT)
#define ST_LAMP_OUT ST_JOIN(PORT, ST_PIN_LAMP_PORT)
#define ST_LAMP_FAR (_SFR_IO_ADDR(ST_LAMP_OUT) > 0x1F)
#define ST_LAMP_DIR ST_JOIN(DDR, ST_PIN_LAMP_PORT)
#define ST_TACHO_OUT ST_JOIN(PORT, ST_PIN_TACHO_PORT)
#define ST_TACHO_DIR ST_JOIN(DDR, ST_PIN_TACHO_PORT)

#if ST_CFG_TWO_COILS
#define ST_SELECT_OUT ST_JOIN(PORT, ST_PIN_COIL_SELECT_PORT)
#define ST_SELECT_DIR ST_JOIN(DDR, ST_PIN_COIL_SELECT_PORT)
#define ST_PHASE_IN ST_JOIN(PIN, ST_PIN_PHASE_PORT)
#define ST_PHASE_OUT ST_JOIN(PORT, ST_PIN_PHASE_PORT)
#define ST_PHASE_DIR ST_JOIN(DDR, ST_PIN_PHASE_PORT)
#endif

extern volatile uint8_t st_reset_cause; /* MCUSR as the reset left it, and more: st_port_board.h */
void st_start_anew_once(void);


#endif
