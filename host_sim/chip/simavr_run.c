/* Run one image on simavr: job file in, result file out (the structs of chip_io.h, each
 * followed by its arrays).  A process of its own, so that whatever an upset image makes
 * the emulator do ends here.
 *
 *     simavr_run JOB RESULT      exit code 0 when RESULT was written
 */
#include "simavr_fix.h"

#include <fcntl.h>
#include <gelf.h>
#include <simavr/sim_elf.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { DATA_SPACE = 0x10000, RAM_AFTER_IO = 1 };
enum { UNLIMITED = 1 << 30 };

sim_state sim;
static uint8_t ram_at_power_on[DATA_SPACE];

static void logger(avr_t *avr, const int level, const char *format, va_list arguments)
{
    (void)avr;
    (void)level;
    (void)arguments;
    if (strstr(format, "Invalid Opcode") != NULL) {
        sim.result.bad_opcodes++;
    } else if (strstr(format, "Invalid read") != NULL || strstr(format, "Invalid write") != NULL) {
        sim.result.bad_addresses++;
    }
}

static void fail(const char *what)
{
    sim.result.failed = 1;
    snprintf(sim.result.message, sizeof sim.result.message, "%s", what);
}

static int ram_start(void)
{
    return sim.avr->ioend + RAM_AFTER_IO;
}

static void scan_stack(void)
{
    for (int a = sim.job.stack_floor; a <= sim.avr->ramend; a++) {
        if (sim.avr->data[a] != ram_at_power_on[a]) {
            if (a < sim.result.stack_lowest) {
                sim.result.stack_lowest = a;
            }
            return;
        }
    }
}

static void fill_ram(void)
{
    for (int a = ram_start(); a <= sim.avr->ramend; a++) {
        ram_at_power_on[a] = chip_random_byte(&sim.job.ram_seed);
        sim.avr->data[a] = ram_at_power_on[a];
    }
}

static void event_level(const chip_event *event)
{
    if (event->kind == CHIP_PIN) {
        sim_pickup(event->value);
    } else if (event->kind == CHIP_CAPTURE_DIRECT || event->kind == CHIP_CAPTURE_FILTERED) {
        sim_capture(event->kind == CHIP_CAPTURE_FILTERED, event->value);
    } else if (event->kind == CHIP_LINE) {
        sim_line_train(event->value);
    } else if (event->kind == CHIP_PHASE) {
        sim.phase_level = event->value;
    }
}

static avr_cycle_count_t next_event_at(void)
{
    int64_t at = sim.next_event < sim.job.event_count ? sim.events[sim.next_event].cycle
                                                      : sim.job.end_cycle;
    return SIM_ORIGIN + (avr_cycle_count_t)at;
}

static avr_cycle_count_t on_event(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)param;
    while (sim.next_event < sim.job.event_count && next_event_at() <= when) {
        const chip_event *event = &sim.events[sim.next_event++];
        if (event->kind == CHIP_RESET) {
            sim.reset_asked = event->value;
            return 0u; /* armed again after the reset */
        }
        event_level(event);
        sim_upset(event);
    }
    return next_event_at() > avr->cycle ? next_event_at() : 0u;
}

static void refit(void)
{
    avr_t *avr = sim.avr;
    if (sim.job.analogue_channel >= 0) {
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ,
                                    ADC_IRQ_ADC0 + sim.job.analogue_channel),
                      (uint32_t)sim.job.analogue_mv);
    }
    sim.released = avr->cycle;
    sim_timers_refit();
    sim_line_release();
    sim_ports_refit();
    sim_uart_refit();
    if (next_event_at() > avr->cycle) {
        avr_cycle_timer_register(avr, next_event_at() - avr->cycle, on_event, NULL);
    }
}

static void hold_in_reset(int cause_cycles)
{
    int64_t held = sim.job.reset_hold_cycles + cause_cycles;
    avr_cycle_count_t release = sim.avr->cycle + (avr_cycle_count_t)held;
    while (sim.next_event < sim.job.event_count && next_event_at() <= release) {
        const chip_event *event = &sim.events[sim.next_event++];
        if (event->kind == CHIP_PIN) {
            sim.pickup_level = event->value;
        } else if (event->kind <= CHIP_CAPTURE_FILTERED) {
            sim.capture_level[event->kind == CHIP_CAPTURE_FILTERED] = event->value;
        } else if (event->kind == CHIP_LINE) {
            sim_line_held(event->value);
        } else if (event->kind == CHIP_PHASE) {
            sim.phase_level = event->value;
        }
    }
    sim.avr->cycle = release;
}

static void reset_chip(int asked)
{
    avr_t *avr = sim.avr;
    int kind = asked % CHIP_RESET_KINDS;
    avr_io_addr_t flags = avr->reset_flags.wdrf.reg;
    uint8_t before = kind == CHIP_RESET_POWER_ON ? 0u : avr->data[flags];
    chip_record_reset(&sim.record, sim_now(), kind);
    for (int i = 0; i < sim.job.coil_count; i++) {
        sim_coil(i, 0, 0);
    }
    hold_in_reset(asked / CHIP_RESET_KINDS);
    if (kind == CHIP_RESET_POWER_ON) {
        scan_stack();
        fill_ram();
    }
    if (kind == CHIP_RESET_WATCHDOG) {
        avr->run(avr); /* simavr's own reset, which keeps the watchdog on */
    } else {
        avr->run = sim.plain_run;
        avr_reset(avr);
    }
    avr->data[flags] = (uint8_t)(before | kind);
    sim.reset_asked = 0;
    refit();
}

/* S7: everything due up to now happens at its own cycle, in order; a reset cuts the
 * instruction that was running. */
static void catch_up(void)
{
    avr_t *avr = sim.avr;
    avr_cycle_count_t now = avr->cycle;
    sim.stepping = 1;
    while (avr->cycle_timers.timer != NULL && avr->cycle_timers.timer->when <= now) {
        avr->cycle = avr->cycle_timers.timer->when;
        avr_cycle_timer_process(avr);
        if (avr->run != sim.plain_run || sim.reset_asked != 0) {
            sim.stepping = 0;
            reset_chip(sim.reset_asked != 0 ? sim.reset_asked : CHIP_RESET_WATCHDOG);
            return;
        }
    }
    avr->cycle = now;
    sim.stepping = 0;
}

/* S6, and: simavr runs two instructions after SEI or RETI, the chip one. */
static void service(int asleep)
{
    avr_t *avr = sim.avr;
    if (avr->interrupt_state == -2) {
        avr->interrupt_state = -1;
    }
    if (avr->interrupt_state == 0) {
        return;
    }
    sim.response = 0;
    avr_service_interrupts(avr);
    if (sim.response) {
        int lowest = _avr_sp_get(avr) + 1;
        if (lowest < sim.result.stack_lowest && lowest > ram_start()) {
            sim.result.stack_lowest = lowest;
        }
        avr->cycle += sim.chip.response_cycles + (asleep ? sim.chip.wake_cycles : 0);
        catch_up();
    }
}

static void one_stretch(void)
{
    avr_t *avr = sim.avr;
    int hunting = sim.result.main_cycle < 0 && sim.job.main_address >= 0;
    avr_cycle_count_t due = avr->cycle_timers.timer->when;
    avr->run_cycle_limit = hunting ? 1 : UNLIMITED;
    avr->run_cycle_count = hunting || due <= avr->cycle ? 1 : due - avr->cycle;
    avr->pc = avr_run_one(avr);
    if (hunting && (int)avr->pc == sim.job.main_address) {
        sim.result.main_cycle = sim_now();
    }
}

static void run_chip(void)
{
    avr_t *avr = sim.avr;
    avr_cycle_count_t end = SIM_ORIGIN + (avr_cycle_count_t)sim.job.end_cycle;
    while (avr->cycle < end) {
        /* S13: SLEEP without its enable bit does nothing on the chip. */
        int asleep = avr->state == cpu_Sleeping && ((avr->data[sim.chip.sleep_register] >> sim.chip.sleep_bit) & 1) != 0;
        if (asleep) {
            avr->cycle = avr->cycle_timers.timer->when;
        } else {
            avr->state = cpu_Running; /* an upset program never stops a real chip */
            one_stretch();
        }
        catch_up();
        service(asleep);
    }
}

/* S18: simavr reads two sections by name; what is flashed is every segment that lies in flash. */
static int load_flash(void)
{
    int file = open(sim.job.elf, O_RDONLY);
    Elf *elf = file < 0 ? NULL : elf_begin(file, ELF_C_READ, NULL);
    size_t count = 0u, image_size = 0u;
    const char *image = elf == NULL ? NULL : elf_rawfile(elf, &image_size);
    if (image == NULL || elf_getphdrnum(elf, &count) != 0) {
        return 0;
    }
    for (size_t i = 0u; i < count; i++) {
        GElf_Phdr segment;
        if (gelf_getphdr(elf, (int)i, &segment) == NULL
            || segment.p_offset + segment.p_filesz > image_size) {
            return 0;
        }
        if (segment.p_type == PT_LOAD && segment.p_filesz != 0u
            && segment.p_paddr + segment.p_filesz <= sim.avr->flashend + 1u) {
            memcpy(sim.avr->flash + segment.p_paddr, image + segment.p_offset, segment.p_filesz);
        }
    }
    elf_end(elf);
    close(file);
    return 1;
}

static int make_chip(void)
{
    static elf_firmware_t firmware;
    if (elf_read_firmware(sim.job.elf, &firmware) != 0 || firmware.flash == NULL) {
        fail("the image cannot be read");
        return 0;
    }
    sim.avr = avr_make_mcu_by_name(sim.job.mcu);
    if (sim.avr == NULL) {
        fail("simavr does not know this chip");
        return 0;
    }
    avr_init(sim.avr);
    firmware.frequency = (uint32_t)sim.job.f_cpu_hz;
    avr_load_firmware(sim.avr, &firmware);
    sim.avr->vcc = sim.avr->avcc = (uint32_t)sim.job.reference_mv;
    sim.avr->aref = sim.avr->vcc / 3u; /* nothing drives it: a converter that refers to it is wrong */
    if (!load_flash()) {
        fail("the image's segments cannot be read");
        return 0;
    }
    /* Room for every address a program can form; simavr stops at the last of RAM. */
    sim.avr->data = realloc(sim.avr->data, DATA_SPACE);
    return sim.avr->data != NULL;
}

static int check_job(void)
{
    int known = sim_port(sim.job.pickup.port) != NULL;
    for (int i = 0; i < sim.job.coil_count; i++) {
        known = known && sim_port(sim.job.coils[i].port) != NULL;
    }
    if (!known) {
        fail("the chip has no such port");
    }
    return known;
}

static void emulate(void)
{
    sim.pickup_level = sim.capture_level[0] = sim.capture_level[1] = sim.job.idle_level;
    sim_line_begin();
    sim.phase_level = !sim.job.phase.on_level;
    if (!make_chip()) {
        return;
    }
    sim.avr->cycle = SIM_ORIGIN;
    sim.plain_run = sim.avr->run;
    sim.result.ram_end = sim.avr->ramend;
    sim.result.stack_lowest = sim.avr->ramend + 1;
    sim_ports_attach();
    if (!check_job()) {
        return;
    }
    sim_chip_find();
    sim_timers_attach();
    sim_interrupts_attach();
    sim_uart_attach();
    fill_ram();
    refit();
    run_chip();
    scan_stack();
    sim.result.cycles_run = sim_now();
    sim.result.phase_cycle = sim_timer_phase();
    for (int i = 0; i < sim.job.peek_count; i++) {
        memcpy(&sim.result.peek[i], sim.avr->data + sim.job.peek_address[i],
               (size_t)sim.job.peek_size[i]);
    }
}

static int read_noise(FILE *file)
{
    for (int i = 0; i < CHIP_NOISES; i++) {
        size_t patterns = (size_t)sim.job.noise_patterns[i];
        size_t toggles = (size_t)sim.job.noise_toggles[i];
        int64_t *first = calloc(patterns + 1u, sizeof *first);
        double *toggle_s = calloc(toggles + 1u, sizeof *toggle_s);
        if (first == NULL || toggle_s == NULL
            || fread(first, sizeof *first, patterns + 1u, file) != patterns + 1u
            || fread(toggle_s, sizeof *toggle_s, toggles, file) != toggles) {
            return 0;
        }
        sim.noise[i] = (sim_noise){(int64_t)patterns, first, toggle_s};
    }
    return 1;
}

static int read_job(const char *path)
{
    FILE *file = fopen(path, "rb");
    if (file == NULL || fread(&sim.job, sizeof sim.job, 1, file) != 1) {
        return 0;
    }
    size_t count = (size_t)sim.job.event_count;
    chip_event *events = calloc(count + 1u, sizeof *events);
    int good = events != NULL && fread(events, sizeof *events, count, file) == count;
    sim.events = events;
    good = good && (!sim.job.noise_on || read_noise(file));
    fclose(file);
    return good;
}

static int write_result(const char *path)
{
    FILE *file = fopen(path, "wb");
    if (file == NULL) {
        return 0;
    }
    size_t changes = (size_t)sim.result.change_count;
    size_t bytes = (size_t)sim.result.serial_count;
    int good = fwrite(&sim.result, sizeof sim.result, 1, file) == 1
        && fwrite(sim.record.changes, sizeof(chip_change), changes, file) == changes
        && fwrite(sim.record.serial, 1, bytes, file) == bytes;
    return fclose(file) == 0 && good;
}

int main(int argc, char **argv)
{
    if (argc < 3 || argc > 4 || !read_job(argv[1])) {
        return 2;
    }
    if (argc == 4) {
        sim_live_begin(argv[3]);
    }
    avr_global_logger_set(logger);
    chip_record_begin(&sim.record, &sim.job, &sim.result);
    emulate();
    int good = write_result(argv[2]);
    chip_record_end(&sim.record);
    return good ? 0 : 1;
}
