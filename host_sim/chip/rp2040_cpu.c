/* Cortex-M0+ (ARMv6-M architecture reference manual; cycles: Cortex-M0+ technical reference manual, table
 * 3-1, from memory).  tests/host_sim/chip/test_rp2040_cpu.py holds it against unicorn's core. */
#include "rp2040.h"

#include <string.h>

enum { SP = 13, LR = 14, PC = 15 };

static void flags_nz(rp_cpu *cpu, uint32_t value)
{
    cpu->n = (value >> 31) != 0;
    cpu->z = value == 0;
}

static uint32_t add_carry(rp_cpu *cpu, uint32_t a, uint32_t b, unsigned carry)
{
    uint64_t sum = (uint64_t)a + b + carry;
    uint32_t value = (uint32_t)sum;
    flags_nz(cpu, value);
    cpu->c = (sum >> 32) != 0;
    cpu->v = (((a ^ value) & (b ^ value)) >> 31) != 0;
    return value;
}

static uint32_t subtract(rp_cpu *cpu, uint32_t a, uint32_t b)
{
    return add_carry(cpu, a, ~b, 1);
}

static void jump(rp_cpu *cpu, uint32_t to)
{
    cpu->r[PC] = to & ~1u;
}

/* Shifts by a register's low byte, or by an immediate (where 0 stands for 32, LSL left out). */
static uint32_t shifted(rp_cpu *cpu, int kind, uint32_t value, unsigned by)
{
    if (by == 0) {
        return value;
    }
    if (kind == 0) {
        cpu->c = by <= 32 && ((value >> (32 - by)) & 1) != 0;
        return by < 32 ? value << by : 0;
    }
    if (kind == 1) {
        cpu->c = by <= 32 && ((value >> (by - 1)) & 1) != 0;
        return by < 32 ? value >> by : 0;
    }
    if (kind == 2) {
        unsigned most = by < 32 ? by : 32;
        cpu->c = (((int32_t)value >> (most - 1)) & 1) != 0;
        return (uint32_t)((int32_t)value >> (most < 32 ? most : 31));
    }
    by &= 31;
    uint32_t turned = by != 0 ? (value >> by) | (value << (32 - by)) : value;
    cpu->c = (turned >> 31) != 0;
    return turned;
}

static void shift_immediate(rp_cpu *cpu, uint32_t op)
{
    int kind = (int)(op >> 11);
    unsigned by = (op >> 6) & 31;
    uint32_t value = cpu->r[(op >> 3) & 7];
    if (kind != 0 && by == 0) {
        by = 32;
    }
    cpu->r[op & 7] = shifted(cpu, kind, value, by);
    flags_nz(cpu, cpu->r[op & 7]);
}

static void add_subtract(rp_cpu *cpu, uint32_t op)
{
    uint32_t b = (op & 0x0400) != 0 ? (op >> 6) & 7 : cpu->r[(op >> 6) & 7];
    uint32_t a = cpu->r[(op >> 3) & 7];
    cpu->r[op & 7] = (op & 0x0200) != 0 ? subtract(cpu, a, b) : add_carry(cpu, a, b, 0);
}

static void immediate(rp_cpu *cpu, uint32_t op)
{
    uint32_t *d = &cpu->r[(op >> 8) & 7];
    uint32_t value = op & 255;
    switch ((op >> 11) & 3) {
    case 0: *d = value; flags_nz(cpu, value); break;
    case 1: (void)subtract(cpu, *d, value); break;
    case 2: *d = add_carry(cpu, *d, value, 0); break;
    default: *d = subtract(cpu, *d, value); break;
    }
}

static void logic(rp_cpu *cpu, uint32_t *d, uint32_t value)
{
    *d = value;
    flags_nz(cpu, value);
}

static void data_processing(rp_cpu *cpu, uint32_t op)
{
    uint32_t *d = &cpu->r[op & 7];
    uint32_t m = cpu->r[(op >> 3) & 7];
    switch ((op >> 6) & 15) {
    case 0: logic(cpu, d, *d & m); break;
    case 1: logic(cpu, d, *d ^ m); break;
    case 2: logic(cpu, d, shifted(cpu, 0, *d, m & 255)); break;
    case 3: logic(cpu, d, shifted(cpu, 1, *d, m & 255)); break;
    case 4: logic(cpu, d, shifted(cpu, 2, *d, m & 255)); break;
    case 5: *d = add_carry(cpu, *d, m, cpu->c); break;
    case 6: *d = add_carry(cpu, *d, ~m, cpu->c); break;
    case 7: logic(cpu, d, shifted(cpu, 3, *d, m & 255)); break;
    case 8: flags_nz(cpu, *d & m); break;
    case 9: *d = subtract(cpu, 0, m); break;
    case 10: (void)subtract(cpu, *d, m); break;
    case 11: (void)add_carry(cpu, *d, m, 0); break;
    case 12: logic(cpu, d, *d | m); break;
    case 13: logic(cpu, d, *d * m); break;
    case 14: logic(cpu, d, *d & ~m); break;
    default: logic(cpu, d, ~m); break;
    }
}

/* ---- Loads, stores, jumps -------------------------------------------------------------------- */

static void exchange(rp_chip *chip, uint32_t to)
{
    if (to >= 0xFFFFFFF0u && chip->cpu.depth > 0) {
        rp_leave(chip);
        chip_record_left(&chip->record, chip->now + (int64_t)chip->cpu.cycles * chip->scale);
        return;
    }
    chip->cpu.fault = chip->cpu.fault || (to & 1) == 0; /* there is no ARM state */
    jump(&chip->cpu, to);
}

static void high_registers(rp_chip *chip, uint32_t op)
{
    rp_cpu *cpu = &chip->cpu;
    uint32_t d = (op & 7) | ((op >> 4) & 8), m = (op >> 3) & 15;
    uint32_t value = cpu->r[m] + (m == PC ? 2u : 0u);
    switch ((op >> 8) & 3) {
    case 0: value += cpu->r[d] + (d == PC ? 2u : 0u); break;
    case 1: (void)subtract(cpu, cpu->r[d], value); return;
    case 2: break;
    default: {
        uint32_t back = cpu->r[PC] | 1;
        cpu->cycles += 1;
        exchange(chip, value);
        if ((op & 0x80) != 0) {
            cpu->r[LR] = back;
        }
        return;
    }
    }
    if (d == PC) {
        cpu->cycles += 1;
        jump(cpu, value);
    } else {
        cpu->r[d] = d == SP ? value & ~3u : value;
    }
}

static void load(rp_chip *chip, uint32_t d, uint32_t address, int bytes, bool is_signed)
{
    uint32_t value = rp_read(chip, address, bytes);
    if (is_signed) {
        value = bytes == 1 ? (uint32_t)(int8_t)value : (uint32_t)(int16_t)value;
    }
    if (!chip->cpu.fault) {
        chip->cpu.r[d] = value;
    }
}

static void register_offset(rp_chip *chip, uint32_t op)
{
    static const int bytes[8] = {4, 2, 1, 1, 4, 2, 1, 2};
    rp_cpu *cpu = &chip->cpu;
    uint32_t kind = (op >> 9) & 7;
    uint32_t address = cpu->r[(op >> 3) & 7] + cpu->r[(op >> 6) & 7];
    if (kind < 3) {
        rp_write(chip, address, cpu->r[op & 7], bytes[kind]);
    } else {
        load(chip, op & 7, address, bytes[kind], kind == 3 || kind == 7);
    }
}

/* Loads and stores with an offset in the instruction. */
static void immediate_offset(rp_chip *chip, uint32_t op)
{
    rp_cpu *cpu = &chip->cpu;
    bool loads = (op & 0x0800) != 0;
    int bytes = (op >> 12) == 6 ? 4 : (op >> 12) == 7 ? 1 : 2;
    uint32_t base = cpu->r[(op >> 3) & 7], offset = ((op >> 6) & 31) * (uint32_t)bytes, d = op & 7;
    if ((op >> 12) == 9) {
        bytes = 4;
        base = cpu->r[SP];
        offset = (op & 255) * 4;
        d = (op >> 8) & 7;
    }
    if (loads) {
        load(chip, d, base + offset, bytes, false);
    } else {
        rp_write(chip, base + offset, cpu->r[d], bytes);
    }
}

static int ones(uint32_t list)
{
    int count = 0;
    for (; list != 0; list &= list - 1) {
        count++;
    }
    return count;
}

static void push(rp_chip *chip, uint32_t op)
{
    rp_cpu *cpu = &chip->cpu;
    uint32_t list = (op & 255) | ((op & 256) != 0 ? 1u << LR : 0);
    uint32_t at = cpu->r[SP] - 4u * (uint32_t)ones(list);
    cpu->r[SP] = at;
    rp_note_stack(chip);
    for (int i = 0; i < 15; i++) {
        if ((list >> i & 1) != 0) {
            rp_write(chip, at, cpu->r[i], 4);
            at += 4;
        }
    }
    cpu->cycles = 1 + ones(list);
}

static void pop(rp_chip *chip, uint32_t op)
{
    rp_cpu *cpu = &chip->cpu;
    uint32_t at = cpu->r[SP];
    for (uint32_t i = 0; i < 8; i++) {
        if ((op >> i & 1) != 0) {
            cpu->r[i] = rp_read(chip, at, 4);
            at += 4;
        }
    }
    cpu->cycles = 1 + ones(op & 255);
    if ((op & 256) != 0) {
        uint32_t to = rp_read(chip, at, 4);
        cpu->r[SP] = at + 4;
        cpu->cycles = 3 + ones(op & 511);
        exchange(chip, to);
    } else {
        cpu->r[SP] = at;
    }
}

static void multiple(rp_chip *chip, uint32_t op)
{
    rp_cpu *cpu = &chip->cpu;
    uint32_t n = (op >> 8) & 7, at = cpu->r[n];
    bool loads = (op & 0x0800) != 0;
    for (uint32_t i = 0; i < 8; i++) {
        if ((op >> i & 1) == 0) {
            continue;
        }
        if (loads) {
            load(chip, i, at, 4, false);
        } else {
            rp_write(chip, at, cpu->r[i], 4);
        }
        at += 4;
    }
    if (!loads || (op >> n & 1) == 0) {
        cpu->r[n] = at;
    }
    cpu->cycles = 1 + ones(op & 255);
}

static bool holds(const rp_cpu *cpu, uint32_t condition)
{
    bool result;
    switch (condition >> 1) {
    case 0: result = cpu->z; break;
    case 1: result = cpu->c; break;
    case 2: result = cpu->n; break;
    case 3: result = cpu->v; break;
    case 4: result = cpu->c && !cpu->z; break;
    case 5: result = cpu->n == cpu->v; break;
    default: result = !cpu->z && cpu->n == cpu->v; break;
    }
    return result != ((condition & 1) != 0);
}

static void branch_if(rp_chip *chip, uint32_t op)
{
    rp_cpu *cpu = &chip->cpu;
    uint32_t condition = (op >> 8) & 15;
    if (condition >= 14) {
        cpu->fault = true; /* UDF; SVC, which nothing here serves */
    } else if (holds(cpu, condition)) {
        jump(cpu, cpu->r[PC] + 2 + (uint32_t)((int32_t)(int8_t)op * 2));
        cpu->cycles = 2;
    }
}

static void special(rp_chip *chip, uint32_t op, uint32_t second)
{
    rp_cpu *cpu = &chip->cpu;
    uint32_t which = second & 255;
    if ((op & 0xFFF0) == 0xF380 && (second & 0xFF00) == 0x8800) {
        uint32_t value = cpu->r[op & 15];
        if (which == 16) {
            cpu->primask = (value & 1) != 0;
        } else if (which == 8) {
            cpu->r[SP] = value & ~3u;
        }
        cpu->cycles = 3;
    } else if (op == 0xF3EF && (second & 0xF000) == 0x8000) {
        cpu->r[(second >> 8) & 15] = which == 16 ? cpu->primask : which == 8 ? cpu->r[SP]
            : which == 5 ? cpu->exception : which < 4 ? rp_flags_word(cpu) : 0;
        cpu->cycles = 3;
    } else if (op == 0xF3BF && (second & 0xFF00) == 0x8F00) {
        cpu->cycles = 3; /* DSB, DMB, ISB */
    } else {
        cpu->fault = true;
    }
}

static void wide(rp_chip *chip, uint32_t op)
{
    rp_cpu *cpu = &chip->cpu;
    uint32_t second = rp_fetch(chip, cpu->r[PC]);
    if ((op & 0xF800) != 0xF000) {
        cpu->fault = true;
        return;
    }
    cpu->r[PC] += 2;
    if ((second & 0xD000) != 0xD000) {
        special(chip, op, second);
        return;
    }
    uint32_t s = (op >> 10) & 1;
    uint32_t i1 = ((second >> 13 & 1) ^ s) ^ 1, i2 = ((second >> 11 & 1) ^ s) ^ 1;
    uint32_t offset = (s != 0 ? 0xFF000000u : 0) | (i1 << 23) | (i2 << 22) | ((op & 0x3FF) << 12) |
                      ((second & 0x7FF) << 1);
    cpu->r[LR] = cpu->r[PC] | 1;
    jump(cpu, cpu->r[PC] + offset);
    cpu->cycles = 3;
}

static void extend_reverse(rp_cpu *cpu, uint32_t op)
{
    uint32_t *d = &cpu->r[op & 7], m = cpu->r[(op >> 3) & 7];
    switch (op & 0x0FC0) {
    case 0x0200: *d = (uint32_t)(int16_t)m; break;
    case 0x0240: *d = (uint32_t)(int8_t)m; break;
    case 0x0280: *d = m & 0xFFFF; break;
    case 0x02C0: *d = m & 0xFF; break;
    case 0x0A00: *d = m << 24 | (m << 8 & 0xFF0000) | (m >> 8 & 0xFF00) | m >> 24; break;
    case 0x0A40: *d = (m << 8 & 0xFF00FF00) | (m >> 8 & 0x00FF00FF); break;
    case 0x0AC0: *d = (uint32_t)(int16_t)(uint16_t)((m << 8 & 0xFF00) | (m >> 8 & 0xFF)); break;
    default: cpu->fault = true; break;
    }
}

static void miscellaneous(rp_chip *chip, uint32_t op)
{
    rp_cpu *cpu = &chip->cpu;
    uint32_t kind = (op >> 8) & 15;
    if (kind == 0) {
        uint32_t by = (op & 127) * 4;
        cpu->r[SP] += (op & 128) != 0 ? 0u - by : by;
        rp_note_stack(chip);
    } else if (kind == 4 || kind == 5) {
        push(chip, op);
    } else if (kind == 12 || kind == 13) {
        pop(chip, op);
    } else if ((op & 0xFFEF) == 0xB662) {
        cpu->primask = (op & 16) != 0;
    } else if (kind == 15) {
        cpu->asleep = op == 0xBF30; /* WFI; the other hints do nothing here */
        cpu->cycles = 1 + (int)cpu->asleep;
    } else {
        extend_reverse(cpu, op);
    }
}

static void execute(rp_chip *chip, uint32_t op)
{
    rp_cpu *cpu = &chip->cpu;
    switch (op >> 12) {
    case 0: case 1:
        if ((op >> 11) == 3) {
            add_subtract(cpu, op);
        } else {
            shift_immediate(cpu, op);
        }
        break;
    case 2: case 3: immediate(cpu, op); break;
    case 4:
        if ((op & 0x0800) != 0) {
            load(chip, (op >> 8) & 7, ((cpu->r[PC] + 2) & ~3u) + (op & 255) * 4, 4, false);
        } else if ((op & 0x0400) != 0) {
            high_registers(chip, op);
        } else {
            data_processing(cpu, op);
        }
        break;
    case 5: register_offset(chip, op); break;
    case 6: case 7: case 8: case 9: immediate_offset(chip, op); break;
    case 10:
        cpu->r[(op >> 8) & 7] = ((op & 0x0800) != 0 ? cpu->r[SP] : (cpu->r[PC] + 2) & ~3u) +
                                (op & 255) * 4;
        break;
    case 11: miscellaneous(chip, op); break;
    case 12: multiple(chip, op); break;
    case 13: branch_if(chip, op); break;
    case 14:
        if ((op & 0x0800) != 0) {
            cpu->fault = true;
        } else {
            jump(cpu, cpu->r[PC] + 2 + (uint32_t)((int32_t)(op << 21) >> 20));
            cpu->cycles = 2;
        }
        break;
    default: wide(chip, op); break;
    }
}

/* One instruction; what it costs goes onto the clock. */
void rp_cpu_step(rp_chip *chip)
{
    rp_cpu *cpu = &chip->cpu;
    cpu->cycles = 1;
    uint32_t at = cpu->r[PC];
    uint32_t op = rp_fetch(chip, at);
    if (!cpu->fault) {
        cpu->r[PC] = at + 2;
        execute(chip, op);
    }
    chip->now += (int64_t)cpu->cycles * chip->scale;
    if (cpu->fault) {
        cpu->r[PC] = at;
        chip->result->bad_opcodes++;
        rp_hard_fault(chip);
    }
}

void rp_cpu_reset(rp_chip *chip, uint32_t stack, uint32_t entry)
{
    rp_cpu *cpu = &chip->cpu;
    memset(cpu, 0, sizeof *cpu);
    cpu->r[SP] = stack;
    cpu->r[LR] = 0xFFFFFFFFu;
    jump(cpu, entry);
}
