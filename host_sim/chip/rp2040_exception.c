/* Exceptions of the Cortex-M0+ and its interrupt controller (ARMv6-M architecture reference manual,
 * B1.5; entry and return: Cortex-M0+ technical reference manual, from memory). */
#include "rp2040.h"

#include <string.h>

enum { SP = 13, LR = 14, PC = 15 };
enum { ENTRY_CYCLES = 15, EXIT_CYCLES = 12 };

uint32_t rp_flags_word(const rp_cpu *cpu)
{
    return ((uint32_t)cpu->n << 31) | ((uint32_t)cpu->z << 30) | ((uint32_t)cpu->c << 29) |
           ((uint32_t)cpu->v << 28);
}

static int priority_of(const rp_cpu *cpu, uint32_t exception)
{
    if (exception == RP_HARD_FAULT) {
        return -1;
    }
    if (exception < RP_EXTERNAL) {
        return 0;
    }
    uint32_t irq = exception - RP_EXTERNAL;
    return (int)((cpu->priority[irq / 4] >> (8 * (irq & 3) + 6)) & 3);
}

static int running_priority(const rp_cpu *cpu)
{
    int least = 4;
    for (int i = 0; i < cpu->depth; i++) {
        int p = priority_of(cpu, cpu->active[i]);
        least = p < least ? p : least;
    }
    return least;
}

void rp_note_stack(rp_chip *chip)
{
    uint32_t sp = chip->cpu.r[SP];
    if (sp < chip->lowest_sp && sp >= RP_RAM) {
        chip->lowest_sp = sp;
    }
}

static void enter(rp_chip *chip, uint32_t exception)
{
    rp_cpu *cpu = &chip->cpu;
    uint32_t pad = (cpu->r[SP] >> 2) & 1;
    uint32_t frame = (cpu->r[SP] - 32) & ~7u;
    const uint32_t kept[8] = {cpu->r[0], cpu->r[1], cpu->r[2], cpu->r[3], cpu->r[12], cpu->r[LR],
                              cpu->r[PC], rp_flags_word(cpu) | (pad << 9) | (1u << 24) | cpu->exception};
    for (uint32_t i = 0; i < 8; i++) {
        rp_write(chip, frame + 4 * i, kept[i], 4);
    }
    cpu->r[SP] = frame;
    rp_note_stack(chip);
    cpu->r[LR] = cpu->depth == 0 ? 0xFFFFFFF9u : 0xFFFFFFF1u;
    if (cpu->depth < 40) {
        cpu->active[cpu->depth++] = exception;
    }
    cpu->exception = exception;
    cpu->r[PC] = rp_read(chip, cpu->vtor + 4 * exception, 4) & ~1u;
    chip->now += (int64_t)ENTRY_CYCLES * chip->scale;
    chip_record_entered(&chip->record, chip->now - (int64_t)ENTRY_CYCLES * chip->scale,
                        (int)(exception < RP_EXTERNAL ? 40 + exception : exception - RP_EXTERNAL));
}

void rp_leave(rp_chip *chip)
{
    rp_cpu *cpu = &chip->cpu;
    uint32_t frame = cpu->r[SP], word[8];
    for (uint32_t i = 0; i < 8; i++) {
        word[i] = rp_read(chip, frame + 4 * i, 4);
    }
    memcpy(cpu->r, word, 4 * sizeof *word);
    cpu->r[12] = word[4];
    cpu->r[LR] = word[5];
    cpu->r[PC] = word[6] & ~1u;
    cpu->r[SP] = (frame + 32) | ((word[7] >> 9 & 1) << 2);
    cpu->n = (word[7] >> 31) & 1;
    cpu->z = (word[7] >> 30) & 1;
    cpu->c = (word[7] >> 29) & 1;
    cpu->v = (word[7] >> 28) & 1;
    cpu->depth -= cpu->depth > 0;
    uint32_t ended = cpu->exception;
    cpu->exception = cpu->depth > 0 ? cpu->active[cpu->depth - 1] : 0;
    if (ended >= RP_EXTERNAL && (cpu->lines >> (ended - RP_EXTERNAL) & 1) != 0) {
        cpu->pending |= 1u << (ended - RP_EXTERNAL);
    }
    cpu->cycles = EXIT_CYCLES;
}

void rp_hard_fault(rp_chip *chip)
{
    rp_cpu *cpu = &chip->cpu;
    cpu->fault = false;
    if (running_priority(cpu) < 0) {
        cpu->locked_up = true; /* only a reset helps */
        return;
    }
    enter(chip, RP_HARD_FAULT);
}

/* A level interrupt that rises is pending, and again when its handler ends with the level still up. */
void rp_cpu_line(rp_chip *chip, int irq, bool level)
{
    rp_cpu *cpu = &chip->cpu;
    uint32_t bit = 1u << irq;
    if (level && (cpu->lines & bit) == 0) {
        cpu->pending |= bit;
        if ((cpu->enabled & bit) != 0) {
            chip_record_raised(&chip->record, chip->now, irq);
        }
    }
    cpu->lines = level ? cpu->lines | bit : cpu->lines & ~bit;
}

static int waiting(const rp_cpu *cpu)
{
    uint32_t due = cpu->pending & cpu->enabled;
    int best = -1, least = running_priority(cpu);
    for (int irq = 0; due != 0; irq++, due >>= 1) {
        int p = priority_of(cpu, (uint32_t)(RP_EXTERNAL + irq));
        if ((due & 1) != 0 && p < least) {
            least = p;
            best = irq;
        }
    }
    return best;
}

bool rp_cpu_wakes(const rp_chip *chip)
{
    return (chip->cpu.pending & chip->cpu.enabled) != 0 && waiting(&chip->cpu) >= 0;
}

void rp_cpu_interrupt(rp_chip *chip)
{
    rp_cpu *cpu = &chip->cpu;
    if ((cpu->pending & cpu->enabled) == 0 || cpu->primask) {
        return;
    }
    int irq = waiting(cpu);
    if (irq >= 0) {
        cpu->pending &= ~(1u << irq);
        enter(chip, (uint32_t)(RP_EXTERNAL + irq));
    }
}
