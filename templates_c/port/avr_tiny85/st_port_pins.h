/* Names for the registers of the pins that config.h chooses, and what the port's files share. */
#ifndef ST_PORT_PINS_H
#define ST_PORT_PINS_H

#include <avr/io.h>
#include <stdint.h>

#include "config.h"

#define ST_BIT(n) ((uint8_t)(1U << (n)))

extern uint8_t st_reset_cause; /* MCUSR as the reset left it */

#endif
