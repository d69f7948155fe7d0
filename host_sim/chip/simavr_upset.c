/* Bit flips in the running chip. */
#include "simavr_fix.h"

enum { FIRST_IO = 0x20, SPH = 0x5E, SREG = 0x5F, FIRST_FLAGS = 0x35, LAST_FLAGS = 0x3C };
enum { WDTCSR = 0x60, WDCE = 0x10, WDE = 0x08 };

static int is_pin_register(avr_io_addr_t address)
{
    for (int i = 0; i < sim.port_count; i++) {
        if (sim.ports[i]->r_pin == address) {
            return 1;
        }
    }
    return 0;
}

static void flip_flag(avr_io_addr_t address, int bit)
{
    avr_int_table_t *table = &sim.avr->interrupts;
    for (int i = 0; i < table->vector_count; i++) {
        avr_int_vector_t *v = table->vector[i];
        if (v->raised.reg == address && v->raised.bit == (uint32_t)bit) {
            if (avr_regbit_get(sim.avr, v->raised)) {
                avr_clear_interrupt(sim.avr, v);
            } else {
                avr_raise_interrupt(sim.avr, v);
            }
        }
    }
}

static uint8_t read_io(avr_io_addr_t address)
{
    avr_io_addr_t io = AVR_DATA_TO_IO(address);
    avr_t *avr = sim.avr;
    return avr->io[io].r.c != NULL ? avr->io[io].r.c(avr, address, avr->io[io].r.param)
                                   : avr->data[address];
}

static void write_io(avr_io_addr_t address, uint8_t value)
{
    avr_io_addr_t io = AVR_DATA_TO_IO(address);
    avr_t *avr = sim.avr;
    if (avr->io[io].w.c != NULL) {
        avr->io[io].w.c(avr, address, value, avr->io[io].w.param);
    } else {
        avr->data[address] = value;
    }
}

/* A flip in an I/O register acts as the write of the flipped value would, except where
 * writing means something else; a pin register stores nothing. */
static void flip_io(avr_io_addr_t address, int bit)
{
    if (address == SPH && (1 << (8 + bit)) > sim.avr->ramend) {
        return; /* the stack pointer is as wide as RAM asks for */
    }
    if (address == SREG) {
        avr_sreg_set(sim.avr, (uint8_t)bit, !sim.avr->sreg[bit]);
    } else if (address >= FIRST_FLAGS && address <= LAST_FLAGS) {
        flip_flag(address, bit);
    } else if (!is_pin_register(address)) {
        uint8_t flipped = (uint8_t)(read_io(address) ^ 1u << bit);
        if (address == WDTCSR) {
            write_io(address, WDCE | WDE); /* an upset does not ask for the lock to be opened */
        }
        write_io(address, flipped);
    }
}

static void flip_data(int address, int bit)
{
    if (address >= FIRST_IO && address <= sim.avr->ioend) {
        flip_io((avr_io_addr_t)address, bit);
    } else {
        sim.avr->data[address & 0xFFFF] ^= (uint8_t)(1u << bit);
    }
}

void sim_upset(const chip_event *event)
{
    int address = event->value / 8;
    int bit = event->value % 8;
    switch (event->kind) {
    case CHIP_FLIP_DATA:
        flip_data(address, bit);
        break;
    case CHIP_FLIP_PC:
        sim.avr->pc = (sim.avr->pc ^ 2u << event->value) & sim.avr->flashend;
        break;
    case CHIP_FLIP_FLASH:
        sim.avr->flash[(uint32_t)address & sim.avr->flashend] ^= (uint8_t)(1u << bit);
        break;
    default:
        break;
    }
}
