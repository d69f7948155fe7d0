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
    rp_pio_run(chip, until, true);
    if (chip->now == before && !rp_cpu_wakes(chip)) {
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

const chip_change *rp_changes(void *opaque)
{
    return ((rp_chip *)opaque)->record.changes;
}

const uint8_t *rp_serial(void *opaque)
{
    return ((rp_chip *)opaque)->record.serial;
}

void rp_free(void *opaque)
{
    chip_record_end(&((rp_chip *)opaque)->record);
    free(opaque);
}
