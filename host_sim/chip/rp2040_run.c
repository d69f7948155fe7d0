/* A job on the modelled RP2040: from the release of reset to the end of the train.
 *
 * The boot ROM is not run: what it does, copying the second stage to RAM and checking its sum, is done
 * here, and takes no time.  RAM keeps its content through every reset but a power-on. */
#include "rp2040.h"

#include <stdlib.h>
#include <stdio.h>
#include <string.h>

enum { BOOT_BYTES = 256, BOOT_AT = 0x41F00 };

void *rp_new(const uint8_t *flash, int64_t bytes);
void rp_run(void *opaque, const chip_job *job, const chip_event *events, chip_result *result,
            int coil_pin, int select_pin, int pickup_pin, int phase_pin);
const chip_change *rp_changes(void *opaque);
const uint8_t *rp_serial(void *opaque);
int rp_try(void *opaque, uint32_t *registers, uint8_t *ram, int64_t bytes);
int64_t rp_try_pio(void *opaque, const uint16_t *program, const uint32_t *settings,
                   const int64_t *levels, int64_t level_count, const int64_t *orders,
                   int64_t order_count, int64_t clocks, int64_t *seen);
void rp_never_skip(void *opaque);
void rp_free(void *opaque);

static uint32_t boot_sum(const uint8_t *bytes)
{
    uint32_t sum = 0xFFFFFFFFu;
    for (int i = 0; i < BOOT_BYTES - 4; i++) {
        sum ^= (uint32_t)bytes[i] << 24;
        for (int bit = 0; bit < 8; bit++) {
            sum = (sum << 1) ^ ((sum >> 31) != 0 ? 0x04C11DB7u : 0);
        }
    }
    return sum;
}

static void boot(rp_chip *chip)
{
    uint32_t wanted;
    rp_bus_reset(chip);
    memcpy(&wanted, chip->flash + BOOT_BYTES - 4, 4);
    if (boot_sum(chip->flash) != wanted) {
        chip->result->failed = 1;
        snprintf(chip->result->message, sizeof chip->result->message,
                 "the boot ROM finds no second stage: its sum is wrong");
        return;
    }
    memcpy(chip->ram + BOOT_AT, chip->flash, BOOT_BYTES);
    rp_cpu_reset(chip, RP_RAM + BOOT_AT, RP_RAM + BOOT_AT);
}

static void fill_ram(rp_chip *chip)
{
    uint64_t seed = chip->job->ram_seed;
    for (int i = 0; i < RP_RAM_BYTES; i++) {
        chip->ram[i] = chip_random_byte(&seed);
    }
}

static void reset(rp_chip *chip, int asked)
{
    int kind = asked % CHIP_RESET_KINDS;
    chip->reset_asked = 0;
    chip_record_reset(&chip->record, chip->now, kind);
    rp_bus_reset(chip);
    chip->now += chip->job->reset_hold_cycles + asked / CHIP_RESET_KINDS;
    if (kind == CHIP_RESET_POWER_ON) {
        fill_ram(chip);
    }
    if (kind != CHIP_RESET_WATCHDOG) {
        chip->watchdog_reason = 0;
        chip->chip_reset = kind == CHIP_RESET_EXTERNAL ? 1u << 16 : 1u << 8;
    }
    boot(chip);
}

static void level_changes(rp_chip *chip, int64_t at, int pin, int level)
{
    chip->level_before = chip->level;
    chip->level = level != 0 ? chip->level | 1u << pin : chip->level & ~(1u << pin);
    chip->changed_at = at;
    for (int i = 0; i < 4; i++) {
        rp_pio_stir(&chip->pio.sm[i]);
    }
}

typedef struct {
    const chip_event *at, *end;
    int pickup_pin, phase_pin;
} stimulus;

static int64_t next_event(const stimulus *s, const rp_chip *chip)
{
    return s->at < s->end && s->at->cycle < chip->job->end_cycle ? s->at->cycle : chip->job->end_cycle;
}

static void happen(rp_chip *chip, stimulus *s)
{
    while (s->at < s->end && s->at->cycle <= chip->now) {
        const chip_event *event = s->at++;
        rp_pio_run(chip, event->cycle, false);
        if (event->kind == CHIP_RESET) {
            chip->reset_asked = event->value;
            return;
        }
        if (event->kind != CHIP_PIN && event->kind != CHIP_PHASE) {
            rp_upset(chip, event);
            continue;
        }
        level_changes(chip, event->cycle, event->kind == CHIP_PHASE ? s->phase_pin : s->pickup_pin,
                      event->value);
    }
}

static int64_t least(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

/* Asleep or locked up: the PIO runs, until it, the alarm, the watchdog or the train has something. */
static void idle(rp_chip *chip, int64_t until)
{
    int64_t before = chip->now;
    bool wakes = !chip->cpu.locked_up && (chip->cpu.enabled >> RP_IRQ_PIO0 & 1) != 0;
    rp_pio_run(chip, until, wakes);
    if (chip->now == before && (chip->cpu.locked_up || !rp_cpu_wakes(chip))) {
        chip->now = until;
    }
}

/* The program counts as started when main has been entered and first lets its events in: pins and timer
 * are ready then, the tables checked. */
static void look_for_main(rp_chip *chip)
{
    if (chip->result->main_cycle >= 0) {
        return;
    }
    chip->in_main |= chip->cpu.r[15] == ((uint32_t)chip->job->main_address & ~1u);
    if (chip->in_main && chip->cpu.enabled != 0 && !chip->cpu.primask) {
        chip->result->main_cycle = chip->now;
    }
}

static void steps(rp_chip *chip, stimulus *s)
{
    while (chip->now < chip->job->end_cycle && !chip->result->failed) {
        int64_t alarm = chip->alarm_armed ? chip->alarm_at : RP_NEVER;
        int64_t due = least(least(alarm, chip->watchdog_at), next_event(s, chip));
        if (chip->now >= due) {
            happen(chip, s);
            rp_timer_due(chip);
        }
        if (chip->reset_asked != 0) {
            reset(chip, chip->reset_asked);
            continue;
        }
        if (chip->cpu.asleep && rp_cpu_wakes(chip)) {
            chip->cpu.asleep = false;
        }
        if (chip->cpu.asleep || chip->cpu.locked_up) {
            if (chip->now < due) {
                idle(chip, due);
            }
            continue;
        }
        if (chip->now >= chip->pio.next) {
            rp_pio_run(chip, chip->now + 1, false);
        }
        rp_cpu_interrupt(chip);
        rp_cpu_step(chip);
        look_for_main(chip);
    }
}

/* When the core's tick was 0: machine 1 counts half ticks down in y; a tick begins with the clock after
 * the pass in which the count is even begins. */
static void phase(rp_chip *chip)
{
    const rp_machine *sm = &chip->pio.sm[1];
    if (sm->on) {
        chip->result->phase_cycle = sm->pass_at + 1 + (int64_t)30 * (int32_t)(sm->pass_count - 1);
    }
}

void *rp_new(const uint8_t *flash, int64_t bytes)
{
    rp_chip *chip = calloc(1, sizeof *chip);
    if (chip == NULL) {
        abort();
    }
    memset(chip->flash, 0xFF, sizeof chip->flash);
    memcpy(chip->flash, flash, (size_t)(bytes < RP_FLASH_BYTES ? bytes : RP_FLASH_BYTES));
    return chip;
}

void rp_run(void *opaque, const chip_job *job, const chip_event *events, chip_result *result,
            int coil_pin, int select_pin, int pickup_pin, int phase_pin)
{
    rp_chip *chip = opaque;
    stimulus s = {events, events + job->event_count, pickup_pin, phase_pin};
    chip->job = job;
    chip->result = result;
    chip->coil_pin = coil_pin;
    chip->select_pin = select_pin;
    chip_record_begin(&chip->record, job, result);
    chip->lowest_sp = RP_RAM + RP_RAM_BYTES;
    chip->driven_outside = 1u << pickup_pin | (phase_pin >= 0 ? 1u << phase_pin : 0);
    chip->level = chip->level_before = job->idle_level != 0 ? 1u << pickup_pin : 0;
    if (phase_pin >= 0 && job->phase.on_level == 0) {
        chip->level = chip->level_before |= 1u << phase_pin;
    }
    chip->changed_at = -1;
    fill_ram(chip);
    chip->chip_reset = 1u << 8;
    boot(chip);
    steps(chip, &s);
    phase(chip);
    result->cycles_run = chip->now;
    result->ram_end = RP_RAM + 0x40000 - 1;
    result->stack_lowest = chip->lowest_sp;
    for (int i = 0; i < job->peek_count; i++) {
        uint32_t at = (uint32_t)job->peek_address[i] - RP_RAM;
        if (at <= (uint32_t)(RP_RAM_BYTES - job->peek_size[i])) {
            memcpy(&result->peek[i], chip->ram + at, (size_t)job->peek_size[i]);
        }
    }
}

/* For tests: one instruction, r0 to r14, the program counter and the flags (bits 31 to 28) in and out,
 * with the first bytes of RAM.  Returns its cycles, -1 when it fails. */
int rp_try(void *opaque, uint32_t *registers, uint8_t *ram, int64_t bytes)
{
    rp_chip *chip = opaque;
    rp_cpu *cpu = &chip->cpu;
    chip->result = &chip->tried;
    memset(cpu, 0, sizeof *cpu);
    memcpy(cpu->r, registers, sizeof cpu->r);
    cpu->n = registers[16] >> 31 & 1;
    cpu->z = registers[16] >> 30 & 1;
    cpu->c = registers[16] >> 29 & 1;
    cpu->v = registers[16] >> 28 & 1;
    cpu->depth = 1; /* a failure locks up instead of entering a handler */
    cpu->active[0] = RP_HARD_FAULT;
    memcpy(chip->ram, ram, (size_t)bytes);
    rp_cpu_step(chip);
    memcpy(registers, cpu->r, sizeof cpu->r);
    registers[16] = (uint32_t)cpu->n << 31 | (uint32_t)cpu->z << 30 | (uint32_t)cpu->c << 29 |
                    (uint32_t)cpu->v << 28;
    memcpy(ram, chip->ram, (size_t)bytes);
    return cpu->locked_up ? -1 : cpu->cycles;
}

/* For tests: machine 0 with a program.  `settings`: execctrl, shiftctrl, pinctrl, x, y, isr, place to
 * begin.  `levels`, `orders`: pairs (clock, level of pin 0) and (clock, word for the queue), sorted.
 * `seen` gets triples (clock, 0: pin 1 or 1: word, value); returns their number. */
int64_t rp_try_pio(void *opaque, const uint16_t *program, const uint32_t *settings,
                   const int64_t *levels, int64_t level_count, const int64_t *orders,
                   int64_t order_count, int64_t clocks, int64_t *seen)
{
    rp_chip *chip = opaque;
    rp_machine *sm = &chip->pio.sm[0];
    int64_t count = 0, level = 0, order = 0;
    chip->result = &chip->tried;
    chip->scale = 1;
    chip->coil_pin = chip->select_pin = -1;
    chip->driven_outside = 1;
    chip->changed_at = -1;
    rp_pio_reset(chip);
    memcpy(chip->pio.program, program, sizeof chip->pio.program);
    sm->execctrl = settings[0];
    sm->shiftctrl = settings[1];
    sm->pinctrl = settings[2];
    sm->x = settings[3];
    sm->y = settings[4];
    sm->isr = settings[5];
    sm->pc = settings[6];
    sm->on = true;
    chip->pio.next = 0;
    uint32_t before = chip->pio.out;
    for (int64_t clock = 0; clock < clocks;) {
        int64_t until = clocks;
        for (; level < level_count && levels[2 * level] <= clock; level++) {
            level_changes(chip, levels[2 * level], 0, (int)levels[2 * level + 1]);
        }
        for (; order < order_count && orders[2 * order] <= clock; order++) {
            chip->now = clock;
            rp_pio_write(chip, 0x10, (uint32_t)orders[2 * order + 1]);
        }
        until = level < level_count ? least(until, levels[2 * level]) : until;
        until = order < order_count ? least(until, orders[2 * order]) : until;
        while (chip->pio.next < until) {
            rp_pio_one(chip, until);
            if (chip->pio.out != before) {
                before = chip->pio.out;
                seen[3 * count] = sm->acted_at + 1;
                seen[3 * count + 1] = 0;
                seen[3 * count++ + 2] = before >> 1 & 1;
            }
            while (sm->rx.count != 0) {
                seen[3 * count] = sm->acted_at + 1;
                seen[3 * count + 1] = 1;
                seen[3 * count++ + 2] = rp_pio_read(chip, 0x20);
            }
        }
        clock = until;
    }
    return count;
}

const chip_change *rp_changes(void *opaque)
{
    return ((rp_chip *)opaque)->record.changes;
}

const uint8_t *rp_serial(void *opaque)
{
    return ((rp_chip *)opaque)->record.serial;
}

/* For tests: execute every pass of the PIO's programs. */
void rp_never_skip(void *opaque)
{
    ((rp_chip *)opaque)->never_skip = true;
}

void rp_free(void *opaque)
{
    chip_record_end(&((rp_chip *)opaque)->record);
    free(opaque);
}
