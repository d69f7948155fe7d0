/* What differs from chip to chip and simavr does not tell, or tells wrong (addresses are in data
 * space; data sheets of the chips, register summaries and 7.7.1 or its like). */
#include "simavr_fix.h"

#include <string.h>

static const sim_chip MEGA = {
    .sleep_register = 0x53, .sleep_bit = 0, /* SMCR */
    .prescaler_reset = 0x43,                /* GTCCR */
    .flags = {0x35, 0x36, 0x37, 0x38, 0x39, 0x3A, 0x3B, 0x3C}, /* TIFR0 .. EIFR */
    .response_cycles = 4, .return_cycles = 4, .wake_cycles = 4,
};

static const sim_chip TINY_X4 = {
    .sleep_register = 0x55, .sleep_bit = 5, /* MCUCR */
    .prescaler_reset = 0x43,                /* GTCCR */
    .flags = {0x2B, 0x58, 0x5A},            /* TIFR1, TIFR0, GIFR */
    .response_cycles = 4, .return_cycles = 4, .wake_cycles = 4,
    .force_register = 0x42, /* TCCR1C */
};

static const sim_chip TINY_X5 = {
    .sleep_register = 0x55, .sleep_bit = 5, /* MCUCR */
    .prescaler_reset = 0x4C,                /* GTCCR */
    .flags = {0x58, 0x5A},                  /* TIFR, GIFR */
    .response_cycles = 4, .return_cycles = 4, .wake_cycles = 4,
};

void sim_chip_find(void)
{
    const char *mcu = sim.job.mcu;
    sim.chip = strcmp(mcu, "attiny85") == 0 ? TINY_X5
        : strncmp(mcu, "attiny", 6) == 0 ? TINY_X4 : MEGA;
    if (strcmp(mcu, "atmega2560") == 0) { /* a program counter of three bytes */
        sim.chip.response_cycles = 5;
        sim.chip.return_cycles = 5;
        sim.chip.wake_cycles = 5;
    }
}

int sim_is_flag_register(uint16_t address)
{
    return address != 0u && memchr(sim.chip.flags, address & 0xFF, sizeof sim.chip.flags) != NULL
        && address < 0x100u;
}

/* S15: simavr has timer 1 of the ATtiny24/44/84 on port B. */
void sim_chip_pins(avr_timer_t *t)
{
    avr_ioport_t *port = sim_port('A');
    if (sim.chip.force_register == 0u || t->name != '1' || port == NULL) {
        return;
    }
    t->icp = (avr_regbit_t)AVR_IO_REGBIT(port->r_port, 7);
    t->comp[AVR_TIMER_COMPA].com_pin = (avr_regbit_t)AVR_IO_REGBIT(port->r_port, 6);
    t->comp[AVR_TIMER_COMPB].com_pin = (avr_regbit_t)AVR_IO_REGBIT(port->r_port, 5);
}
