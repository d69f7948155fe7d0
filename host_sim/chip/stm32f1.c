/* One STM32F103: what is due next, resets, memory, and the way in for Python. */
#include "stm32f1.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define VECTOR_TIM4 (CORTEX_IRQ_0 + 30)
#define APB1_CLOCKS 4 /* a bus at half the clock, and the bridge to it; assumed */
#define APB2_CLOCKS 2

void stm32f1_refuse(stm32f1 *s, const char *why, uint32_t value)
{
    if (s->upset_before) {
        return;
    }
    s->result->failed = 1;
    snprintf(s->result->message, sizeof s->result->message, "%s (%08x)", why, (unsigned)value);
    s->core.halt = 1;
}

/* ---- What the core asks ----------------------------------------------------------------------- */

static int soonest(const stm32f1 *s)
{
    int which = 0;
    for (int i = 1; i < DUES; i++) {
        which = s->due[i] < s->due[which] ? i : which;
    }
    return which;
}

static void input_due(stm32f1 *s, int64_t at)
{
    const chip_event *const e = &s->events[s->next_event++];
    switch (e->kind) {
    case CHIP_LINE:
        timer_line(s, at, e->value);
        break;
    case CHIP_PHASE:
        s->phase = e->value;
        break;
    case CHIP_RESET:
        s->asked = e->value;
        break;
    case CHIP_FLIP_DATA:
    case CHIP_FLIP_PC:
        s->upset = e;
        s->core.pause = 1;
        break;
    default:
        break;
    }
    s->due[DUE_INPUT] = s->next_event < s->job->event_count ? s->events[s->next_event].cycle
                                                            : CORTEX_NEVER;
}

static int64_t advance(void *chip, int64_t now)
{
    stm32f1 *const s = chip;
    int which = soonest(s);
    while (s->due[which] <= now && !s->core.halt && !s->core.pause) {
        int64_t const at = s->due[which];
        if (which == DUE_INPUT) {
            input_due(s, at);
        } else if (which == DUE_END || which == DUE_IWDG || which == DUE_RELEASE) {
            s->asked = which == DUE_IWDG ? CHIP_RESET_WATCHDOG : s->asked;
            s->held = which == DUE_RELEASE ? 0 : s->held;
            s->core.halt = 1;
            break;
        } else if (which < DUE_SYSTICK) {
            timer_due(s, which, at);
        } else {
            parts_due(s, which, at);
        }
        s->core.halt |= s->asked != 0;
        which = soonest(s);
    }
    return s->due[which];
}

static int priority_of(const stm32f1 *s, int exception)
{
    return exception == CORTEX_SYSTICK ? (int)(s->system[0xD20u / 4u] >> 24)
                                       : (int)(s->system[0x41Cu / 4u] >> 16 & 0xFFu);
}

static int waiting(void *chip, int *priority)
{
    stm32f1 *const s = chip;
    int const enabled = (s->system[0x100u / 4u] >> 30 & 1u) != 0u;
    int const timer = enabled && timer_interrupt(s);
    int const exception = s->systick_waits ? CORTEX_SYSTICK : timer ? VECTOR_TIM4 : 0;
    if (exception == CORTEX_SYSTICK && timer &&
        priority_of(s, VECTOR_TIM4) < priority_of(s, CORTEX_SYSTICK)) {
        *priority = priority_of(s, VECTOR_TIM4);
        return VECTOR_TIM4;
    }
    *priority = priority_of(s, exception);
    return exception;
}

static void taken(void *chip, int exception)
{
    stm32f1 *const s = chip;
    if (exception == CORTEX_SYSTICK) {
        s->systick_waits = 0;
    }
}

static void paused(void *chip)
{
    stm32f1 *const s = chip;
    const chip_event *const e = s->upset;
    s->upset_before = 1;
    if (e != NULL && e->kind == CHIP_FLIP_PC) {
        cortex_flip_counter(&s->core, e->value);
    } else if (e != NULL) {
        upset_data(s, (uint32_t)e->value / 8u, e->value % 8);
    }
    s->upset = NULL;
}

static uint32_t vectors(void *chip)
{
    uint32_t const offset = ((stm32f1 *)chip)->system[0xD08u / 4u] & 0x3FFFFF80u;
    return offset == 0u ? FLASH_FROM : offset;
}

static const cortex_chip CALLS = {advance, waiting, taken, paused, vectors};

/* ---- Memory ----------------------------------------------------------------------------------- */

static uint64_t peripheral_read(uc_engine *uc, uint64_t offset, unsigned size, void *user)
{
    stm32f1 *const s = user;
    uint32_t const address = PERIPHERALS + (uint32_t)offset;
    (void)uc;
    (void)size;
    cortex_stall(&s->core, address < GPIO_A ? APB1_CLOCKS : APB2_CLOCKS);
    (void)advance(s, s->core.now);
    if ((address & ~0x3FFu) == TIM4) {
        return timer_read(s, address & 0x3FFu);
    }
    return address >= GPIO_A && address < GPIO_A + 0xC00u ? pins_read(s, address)
                                                          : parts_read(s, address);
}

static void peripheral_write(uc_engine *uc, uint64_t offset, unsigned size, uint64_t value,
                             void *user)
{
    stm32f1 *const s = user;
    uint32_t const address = PERIPHERALS + (uint32_t)offset;
    (void)uc;
    (void)size;
    cortex_stall(&s->core, address < GPIO_A ? APB1_CLOCKS : APB2_CLOCKS);
    (void)advance(s, s->core.now);
    if ((address & ~0x3FFu) == TIM4) {
        timer_write(s, address & 0x3FFu, (uint32_t)value);
        if (address == TIM4 + TIM_SMCR) { /* once in every pass of the firmware's main loop */
            cortex_main_pass(&s->core);
        }
    } else if (address >= GPIO_A && address < GPIO_A + 0xC00u) {
        pins_write(s, address, (uint32_t)value);
    } else {
        parts_write(s, address, (uint32_t)value);
    }
}

static uint64_t system_read(uc_engine *uc, uint64_t offset, unsigned size, void *user)
{
    stm32f1 *const s = user;
    (void)uc;
    (void)size;
    return s->system[offset / 4u];
}

static void system_written(uc_engine *uc, uint64_t offset, unsigned size, uint64_t value, void *user)
{
    stm32f1 *const s = user;
    (void)uc;
    (void)size;
    (void)advance(s, s->core.now);
    system_write(s, SYSTEM + (uint32_t)offset, (uint32_t)value);
}

static void scan_stack(stm32f1 *s)
{
    uint32_t const size = s->core.ram_size;
    uint8_t *const ram = malloc(size);
    int64_t lowest = RAM_FROM + size;
    uc_mem_read(s->core.uc, RAM_FROM, ram, size);
    for (int64_t a = lowest - 1; a >= s->job->stack_floor; a--) {
        lowest = ram[a - RAM_FROM] != s->ram_before[a - RAM_FROM] ? a : lowest;
    }
    free(ram);
    if (lowest < s->result->stack_lowest) {
        s->result->stack_lowest = lowest;
    }
}

static void fill_ram(stm32f1 *s)
{
    for (uint32_t i = 0; i < s->core.ram_size; i++) {
        s->ram_before[i] = chip_random_byte(&s->seed);
    }
    uc_mem_write(s->core.uc, RAM_FROM, s->ram_before, s->core.ram_size);
}

/* ---- Resets and the whole run ----------------------------------------------------------------- */

static void begin(stm32f1 *s, int kind)
{
    uint32_t const causes = *word_of(s, RCC + 0x24u);
    memset(s->peripheral, 0, sizeof s->peripheral);
    memset(s->system, 0, sizeof s->system);
    *word_of(s, RCC + 0x24u) = causes;
    s->coil_level = s->coil_before = 0;
    s->upset = NULL;
    s->core.pause = 0;
    parts_reset(s, kind);
    timer_reset(s);
    pins_reset(s);
    cortex_reset(&s->core);
}

static void reset(stm32f1 *s)
{
    int const kind = s->asked % CHIP_RESET_KINDS;
    int64_t const hold = s->job->reset_hold_cycles + s->asked / CHIP_RESET_KINDS;
    s->asked = 0;
    chip_record_reset(&s->record, s->core.now, kind);
    if (kind == CHIP_RESET_POWER_ON) {
        scan_stack(s);
        *word_of(s, RCC + 0x24u) = 0u;
        fill_ram(s);
    }
    begin(s, kind);
    s->held = hold > 0;
    s->due[DUE_RELEASE] = s->held ? s->core.now + hold : CORTEX_NEVER;
}

/* Held in reset: time goes on without the core. */
static void wait_held(stm32f1 *s)
{
    while (s->held && s->core.now < s->job->end_cycle) {
        int64_t const next = s->due[soonest(s)];
        s->core.now = next > s->core.now ? next : s->core.now;
        s->core.halt = 0;
        (void)advance(s, s->core.now);
        s->asked = s->held ? 0 : s->asked; /* a reset within a reset */
        s->core.pause = 0;                 /* nothing is there to be upset */
        s->upset = NULL;
    }
    s->due[DUE_RELEASE] = CORTEX_NEVER;
    timer_reset(s);
}

static void run(stm32f1 *s)
{
    while (s->core.now < s->job->end_cycle && !s->result->failed) {
        s->core.halt = 0;
        if (s->asked != 0) {
            reset(s);
            wait_held(s);
            continue;
        }
        cortex_run(&s->core);
    }
}

/* Of a register what was last written there, or what the chip made of it. */
static void peek(stm32f1 *s, uint32_t address, int32_t size, int64_t *value)
{
    *value = 0;
    if (address >= SYSTEM) {
        *value = s->system[(address - SYSTEM) % SYSTEM_BYTES / 4u];
    } else if (address >= PERIPHERALS) {
        *value = s->peripheral[(address - PERIPHERALS) % PERIPHERAL_BYTES / 4u];
    } else {
        uc_mem_read(s->core.uc, address, value, (size_t)size);
    }
}

static void finish(stm32f1 *s)
{
    chip_result *const r = s->result;
    scan_stack(s);
    r->cycles_run = s->core.now;
    r->ram_end = RAM_FROM + s->core.ram_size - 1;
    if ((tim(s, TIM_CR1) & 1u) != 0u) {
        r->phase_cycle = s->began;
    }
    for (int i = 0; i < s->job->peek_count; i++) {
        peek(s, (uint32_t)s->job->peek_address[i], s->job->peek_size[i], &r->peek[i]);
    }
}

static uc_err open_chip(stm32f1 *s, uint8_t *flash, uint32_t flash_size, uint32_t ram_size)
{
    cortex *const c = &s->core;
    c->calls = &CALLS;
    c->chip = s;
    c->record = &s->record;
    c->flash = flash;
    c->flash_from = FLASH_FROM;
    c->flash_size = flash_size;
    c->ram_from = RAM_FROM;
    c->ram_size = ram_size;
    c->main_address = (uint32_t)s->job->main_address;
    c->seed = s->job->ram_seed;
    uc_err const error = cortex_open(c);
    if (error != UC_ERR_OK) {
        return error;
    }
    uc_mmio_map(c->uc, PERIPHERALS, PERIPHERAL_BYTES, peripheral_read, s, peripheral_write, s);
    return uc_mmio_map(c->uc, SYSTEM, SYSTEM_BYTES, system_read, s, system_written, s);
}

__attribute__((visibility("default"))) void *
chip_run_stm32f1(const chip_job *job, const chip_event *events, uint8_t *flash,
                 uint32_t flash_size, uint32_t ram_size, chip_result *result)
{
    stm32f1 *const s = calloc(1, sizeof *s);
    chip_record_begin(&s->record, job, result);
    s->job = job;
    s->events = events;
    s->result = result;
    s->seed = job->ram_seed;
    s->line = s->filtered = s->run_level = job->idle_level;
    s->phase = job->phase.port != 0 ? 1 - job->phase.on_level : 0;
    s->run_length = 64;
    s->ram_before = malloc(ram_size);
    result->stack_lowest = RAM_FROM + ram_size;
    uc_err const error = open_chip(s, flash, flash_size, ram_size);
    if (error != UC_ERR_OK) {
        result->failed = 1;
        snprintf(result->message, sizeof result->message, "%s", uc_strerror(error));
        return s;
    }
    for (int i = 0; i < DUES; i++) {
        s->due[i] = CORTEX_NEVER;
    }
    fill_ram(s);
    begin(s, CHIP_RESET_POWER_ON);
    s->due[DUE_INPUT] = job->event_count > 0 ? events[0].cycle : CORTEX_NEVER;
    s->due[DUE_END] = job->end_cycle;
    run(s);
    finish(s);
    cortex_close(&s->core);
    return s;
}

__attribute__((visibility("default"))) const chip_change *chip_changes(void *chip)
{
    return ((stm32f1 *)chip)->record.changes;
}

__attribute__((visibility("default"))) const uint8_t *chip_serial(void *chip)
{
    return ((stm32f1 *)chip)->record.serial;
}

__attribute__((visibility("default"))) void chip_free(void *chip)
{
    stm32f1 *const s = chip;
    chip_record_end(&s->record);
    free(s->ram_before);
    free(s);
}
