/* Times: Cortex-M3 Technical Reference Manual (DDI 0337), table of instructions, from memory; the
 * slower figure where it gives a range, and no credit for loads that overlap. */
#include "cortex.h"

#include <stdlib.h>
#include <string.h>

#define BACK 0x10000000u /* where handlers return to; nothing else is there */
#define FRAME_BYTES 32u
#define ENTRY_CLOCKS 12 /* DDI 0337, interrupt latency; the same out again */
#define LINE_BYTES 8u

/* ---- Clocks of one instruction --------------------------------------------------------------- */

static int ones(uint32_t word)
{
    int count = 0;
    for (; word != 0u; word &= word - 1u) {
        count++;
    }
    return count;
}

static int is_wide(uint32_t half)
{
    return half >> 11 >= 0x1Du;
}

static int narrow_clocks(uint32_t half)
{
    uint32_t const top = half >> 12;
    if ((half & 0xF600u) == 0xB400u) { /* PUSH, POP */
        return 1 + ones(half & 0x1FFu);
    }
    if (top == 0xCu) { /* STM, LDM */
        return 1 + ones(half & 0xFFu);
    }
    if (half >> 11 == 9u) { /* LDR from beside the code: flash, data side */
        return 4;
    }
    return (top >= 5u && top <= 9u) ? 2 : 1; /* loads and stores */
}

static int wide_clocks(uint32_t first, uint32_t second)
{
    if ((first & 0xFE40u) == 0xE800u) { /* STM, LDM */
        return 1 + ones(second);
    }
    if ((first & 0xFE40u) == 0xE840u) { /* LDRD, STRD, table branch, exclusive */
        return 3;
    }
    if ((first & 0xFE00u) == 0xF800u) { /* loads and stores */
        return (first & 0xFu) == 0xFu ? 4 : 2;
    }
    if ((first & 0xFF80u) == 0xFB80u) { /* long multiply, divide */
        return (first & 0x0010u) != 0u && (second & 0xF0u) == 0xF0u ? 12 : 7;
    }
    return (first & 0xFF80u) == 0xFB00u ? 2 : 1; /* multiply and add */
}

static uint32_t half_at(const cortex *c, uint32_t offset)
{
    return (uint32_t)c->flash[offset] | (uint32_t)c->flash[offset + 1u] << 8;
}

static int condition_length(uint32_t half)
{
    int length = 4;
    if ((half & 0xFF00u) != 0xBF00u || (half & 0xFu) == 0u) {
        return 0;
    }
    for (uint32_t mask = half & 0xFu; (mask & 1u) == 0u; mask >>= 1) {
        length--;
    }
    return length;
}

static uint8_t time_of(cortex *c, uint32_t offset)
{
    uint8_t *const kept = &c->times[offset / 2u];
    if (*kept == 0u) {
        uint32_t const first = half_at(c, offset);
        int const clocks = is_wide(first) ? wide_clocks(first, half_at(c, offset + 2u))
                                          : narrow_clocks(first);
        *kept = (uint8_t)(clocks | condition_length(first) << 5);
    }
    return *kept;
}

/* ---- Between two instructions ---------------------------------------------------------------- */

static uint32_t reg(cortex *c, int which)
{
    uint32_t value = 0u;
    uc_reg_read(c->uc, which, &value);
    return value;
}

static void set_reg(cortex *c, int which, uint32_t value)
{
    uc_reg_write(c->uc, which, &value);
}

static int masked(cortex *c, int priority)
{
    int const base = (int)reg(c, UC_ARM_REG_BASEPRI);
    int const running = c->depth > 0 ? c->priority[c->depth - 1] : INT32_MAX;
    return reg(c, UC_ARM_REG_PRIMASK) != 0u || priority >= running ||
           (base != 0 && priority >= base);
}

static void stop(cortex *c)
{
    c->running = 0;
    c->follows = c->at; /* resumed without a jump */
    uc_emu_stop(c->uc);
}

/* The spinning main loop is left out until shortly before something happens: by up to two of its
 * passes, drawn at random, so that events meet it anywhere in a pass. */
static void rest(cortex *c)
{
    uint64_t const draw = (uint64_t)chip_random_byte(&c->seed) << 8 | chip_random_byte(&c->seed);
    int64_t const before = (int64_t)(draw * 2u * (uint64_t)c->pass_clocks >> 16);
    if (c->wake - before > c->now) {
        c->now = c->wake - before;
    }
    c->passes = 0;
}

static void look(cortex *c)
{
    int priority = 0;
    int const exception = (c->wake = c->calls->advance(c->chip, c->now),
                           c->calls->waiting(c->chip, &priority));
    if (c->halt || c->pause) {
        stop(c);
    } else if (exception != 0) {
        c->passes = 0;
        if (masked(c, priority)) {
            c->wake = 0;
        } else {
            c->take = exception;
            stop(c);
        }
    } else if (c->passes >= 2 && c->depth == 0) {
        rest(c);
    }
}

static void block_begins(cortex *c, int length)
{
    uint32_t offset = c->at - c->flash_from + 2u;
    c->block = c->at;
    for (; length > 0; length--) {
        offset += is_wide(half_at(c, offset)) ? 4u : 2u;
    }
    c->block_end = c->flash_from + offset;
}

/* What passes between two instructions: a jump fills the pipeline anew, what a condition skips (of
 * which unicorn does not tell) takes a clock, and each 8 bytes of flash want to be fetched. */
static int lost_before(const cortex *c, uint32_t at)
{
    if (at != c->follows) {
        int const skipped = at > c->block && at <= c->block_end && at > c->follows;
        return skipped ? (int)(at - c->follows) / 2 : c->refill_clocks;
    }
    return ((at ^ c->at) & ~(LINE_BYTES - 1u)) != 0u ? c->crossing_clocks : 0;
}

static void on_code(uc_engine *uc, uint64_t address, uint32_t size, void *user)
{
    cortex *const c = user;
    uint32_t const at = (uint32_t)address, offset = at - c->flash_from;
    uint8_t time = 1u;
    (void)uc;
    c->now += c->running;
    if (offset < c->flash_size) {
        c->now += lost_before(c, at) * c->scale;
        time = time_of(c, offset);
    }
    c->at = at;
    c->follows = at + size;
    c->running = (time & 31u) * c->scale;
    if (at == c->main_address && c->record->result->main_cycle < 0) {
        c->record->result->main_cycle = c->now;
    }
    if (at > c->block && at < c->block_end) { /* U1: not to be stopped within an IT block */
        return;
    }
    if (time >> 5 != 0u) {
        block_begins(c, time >> 5);
    }
    if (c->now >= c->wake) {
        look(c);
    }
}

void cortex_attend(cortex *c)
{
    c->wake = 0;
}

void cortex_stall(cortex *c, int clocks)
{
    c->now += clocks * c->scale;
}

void cortex_main_pass(cortex *c)
{
    if (c->depth == 0) {
        c->pass_clocks = c->now - c->pass_began;
        c->pass_began = c->now;
        c->passes++;
        c->wake = 0;
    }
}

/* ---- Exceptions ------------------------------------------------------------------------------ */

static const int FRAME[] = {UC_ARM_REG_R0,  UC_ARM_REG_R1, UC_ARM_REG_R2, UC_ARM_REG_R3,
                            UC_ARM_REG_R12, UC_ARM_REG_LR};

static uint32_t word_at(cortex *c, uint32_t address)
{
    uint32_t word = 0u;
    uc_mem_read(c->uc, address, &word, 4u);
    return word;
}

/* PM0056 2.3.7: eight words on the stack, aligned to eight bytes; bit 9 of the last says how. */
static void enter(cortex *c, int exception, int priority)
{
    uint32_t const from = reg(c, UC_ARM_REG_SP), sp = (from & ~7u) - FRAME_BYTES;
    uint32_t frame[8];
    for (int i = 0; i < 6; i++) {
        frame[i] = reg(c, FRAME[i]);
    }
    frame[6] = c->at;
    frame[7] = (reg(c, UC_ARM_REG_XPSR) & ~0x200u) | (from & 4u) << 7;
    uc_mem_write(c->uc, sp, frame, FRAME_BYTES);
    set_reg(c, UC_ARM_REG_SP, sp);
    set_reg(c, UC_ARM_REG_LR, BACK | 1u);
    set_reg(c, UC_ARM_REG_XPSR, (frame[7] & ~0x3FFu) | (uint32_t)exception);
    c->priority[c->depth++] = priority;
    chip_record_entered(c->record, c->now, exception);
    c->now += ENTRY_CLOCKS * c->scale;
    c->at = word_at(c, c->calls->vectors(c->chip) + 4u * (uint32_t)exception) & ~1u;
    c->calls->taken(c->chip, exception);
    c->wake = 0;
}

static void leave(cortex *c)
{
    uint32_t const sp = reg(c, UC_ARM_REG_SP);
    uint32_t frame[8];
    uc_mem_read(c->uc, sp, frame, FRAME_BYTES);
    for (int i = 0; i < 6; i++) {
        set_reg(c, FRAME[i], frame[i]);
    }
    set_reg(c, UC_ARM_REG_XPSR, frame[7] & ~0x200u);
    set_reg(c, UC_ARM_REG_SP, sp + FRAME_BYTES + (frame[7] >> 7 & 4u));
    c->now += c->running + ENTRY_CLOCKS * c->scale;
    c->running = 0;
    c->at = frame[6];
    c->depth--;
    chip_record_left(c->record, c->now);
    c->wake = 0;
}

static void take(cortex *c)
{
    int priority = 0;
    int const exception = c->take;
    (void)c->calls->waiting(c->chip, &priority);
    c->take = 0;
    if (c->depth < CORTEX_LEVELS) {
        enter(c, exception, priority);
    }
}

/* A bad access or instruction: hard fault, and within one of those nothing runs until the reset. */
static void fault(cortex *c, uc_err error)
{
    int const opcode = error == UC_ERR_INSN_INVALID || error == UC_ERR_EXCEPTION;
    c->record->result->bad_opcodes += opcode;
    c->record->result->bad_addresses += !opcode;
    if (c->depth == 0 || (c->priority[c->depth - 1] >= 0 && c->depth < CORTEX_LEVELS)) {
        enter(c, CORTEX_HARD_FAULT, -1);
        return;
    }
    while (!c->halt) {
        c->now = c->wake;
        c->wake = c->calls->advance(c->chip, c->now);
        c->pause = 0; /* an upset finds nothing that runs */
    }
}

/* ---- Upsets ---------------------------------------------------------------------------------- */

void cortex_flip_register(cortex *c, int byte, int bit)
{
    static const int WORDS[] = {
        UC_ARM_REG_R0,  UC_ARM_REG_R1,  UC_ARM_REG_R2,   UC_ARM_REG_R3,      UC_ARM_REG_R4,
        UC_ARM_REG_R5,  UC_ARM_REG_R6,  UC_ARM_REG_R7,   UC_ARM_REG_R8,      UC_ARM_REG_R9,
        UC_ARM_REG_R10, UC_ARM_REG_R11, UC_ARM_REG_R12,  UC_ARM_REG_SP,      UC_ARM_REG_LR,
        UC_ARM_REG_XPSR, UC_ARM_REG_PRIMASK, UC_ARM_REG_BASEPRI};
    int const which = WORDS[byte / 4];
    uint32_t const mask = 1u << (8 * (byte % 4) + bit);
    if (which == UC_ARM_REG_XPSR && mask == 1u << 24) { /* Thumb no more: no instruction is valid */
        fault(c, UC_ERR_INSN_INVALID);
        return;
    }
    uint32_t const holds = which == UC_ARM_REG_XPSR      ? 0xF8000000u
                           : which == UC_ARM_REG_SP      ? ~3u
                           : which == UC_ARM_REG_PRIMASK ? 1u
                           : which == UC_ARM_REG_BASEPRI ? 0xF0u
                                                         : ~0u;
    set_reg(c, which, reg(c, which) ^ (mask & holds));
    c->wake = 0;
}

void cortex_flip_counter(cortex *c, int bit)
{
    c->at ^= 2u << bit;
}

void cortex_flip_ram(cortex *c, uint32_t address, int bit)
{
    uint8_t byte = 0u;
    uc_mem_read(c->uc, address, &byte, 1u);
    byte ^= (uint8_t)(1u << bit);
    uc_mem_write(c->uc, address, &byte, 1u);
}

/* ---- Running --------------------------------------------------------------------------------- */

/* A handler has returned, or an upset program met an instruction that waits: it goes on at once. */
static void came_out(cortex *c)
{
    uint32_t const pc = reg(c, UC_ARM_REG_PC) & ~1u;
    if (pc != BACK) {
        c->now += c->running + c->scale;
        c->running = 0;
        c->at = pc;
    } else if (c->depth > 0) {
        leave(c);
    } else {
        fault(c, UC_ERR_FETCH_UNMAPPED);
    }
}

void cortex_run(cortex *c)
{
    while (!c->halt) {
        c->follows = c->at;
        uc_err const error = uc_emu_start(c->uc, c->at | 1u, BACK, 0u, 0u);
        if (error != UC_ERR_OK) {
            fault(c, error);
        } else if (c->take != 0) {
            take(c);
        } else if (c->pause) {
            c->pause = 0;
            c->wake = 0;
            c->calls->paused(c->chip);
        } else if (!c->halt) {
            came_out(c);
        }
    }
}

void cortex_reset(cortex *c)
{
    set_reg(c, UC_ARM_REG_PRIMASK, 0u);
    set_reg(c, UC_ARM_REG_BASEPRI, 0u);
    set_reg(c, UC_ARM_REG_XPSR, 0x01000000u);
    set_reg(c, UC_ARM_REG_SP, word_at(c, c->flash_from));
    set_reg(c, UC_ARM_REG_LR, 0xFFFFFFFFu);
    c->at = word_at(c, c->flash_from + 4u) & ~1u;
    c->depth = c->take = c->passes = 0;
    c->block = c->block_end = 0u;
    c->running = 0;
    c->wake = 0;
}

uc_err cortex_open(cortex *c)
{
    uc_err error = uc_open(UC_ARCH_ARM, UC_MODE_THUMB | UC_MODE_MCLASS, &c->uc);
    if (error != UC_ERR_OK) {
        return error;
    }
    c->times = calloc(c->flash_size / 2u + 1u, 1u);
    uc_ctl_set_cpu_model(c->uc, UC_CPU_ARM_CORTEX_M3);
    uc_mem_map_ptr(c->uc, c->flash_from, c->flash_size, UC_PROT_READ | UC_PROT_EXEC, c->flash);
    uc_mem_map(c->uc, c->ram_from, c->ram_size, UC_PROT_ALL);
    uc_mem_map(c->uc, BACK, 0x1000u, UC_PROT_ALL);
    return uc_hook_add(c->uc, &c->hook, UC_HOOK_CODE, (void *)on_code, c, 1u, 0u);
}

void cortex_close(cortex *c)
{
    uc_close(c->uc);
    free(c->times);
}
