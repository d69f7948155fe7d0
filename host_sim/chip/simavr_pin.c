/* Ports, interrupts and the serial port. */
#include "simavr_fix.h"

#include <simavr/avr_extint.h>
#include <string.h>

enum { EXTERNAL_INTERRUPTS = 8, UPM = 0x30 };

static struct {
    avr_io_write_t write;
    void *write_param;
} old_handlers[MAX_IOs];

void sim_hook_write(avr_io_addr_t address, avr_io_write_t handler, void *param)
{
    avr_io_addr_t io = AVR_DATA_TO_IO(address);
    if (sim.avr->io[io].w.c == handler) {
        return;
    }
    old_handlers[io].write = sim.avr->io[io].w.c;
    old_handlers[io].write_param = sim.avr->io[io].w.param;
    sim.avr->io[io].w.c = handler;
    sim.avr->io[io].w.param = param;
}

void sim_hook_read(avr_io_addr_t address, avr_io_read_t handler, void *param)
{
    avr_io_addr_t io = AVR_DATA_TO_IO(address);
    sim.avr->io[io].r.c = handler;
    sim.avr->io[io].r.param = param;
}

void sim_old_write(avr_io_addr_t address, uint8_t value)
{
    avr_io_addr_t io = AVR_DATA_TO_IO(address);
    if (old_handlers[io].write != NULL) {
        old_handlers[io].write(sim.avr, address, value, old_handlers[io].write_param);
    } else {
        sim.avr->data[address] = value;
    }
}

avr_ioport_t *sim_port(int letter)
{
    for (int i = 0; i < sim.port_count; i++) {
        if (sim.ports[i]->name == letter) {
            return sim.ports[i];
        }
    }
    return NULL;
}

static int bit_of(uint8_t value, int bit)
{
    return (value >> bit) & 1;
}

/* S2: what a pin driven as output carries: the compare unit when it is connected. */
static int output_level(const avr_ioport_t *port, int bit)
{
    int compare = sim_compare_level(port, bit);
    return compare >= 0 ? compare : bit_of(sim.avr->data[port->r_port], bit);
}

/* S10: an undriven input reads its pull-up; the pickup is always driven from outside. */
static int pin_level(const avr_ioport_t *port, int bit)
{
    if (bit_of(sim.avr->data[port->r_ddr], bit)) {
        return output_level(port, bit);
    }
    if (port->name == sim.job.pickup.port && bit == sim.job.pickup.bit) {
        return sim.pickup_level;
    }
    if (port->name == sim.job.phase.port && bit == sim.job.phase.bit) {
        return sim.phase_level;
    }
    return bit_of(sim.avr->data[port->r_port], bit);
}

static uint8_t read_pins(avr_t *avr, avr_io_addr_t address, void *param)
{
    uint8_t value = 0u;
    for (int bit = 0; bit < 8; bit++) {
        value |= (uint8_t)(pin_level(param, bit) << bit);
    }
    avr->data[address] = value;
    return value;
}

static void write_port(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)avr;
    (void)param;
    sim_old_write(address, value);
    sim_update_coils();
}

void sim_coil(int channel, int driven, int level)
{
    int before = sim.record.coil_on[channel];
    chip_record_coil(&sim.record, sim_now(), channel, driven, level);
    if (sim.record.coil_on[channel] != before) {
        sim_line_switched(!before);
    }
}

void sim_update_coils(void)
{
    for (int i = 0; i < sim.job.coil_count; i++) {
        const chip_pin *coil = &sim.job.coils[i];
        const avr_ioport_t *port = sim_port(coil->port);
        int driven = bit_of(sim.avr->data[port->r_ddr], coil->bit);
        sim_coil(i, driven, output_level(port, coil->bit));
    }
}

void sim_ports_attach(void)
{
    for (avr_io_t *io = sim.avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, "port") == 0 && sim.port_count < SIM_PORTS) {
            avr_ioport_t *port = (avr_ioport_t *)io;
            sim.ports[sim.port_count++] = port;
            sim_hook_write(port->r_port, write_port, port);
            sim_hook_write(port->r_ddr, write_port, port);
            sim_hook_write(port->r_pin, write_port, port);
            sim_hook_read(port->r_pin, read_pins, port);
        }
    }
}

void sim_pickup(int level)
{
    avr_ioport_t *port = sim_port(sim.job.pickup.port);
    avr_ioport_external_t outside = {
        .name = (unsigned long)port->name,
        .mask = (unsigned long)(1u << sim.job.pickup.bit),
        .value = (unsigned long)((unsigned)level << sim.job.pickup.bit),
    };
    sim.pickup_level = level;
    avr_ioctl(sim.avr, (uint32_t)AVR_IOCTL_IOPORT_SET_EXTERNAL(port->name), &outside);
    avr_raise_irq(port->io.irq + sim.job.pickup.bit, (uint32_t)level);
}

void sim_ports_refit(void)
{
    for (uint8_t i = 0; i < EXTERNAL_INTERRUPTS; i++) {
        avr_extint_set_strict_lvl_trig(sim.avr, i, 0); /* S11 */
    }
    sim_pickup(sim.pickup_level);
    sim_update_coils();
}

static int has_flag_register(const avr_int_vector_t *v)
{
    return sim_is_flag_register((uint16_t)v->raised.reg);
}

/* S4: writing a one clears that flag and no other. */
static void write_flags(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    for (int i = 0; i < avr->interrupts.vector_count; i++) {
        avr_int_vector_t *v = avr->interrupts.vector[i];
        if (v->raised.reg == address && bit_of(value, (int)v->raised.bit)) {
            avr_clear_interrupt(avr, v);
        }
    }
}

/* S5: enabling an interrupt whose flag is set fires it. */
static void write_enables(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    sim_old_write(address, value);
    for (int i = 0; i < avr->interrupts.vector_count; i++) {
        avr_int_vector_t *v = avr->interrupts.vector[i];
        if (v->enable.reg != address || !has_flag_register(v)) {
            continue;
        }
        if (!avr_regbit_get(avr, v->enable)) {
            chip_record_withdrawn(&sim.record, v->vector);
        } else if (avr_regbit_get(avr, v->raised)) {
            chip_record_raised(&sim.record, sim_now(), v->vector);
            avr_raise_interrupt(avr, v); /* nothing happens when it is pending already */
        }
    }
}

static void on_pending(avr_irq_t *irq, uint32_t value, void *param)
{
    avr_int_vector_t *v = param;
    (void)irq;
    if (value == 0u) {
        chip_record_withdrawn(&sim.record, v->vector);
    } else if (avr_regbit_get(sim.avr, v->enable)) {
        chip_record_raised(&sim.record, sim_now(), v->vector);
    }
}

static void on_running(avr_irq_t *irq, uint32_t value, void *param)
{
    const avr_int_vector_t *v = param;
    (void)irq;
    if (value != 0u) {
        chip_record_entered(&sim.record, sim_now(), v->vector);
        sim.response = 1;
    } else {
        chip_record_left(&sim.record, sim_now() + sim.chip.return_cycles);
    }
}

void sim_interrupts_attach(void)
{
    avr_int_table_t *table = &sim.avr->interrupts;
    for (int i = 0; i < table->vector_count; i++) {
        avr_int_vector_t *v = table->vector[i];
        if (has_flag_register(v)) {
            sim_hook_write(v->raised.reg, write_flags, NULL);
            sim_hook_write(v->enable.reg, write_enables, NULL);
        }
        avr_irq_register_notify(v->irq + AVR_INT_IRQ_PENDING, on_pending, v);
        avr_irq_register_notify(v->irq + AVR_INT_IRQ_RUNNING, on_running, v);
    }
}

/* S17: simavr counts a parity bit in every frame: 11 bit times for 8N1. */
static void set_frame_time(void)
{
    const uint8_t *data = sim.avr->data;
    avr_uart_t *u = sim.uart;
    uint32_t divider = data[u->ubrrl.reg] | (uint32_t)(data[u->ubrrh.reg] & 0x0Fu) << 8;
    uint32_t bit_cycles = (divider + 1u) * (avr_regbit_get(sim.avr, u->u2x) ? 8u : 16u);
    uint32_t data_bits = 5u + avr_regbit_get(sim.avr, u->ucsz);
    uint32_t parity = (data[u->ucsz.reg] & UPM) != 0u;
    u->cycles_per_byte = bit_cycles * (2u + data_bits + parity + avr_regbit_get(sim.avr, u->usbs));
}

static void write_uart(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)avr;
    (void)param;
    sim_old_write(address, value);
    set_frame_time();
}

static avr_cycle_count_t on_shifted(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)param;
    sim.frame_end = when + sim.uart->cycles_per_byte;
    avr_raise_interrupt(avr, &sim.uart->udrc);
    return 0u;
}

/* S17: the data register is free as soon as the shift register has taken the byte over. */
static void write_serial_data(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    sim_old_write(address, value);
    if (!avr_regbit_get(avr, sim.uart->txen)) {
        return;
    }
    if (avr->cycle >= sim.frame_end) {
        on_shifted(avr, avr->cycle, param);
    } else {
        avr_cycle_timer_register(avr, sim.frame_end - avr->cycle, on_shifted, NULL);
    }
}

static void on_serial(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    chip_record_serial(&sim.record, (uint8_t)value);
    sim_live_byte((uint8_t)value);
}

void sim_uart_attach(void)
{
    for (avr_io_t *io = sim.avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, "uart") == 0 && (sim.uart == NULL || ((avr_uart_t *)io)->name == '0')) {
            sim.uart = (avr_uart_t *)io; /* USART0; the 32U4 has only USART1 */
        }
    }
    if (sim.uart == NULL) {
        return;
    }
    sim.uart->flags = 0u; /* neither echo to the terminal nor sleep while polled */
    avr_irq_register_notify(sim.uart->io.irq + UART_IRQ_OUTPUT, on_serial, NULL);
    sim_hook_write(sim.uart->r_udr, write_serial_data, NULL);
    sim_hook_write(sim.uart->ubrrl.reg, write_uart, NULL);
    sim_hook_write(sim.uart->ubrrh.reg, write_uart, NULL);
    sim_hook_write(sim.uart->ucsz.reg, write_uart, NULL);
    sim_hook_write(sim.uart->r_ucsra, write_uart, NULL);
}

void sim_uart_refit(void)
{
    if (sim.uart != NULL) {
        avr_regbit_clear(sim.avr, sim.uart->txen); /* simavr enables it at reset */
        set_frame_time();
        sim.frame_end = 0u;
    }
}
