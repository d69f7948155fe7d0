/* Timers: counting stays simavr's, registers and compare outputs are ours. */
#include "simavr_fix.h"

#include <string.h>

enum { TCCRC_AFTER_TCCRA = 2, PSRSYNC = 1 };

static int running(const sim_timer *f)
{
    return f->timer->tov_cycles != 0u;
}

static uint16_t count(const sim_timer *f)
{
    const avr_timer_t *t = f->timer;
    if (!running(f)) {
        return f->held;
    }
    uint64_t since = sim.avr->cycle - t->tov_base;
    return (uint16_t)(since * ((uint64_t)t->tov_top + 1u) / t->tov_cycles);
}

/* By the registers: simavr's own note of the mode is not kept while the clock is stopped. */
static int pulse_width_mode(const avr_timer_t *t)
{
    avr_t *avr = sim.avr;
    unsigned kind = t->wgm_op[avr_regbit_get_array(avr, (avr_regbit_t *)t->wgm, 4)].kind;
    return kind == avr_timer_wgm_pwm || kind == avr_timer_wgm_fast_pwm
        || kind == avr_timer_wgm_fc_pwm;
}

/* S12: a running timer is given a count without losing the prescaler's phase, which runs
 * on from reset whatever the timer does. */
static void set_count(sim_timer *f, uint16_t value)
{
    avr_timer_t *t = f->timer;
    f->held = value;
    if (!running(f) || pulse_width_mode(t)) {
        return;
    }
    uint64_t step = t->cs_div_value;
    uint64_t phase = (sim.avr->cycle - sim.prescaler_zero) % step;
    t->tov_base = sim.avr->cycle - phase - value * step;
    /* simavr arms overflow and compares on the new base when a compare register is written. */
    sim_old_write(t->comp[0].r_ocr, sim.avr->data[t->comp[0].r_ocr]);
}

static void apply_compare(sim_timer *f, int channel)
{
    switch (avr_regbit_get(sim.avr, f->timer->comp[channel].com)) {
    case avr_timer_com_toggle:
        f->latch[channel] ^= 1u;
        break;
    case avr_timer_com_clear:
        f->latch[channel] = 0u;
        break;
    case avr_timer_com_set:
        f->latch[channel] = 1u;
        break;
    default:
        break;
    }
    sim_update_coils();
}

/* S1: simavr raises this also on overflow and when a compare register is written. */
static void on_compare(avr_irq_t *irq, uint32_t value, void *param)
{
    sim_timer *f = param;
    avr_timer_t *t = f->timer;
    int channel = (int)(irq - &t->io.irq[TIMER_IRQ_OUT_COMP]);
    if (pulse_width_mode(t)) {
        f->latch[channel] = (uint8_t)(value & 1u);
        sim_update_coils();
        return;
    }
    uint64_t after = t->comp[channel].comp_cycles;
    uint64_t since = sim.avr->cycle - t->tov_base;
    int at_top = since == 0u && after == t->tov_cycles; /* the overflow was handled first */
    if (sim.stepping && (since == after || at_top)) {
        apply_compare(f, channel);
    }
}

/* S3 */
static void write_force(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    sim_timer *f = param;
    avr->data[address] = 0u;
    for (int channel = 0; channel < 2; channel++) {
        if ((value & (0x80u >> channel)) != 0u && !pulse_width_mode(f->timer)) {
            apply_compare(f, channel);
        }
    }
}

static int capture_filtered(const avr_timer_t *t)
{
    /* ICNC1 is the bit above ICES1. */
    return (sim.avr->data[t->ices.reg] >> (t->ices.bit + 1u)) & 1;
}

static void capture_input(const sim_timer *f, int level)
{
    avr_irq_t *input = f->timer->io.irq + TIMER_IRQ_IN_ICP;
    int wanted = avr_regbit_get(sim.avr, f->timer->ices);
    if ((int)(input->value != 0u) != level && level == wanted) {
        sim.result.captures++;
    }
    avr_raise_irq(input, (uint32_t)level);
}

/* The edge detector sees the input exclusive-or the wanted polarity, so selecting the
 * level that is already there looks like an edge (data sheet 16.6.3: ICF1 must be cleared
 * after the selection is changed). */
static void edge_selected(const sim_timer *f)
{
    int level = sim.capture_level[capture_filtered(f->timer)];
    if (level == (int)avr_regbit_get(sim.avr, f->timer->ices)) {
        capture_input(f, !level);
        capture_input(f, level);
    }
}

/* S3, 8-bit timers: the two bits stand above the clock select and read as zero. */
static uint8_t force_narrow(sim_timer *f, avr_io_addr_t address, uint8_t value)
{
    if (f->timer->r_tcnth != 0u || address != f->timer->cs[0].reg) {
        return value;
    }
    for (int channel = 0; channel < 2; channel++) {
        if ((value & (0x80u >> channel)) != 0u && !pulse_width_mode(f->timer)) {
            apply_compare(f, channel);
        }
    }
    return value & 0x3Fu;
}

static void write_mode(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    sim_timer *f = param;
    avr_timer_t *t = f->timer;
    value = force_narrow(f, address, value);
    uint16_t before = count(f);
    uint8_t clock = avr_regbit_get_array(avr, t->cs, ARRAY_SIZE(t->cs));
    uint8_t mode = avr_regbit_get_array(avr, t->wgm, ARRAY_SIZE(t->wgm));
    uint8_t edge = avr_regbit_get(avr, t->ices);
    sim_old_write(address, value);
    int clock_changed = clock != avr_regbit_get_array(avr, t->cs, ARRAY_SIZE(t->cs));
    if (clock_changed || mode != avr_regbit_get_array(avr, t->wgm, ARRAY_SIZE(t->wgm))) {
        set_count(f, before);
    }
    if (t->ices.reg != 0u && edge != avr_regbit_get(avr, t->ices)) {
        edge_selected(f);
    }
    sim_update_coils();
}

static void write_count_low(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    sim_timer *f = param;
    avr->data[address] = value;
    set_count(f, (uint16_t)((f->timer->r_tcnth != 0u ? f->temp << 8 : 0) | value));
}

static uint8_t read_count_low(avr_t *avr, avr_io_addr_t address, void *param)
{
    sim_timer *f = param;
    uint16_t now = count(f);
    f->temp = (uint8_t)(now >> 8);
    avr->data[address] = (uint8_t)now;
    return (uint8_t)now;
}

/* S9: one shared byte holds the high half of every 16-bit write, and of reads of TCNT and
 * ICR (the compare registers are read directly). */
static void write_high(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)avr;
    (void)address;
    ((sim_timer *)param)->temp = value;
}

static uint8_t read_high(avr_t *avr, avr_io_addr_t address, void *param)
{
    (void)avr;
    (void)address;
    return ((sim_timer *)param)->temp;
}

static void write_compare_low(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    avr->data[address + 1u] = ((sim_timer *)param)->temp;
    sim_old_write(address, value);
}

static void write_capture_low(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    sim_timer *f = param;
    if (f->timer->mode.top == avr_timer_wgm_reg_icr) { /* else read only, data sheet 16.3 */
        avr->data[address + 1u] = f->temp;
        sim_old_write(address, value);
    }
}

static uint8_t read_capture_low(avr_t *avr, avr_io_addr_t address, void *param)
{
    ((sim_timer *)param)->temp = avr->data[address + 1u];
    return avr->data[address];
}

static void write_prescaler_reset(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    avr->data[address] = 0u;
    if ((value & PSRSYNC) == 0u) {
        return;
    }
    uint16_t counts[SIM_TIMERS];
    for (int i = 0; i < sim.timer_count; i++) {
        counts[i] = count(&sim.timers[i]);
    }
    sim.prescaler_zero = avr->cycle;
    for (int i = 0; i < sim.timer_count; i++) {
        if (sim.timers[i].timer->name != '2') { /* has a prescaler of its own */
            set_count(&sim.timers[i], counts[i]);
        }
    }
}

static void attach_wide(sim_timer *f)
{
    avr_timer_t *t = f->timer;
    sim_hook_write(t->r_tcnth, write_high, f);
    sim_hook_read(t->r_tcnth, read_high, f);
    for (int channel = 0; channel < SIM_CHANNELS; channel++) {
        if (t->comp[channel].r_ocr != 0u) {
            sim_hook_write(t->comp[channel].r_ocrh, write_high, f);
            sim_hook_write(t->comp[channel].r_ocr, write_compare_low, f);
        }
    }
    sim_hook_write(t->r_icrh, write_high, f);
    sim_hook_read(t->r_icrh, read_high, f);
    sim_hook_write(t->r_icr, write_capture_low, f);
    sim_hook_read(t->r_icr, read_capture_low, f);
    uint16_t force = sim.chip.force_register != 0u
        ? sim.chip.force_register : (uint16_t)(t->comp[0].com.reg + TCCRC_AFTER_TCCRA);
    sim_hook_write(force, write_force, f);
}

static void attach_timer(sim_timer *f)
{
    avr_timer_t *t = f->timer;
    sim_hook_write(t->comp[0].com.reg, write_mode, f);
    if (t->cs[0].reg != t->comp[0].com.reg) {
        sim_hook_write(t->cs[0].reg, write_mode, f);
    }
    sim_hook_write(t->r_tcnt, write_count_low, f);
    sim_hook_read(t->r_tcnt, read_count_low, f);
    if (t->r_tcnth != 0u) {
        attach_wide(f);
    }
    for (int channel = 0; channel < SIM_CHANNELS; channel++) {
        avr_irq_register_notify(&t->io.irq[TIMER_IRQ_OUT_COMP + channel], on_compare, f);
    }
}

void sim_timers_attach(void)
{
    for (avr_io_t *io = sim.avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, "timer") == 0 && sim.timer_count < SIM_TIMERS) {
            sim_timer *f = &sim.timers[sim.timer_count++];
            f->timer = (avr_timer_t *)io;
            sim_chip_pins(f->timer);
            attach_timer(f);
        }
    }
    sim_hook_write(sim.chip.prescaler_reset, write_prescaler_reset, NULL);
}

static avr_irq_t *pin_irq(avr_regbit_t pin)
{
    avr_ioport_getirq_t request = {.bit = pin};
    return avr_ioctl(sim.avr, AVR_IOCTL_IOPORT_GETIRQ_REGBIT, &request) > 0 ? request.irq[0] : NULL;
}

static void refit_timer(sim_timer *f)
{
    avr_timer_t *t = f->timer;
    f->held = 0u;
    f->temp = 0u;
    memset(f->latch, 0, sizeof f->latch);
    t->tov_cycles = 0u; /* simavr keeps the old clock's figures over a reset */
    t->cs_div_value = 0u;
    /* simavr wires the pins at every reset; the wrapper drives and feeds them itself. */
    for (int channel = 0; channel < SIM_CHANNELS; channel++) {
        avr_irq_t *pin = pin_irq(t->comp[channel].com_pin);
        if (pin != NULL) {
            avr_unconnect_irq(&t->io.irq[TIMER_IRQ_OUT_COMP + channel], pin);
        }
    }
    avr_irq_t *input = t->icp.reg != 0u ? pin_irq(t->icp) : NULL;
    if (input != NULL) {
        avr_unconnect_irq(input, &t->io.irq[TIMER_IRQ_IN_ICP]);
        t->io.irq[TIMER_IRQ_IN_ICP].value = (uint32_t)sim.capture_level[0];
    }
}

void sim_timers_refit(void)
{
    sim.prescaler_zero = sim.avr->cycle;
    for (int i = 0; i < sim.timer_count; i++) {
        refit_timer(&sim.timers[i]);
    }
}

/* S8: the events come already synchronised and filtered (host_sim/chip/pin_filter.py). */
void sim_capture(int filtered, int level)
{
    const avr_ioport_t *port = sim_port(sim.job.pickup.port);
    sim.capture_level[filtered] = level;
    for (int i = 0; i < sim.timer_count; i++) {
        const avr_timer_t *t = sim.timers[i].timer;
        int ours = t->icp.reg == port->r_port && t->icp.bit == (uint32_t)sim.job.pickup.bit;
        if (ours && capture_filtered(t) == filtered) {
            capture_input(&sim.timers[i], level);
        }
    }
}

int sim_compare_level(const avr_ioport_t *port, int bit)
{
    for (int i = 0; i < sim.timer_count; i++) {
        const sim_timer *f = &sim.timers[i];
        for (int channel = 0; channel < SIM_CHANNELS; channel++) {
            avr_regbit_t pin = f->timer->comp[channel].com_pin;
            if (pin.reg == port->r_port && pin.bit == (uint32_t)bit
                && avr_regbit_get(sim.avr, f->timer->comp[channel].com) != avr_timer_com_normal) {
                return f->latch[channel];
            }
        }
    }
    return -1;
}

/* The timer that the firmware runs on is the one whose compare pin is the coil's. */
static int drives_coil(const avr_timer_t *t)
{
    if (sim.job.coil_count == 0) {
        return t->name == '1';
    }
    const avr_ioport_t *port = sim_port(sim.job.coils[0].port);
    for (int channel = 0; channel < SIM_CHANNELS; channel++) {
        avr_regbit_t pin = t->comp[channel].com_pin;
        if (pin.reg == port->r_port
            && pin.bit == (uint32_t)sim.job.coils[0].bit) {
            return 1;
        }
    }
    return 0;
}

int64_t sim_timer_phase(void)
{
    for (int i = 0; i < sim.timer_count; i++) {
        const avr_timer_t *t = sim.timers[i].timer;
        if (drives_coil(t) && running(&sim.timers[i])) {
            uint64_t whole = (t->tov_base - sim.released) / t->tov_cycles;
            uint64_t base = t->tov_base < sim.released ? t->tov_base
                                                       : t->tov_base - whole * t->tov_cycles;
            return (int64_t)(base - SIM_ORIGIN);
        }
    }
    return INT64_MIN;
}
