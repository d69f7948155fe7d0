/* The part of the ATtiny85 port that needs no timer: st_port_board.h, and a serial port that is not there. */
#include "st_port.h"

#include <avr/io.h>

#include "st_port_pins.h"

#include "st_port_board.h"

bool st_port_send(uint8_t byte)
{
    (void)byte;
    return true; /* the chip has no serial port */
}
