/* State machines of PIO 0 (data sheet, chapter 3), clock by clock.  Left out, and refused where a program
 * asks for it: side-set, automatic push and pull, joined queues, fractional dividers, MOV to exec and pc,
 * WAIT, the STATUS source.  tests/host_sim/chip/test_rp2040_pio.py holds it against another emulator.
 *
 * A machine that does nothing but count is moved many passes at once: two passes that differ in the
 * counter only repeat themselves until the counter meets zero or the other register, an order comes or
 * the pin changes. */
#include "rp2040.h"

#include <string.h>

enum { CTRL = 0x00, FSTAT = 0x04, TXF = 0x10, RXF = 0x20, IRQ = 0x30, PADOUT = 0x3C, PADOE = 0x40,
       INSTR_MEM = 0x48, SM0 = 0xC8, SM_BYTES = 0x18, INTR = 0x128, INTE = 0x12C, INTS = 0x134 };

static uint32_t raw_interrupts(const rp_pio *pio)
{
    uint32_t raw = (pio->irq & 15) << 8;
    for (int i = 0; i < 4; i++) {
        raw |= pio->sm[i].rx.count != 0 ? 1u << i : 0;
        raw |= pio->sm[i].tx.count < RP_FIFO ? 16u << i : 0;
    }
    return raw;
}

static void earliest(rp_pio *pio)
{
    pio->next = RP_NEVER;
    for (int i = 0; i < 4; i++) {
        if (pio->sm[i].on && pio->sm[i].next < pio->next) {
            pio->next = pio->sm[i].next;
        }
    }
}

/* ---- Instructions ---------------------------------------------------------------------------- */

static bool pull_word(rp_machine *sm, uint32_t *word)
{
    if (sm->tx.count == 0) {
        return false;
    }
    *word = sm->tx.word[0];
    sm->tx.count--;
    memmove(sm->tx.word, sm->tx.word + 1, sizeof sm->tx.word - sizeof *sm->tx.word);
    return true;
}

static bool push_word(rp_fifo *fifo, uint32_t word)
{
    if (fifo->count == RP_FIFO) {
        return false;
    }
    fifo->word[fifo->count++] = word;
    return true;
}

static bool jump_taken(rp_chip *chip, rp_machine *sm, int64_t at, unsigned condition)
{
    switch (condition) {
    case 0: return true;
    case 1: return sm->x == 0;
    case 2: return sm->x-- != 0;
    case 3: return sm->y == 0;
    case 4: return sm->y-- != 0;
    case 5: return sm->x != sm->y;
    case 6: return (rp_inputs(chip, at) >> (sm->execctrl >> 24 & 31) & 1) != 0;
    default: return sm->osr_count < 32;
    }
}

static uint32_t source(rp_chip *chip, const rp_machine *sm, int64_t at, unsigned which)
{
    unsigned base = sm->pinctrl >> 15 & 31;
    uint32_t pins = rp_inputs(chip, at);
    switch (which) {
    case 0: return base != 0 ? pins >> base | pins << (32 - base) : pins;
    case 1: return sm->x;
    case 2: return sm->y;
    case 6: return sm->isr;
    case 7: return sm->osr;
    default: return 0;
    }
}

/* Set `count` pins from `base` on, of levels or of directions. */
static void put(rp_chip *chip, int64_t at, uint32_t *target, unsigned base, unsigned count, uint32_t value)
{
    uint32_t before = *target;
    for (unsigned i = 0; i < count; i++) {
        uint32_t bit = 1u << ((base + i) & 31);
        *target = (value >> i & 1) != 0 ? *target | bit : *target & ~bit;
    }
    if (*target != before) {
        rp_pins_changed(chip, at + 1);
    }
}

static void do_in(rp_chip *chip, rp_machine *sm, int64_t at, uint32_t op)
{
    unsigned count = op & 31;
    uint32_t value = source(chip, sm, at, op >> 5 & 7);
    if (count == 0) {
        sm->isr = value;
    } else if ((sm->shiftctrl >> 18 & 1) != 0) {
        sm->isr = sm->isr >> count | value << (32 - count);
    } else {
        sm->isr = sm->isr << count | (value & ((1u << count) - 1));
    }
    sm->isr_count = sm->isr_count + (count != 0 ? count : 32) < 32 ? sm->isr_count + count : 32;
}

static bool do_push_pull(rp_chip *chip, rp_machine *sm, uint32_t op)
{
    bool blocks = (op & 0x20) != 0;
    chip->result->bad_opcodes += (op & 0x40) != 0; /* the conditional forms are left out */
    if ((op & 0x80) == 0) {
        bool room = push_word(&sm->rx, sm->isr);
        if (!room && blocks) {
            return false;
        }
        sm->isr = 0;
        sm->isr_count = 0;
        return true;
    }
    if (!pull_word(sm, &sm->osr)) {
        if (blocks) {
            return false;
        }
        sm->osr = sm->x;
    }
    sm->osr_count = 0;
    return true;
}

static void do_mov(rp_chip *chip, rp_machine *sm, int64_t at, uint32_t op)
{
    uint32_t value = source(chip, sm, at, op & 7), turned = 0;
    if ((op >> 3 & 3) == 1) {
        value = ~value;
    } else if ((op >> 3 & 3) == 2) {
        for (int i = 0; i < 32; i++) {
            turned |= (value >> i & 1) << (31 - i);
        }
        value = turned;
    }
    switch (op >> 5 & 7) {
    case 0: put(chip, at, &chip->pio.out, sm->pinctrl & 31, sm->pinctrl >> 20 & 63, value); break;
    case 1: sm->x = value; break;
    case 2: sm->y = value; break;
    case 6: sm->isr = value; sm->isr_count = 0; break;
    case 7: sm->osr = value; sm->osr_count = 0; break;
    default: chip->result->bad_opcodes++; break;
    }
}

static void do_set(rp_chip *chip, rp_machine *sm, int64_t at, uint32_t op)
{
    unsigned base = sm->pinctrl >> 5 & 31, count = sm->pinctrl >> 26 & 7;
    switch (op >> 5 & 7) {
    case 0: put(chip, at, &chip->pio.out, base, count, op & 31); break;
    case 1: sm->x = op & 31; break;
    case 2: sm->y = op & 31; break;
    case 4: put(chip, at, &chip->pio.oe, base, count, op & 31); break;
    default: chip->result->bad_opcodes++; break;
    }
}

static void do_out(rp_chip *chip, rp_machine *sm, int64_t at, uint32_t op)
{
    unsigned count = (op & 31) != 0 ? op & 31 : 32;
    bool right = (sm->shiftctrl >> 19 & 1) != 0;
    uint32_t mask = count == 32 ? 0xFFFFFFFFu : (1u << count) - 1;
    uint32_t value = right ? sm->osr & mask : count == 32 ? sm->osr : sm->osr >> (32 - count);
    sm->osr = count == 32 ? 0 : right ? sm->osr >> count : sm->osr << count;
    sm->osr_count = sm->osr_count + count < 32 ? sm->osr_count + count : 32;
    switch (op >> 5 & 7) {
    case 0: put(chip, at, &chip->pio.out, sm->pinctrl & 31, sm->pinctrl >> 20 & 63, value); break;
    case 1: sm->x = value; break;
    case 2: sm->y = value; break;
    case 3: break;
    case 4: put(chip, at, &chip->pio.oe, sm->pinctrl & 31, sm->pinctrl >> 20 & 63, value); break;
    default: chip->result->bad_opcodes++; break;
    }
}

static void do_irq(rp_chip *chip, int number, uint32_t op)
{
    unsigned flag = (op & 0x10) != 0 ? ((op & 4) | ((op + (unsigned)number) & 3)) : op & 7;
    if ((op & 0x40) != 0) {
        chip->pio.irq &= ~(1u << flag);
    } else {
        chip->pio.irq |= 1u << flag;
    }
    chip->result->bad_opcodes += (op & 0x20) != 0; /* IRQ WAIT is left out */
}

/* Execute an instruction in clock `at`; false when it stalls.  The jump moves the program counter. */
static bool machine_executes(rp_chip *chip, int number, int64_t at, uint32_t op, bool *jumped)
{
    rp_machine *sm = &chip->pio.sm[number];
    *jumped = false;
    switch (op >> 13) {
    case 0:
        *jumped = jump_taken(chip, sm, at, op >> 5 & 7);
        sm->pc = *jumped ? op & 31 : sm->pc;
        return true;
    case 2: do_in(chip, sm, at, op); return true;
    case 3: do_out(chip, sm, at, op); return true;
    case 4: return do_push_pull(chip, sm, op);
    case 5: do_mov(chip, sm, at, op); return true;
    case 6: do_irq(chip, number, op); return true;
    case 7: do_set(chip, sm, at, op); return true;
    default: chip->result->bad_opcodes++; return true;
    }
}

/* ---- Time ------------------------------------------------------------------------------------ */

/* At a counting jump: where this pass and the one before were the same but for the counter, the machine
 * does nothing else for a while; the passes that end before `until` can be left out. */
static void skip_passes(rp_machine *sm, uint32_t op, int64_t until)
{
    bool counts_x = (op >> 5 & 7) == 2;
    uint32_t *counter = counts_x ? &sm->x : &sm->y;
    uint32_t other = counts_x ? sm->y : sm->x;
    int64_t period = sm->next - sm->pass_at;
    uint32_t room = *counter - other < *counter ? *counter - other : *counter;
    sm->steady = sm->pass_quiet && sm->pass_pc == sm->pc && sm->pass_other == other && room > 4 &&
                 sm->pass_count == *counter + 1 && period == sm->period && sm->tx.count == 0;
    sm->steady_until = sm->steady ? sm->next + (int64_t)(room - 4) * period : sm->next;
    if (sm->steady && until > sm->next + period) {
        int64_t least = until < sm->steady_until ? until : sm->steady_until;
        int64_t passes = (least - sm->next) / period - 1;
        if (passes > 0) {
            *counter -= (uint32_t)passes;
            sm->next += passes * period;
        }
    }
    sm->period = period;
    sm->pass_quiet = true;
    sm->pass_at = sm->next;
    sm->pass_pc = sm->pc;
    sm->pass_other = other;
    sm->pass_count = *counter;
}

/* How far one machine may run ahead: to where any other may do something that is seen from outside. */
static int64_t horizon(const rp_pio *pio, int number, int64_t until)
{
    for (int i = 0; i < 4; i++) {
        const rp_machine *sm = &pio->sm[i];
        int64_t acts = sm->steady ? sm->steady_until : sm->next;
        if (i != number && sm->on && acts < until) {
            until = acts;
        }
    }
    return until;
}

/* Something came from outside: the next pass may differ. */
void rp_pio_stir(rp_machine *sm)
{
    sm->pass_quiet = false;
    sm->steady = false;
}

/* Clocks of one of the machine's; 0 stands for 65536 (3.5.5). */
static uint32_t divider(const rp_machine *sm)
{
    return (sm->clkdiv >> 16) != 0 ? sm->clkdiv >> 16 : 65536;
}

static void machine_steps(rp_chip *chip, int number, int64_t until)
{
    rp_machine *sm = &chip->pio.sm[number];
    uint32_t op = chip->pio.program[sm->pc];
    bool counts = (op >> 13) == 0 && ((op >> 5 & 7) == 2 || (op >> 5 & 7) == 4);
    bool jumped;
    if (counts && !chip->never_skip) {
        skip_passes(sm, op, horizon(&chip->pio, number, until));
    }
    sm->acted_at = sm->next;
    if (!machine_executes(chip, number, sm->next, op, &jumped)) {
        sm->next += (int64_t)divider(sm) * chip->scale; /* stalls */
        rp_pio_stir(sm);
        return;
    }
    /* What else than counting a pass may do shows in queues, pins and flags. */
    if ((op >> 13) == 6 || (op >> 13) == 2 || (op >> 13) == 3 || (op >> 13) == 7 || (op & 0xE0E0) == 0xA000 ||
        (op & 0xE080) == 0x8000) {
        rp_pio_stir(sm);
    }
    if (!jumped) {
        sm->pc = sm->pc == (sm->execctrl >> 12 & 31) ? sm->execctrl >> 7 & 31 : (sm->pc + 1) & 31;
    }
    sm->next += (int64_t)(1 + (op >> 8 & 31)) * divider(sm) * chip->scale;
}

/* The next instruction of the machine whose turn it is; returns the clock in which it ran. */
int64_t rp_pio_one(rp_chip *chip, int64_t until)
{
    rp_pio *pio = &chip->pio;
    int first = 0;
    for (int i = 1; i < 4; i++) {
        if (pio->sm[i].on && (!pio->sm[first].on || pio->sm[i].next < pio->sm[first].next)) {
            first = i;
        }
    }
    machine_steps(chip, first, until);
    earliest(pio);
    return pio->sm[first].acted_at;
}

/* Run all machines through the clocks before `until`; or only until an interrupt is up, and then set the
 * chip's time to it. */
void rp_pio_run(rp_chip *chip, int64_t until, bool stop_at_interrupt)
{
    rp_pio *pio = &chip->pio;
    while (pio->next < until) {
        int64_t at = rp_pio_one(chip, until);
        if (stop_at_interrupt && (raw_interrupts(pio) & pio->inte) != 0) {
            chip->now = at + 1 > chip->now ? at + 1 : chip->now;
            break;
        }
    }
    rp_cpu_line(chip, RP_IRQ_PIO0, (raw_interrupts(pio) & pio->inte) != 0);
}

/* ---- Registers ------------------------------------------------------------------------------- */

static void control(rp_chip *chip, uint32_t value)
{
    for (int i = 0; i < 4; i++) {
        rp_machine *sm = &chip->pio.sm[i];
        if ((value >> (4 + i) & 1) != 0) { /* restart */
            sm->isr = 0;
            sm->isr_count = 0;
            sm->osr_count = 32;
        }
        bool on = (value >> i & 1) != 0;
        if (on && !sm->on) {
            sm->next = chip->now + 1;
            rp_pio_stir(sm);
        }
        sm->on = on;
    }
    earliest(&chip->pio);
}

static uint32_t machine_read(const rp_machine *sm, const rp_pio *pio, uint32_t offset)
{
    switch (offset) {
    case 0x00: return sm->clkdiv;
    case 0x04: return sm->execctrl;
    case 0x08: return sm->shiftctrl;
    case 0x0C: return sm->pc;
    case 0x10: return pio->program[sm->pc];
    default: return sm->pinctrl;
    }
}

static void machine_write(rp_chip *chip, int number, uint32_t offset, uint32_t value)
{
    rp_machine *sm = &chip->pio.sm[number];
    bool jumped;
    switch (offset) {
    case 0x00: sm->clkdiv = value; break;
    case 0x04: sm->execctrl = value & 0x1FFFFF9Fu; break;
    case 0x08: sm->shiftctrl = value; break;
    case 0x10:
        chip->result->bad_opcodes += sm->on; /* our programs are never disturbed while they run */
        (void)machine_executes(chip, number, chip->now, value & 0xFFFF, &jumped);
        break;
    case 0x14: sm->pinctrl = value; break;
    default: break;
    }
    bool refused = (value >> 8 & 0xFF) != 0 && offset == 0;
    refused = refused || (offset == 0x08 && (value & 0xC0030000u) != 0);
    refused = refused || (offset == 0x14 && (value >> 29) != 0);
    chip->result->bad_opcodes += refused;
}

uint32_t rp_pio_read(rp_chip *chip, uint32_t offset)
{
    rp_pio *pio = &chip->pio;
    uint32_t value = 0;
    if (offset >= SM0 && offset < SM0 + 4 * SM_BYTES) {
        return machine_read(&pio->sm[(offset - SM0) / SM_BYTES], pio, (offset - SM0) % SM_BYTES);
    }
    switch (offset) {
    case FSTAT:
        for (int i = 0; i < 4; i++) {
            const rp_machine *sm = &pio->sm[i];
            value |= (uint32_t)(sm->rx.count == RP_FIFO) << i | (uint32_t)(sm->rx.count == 0) << (8 + i);
            value |= (uint32_t)(sm->tx.count == RP_FIFO) << (16 + i) |
                     (uint32_t)(sm->tx.count == 0) << (24 + i);
        }
        return value;
    case RXF: case RXF + 4: case RXF + 8: case RXF + 12: {
        rp_fifo *rx = &pio->sm[(offset - RXF) / 4].rx;
        value = rx->word[0];
        if (rx->count != 0) {
            rx->count--;
            memmove(rx->word, rx->word + 1, sizeof rx->word - sizeof *rx->word);
        }
        return value;
    }
    case CTRL:
        for (int i = 0; i < 4; i++) {
            value |= (uint32_t)pio->sm[i].on << i;
        }
        return value;
    case IRQ: return pio->irq;
    case PADOUT: return pio->out;
    case PADOE: return pio->oe;
    case INTR: return raw_interrupts(pio);
    case INTE: return pio->inte;
    case INTS: return raw_interrupts(pio) & pio->inte;
    default: return 0;
    }
}

void rp_pio_write(rp_chip *chip, uint32_t offset, uint32_t value)
{
    rp_pio *pio = &chip->pio;
    if (offset >= SM0 && offset < SM0 + 4 * SM_BYTES) {
        machine_write(chip, (int)((offset - SM0) / SM_BYTES), (offset - SM0) % SM_BYTES, value);
    } else if (offset >= INSTR_MEM && offset < INSTR_MEM + 128) {
        pio->program[(offset - INSTR_MEM) / 4] = (uint16_t)value;
    } else if (offset >= TXF && offset < TXF + 16) {
        rp_machine *sm = &pio->sm[(offset - TXF) / 4];
        rp_pio_stir(sm);
        (void)push_word(&sm->tx, value);
    } else if (offset == CTRL) {
        control(chip, value);
    } else if (offset == IRQ) {
        pio->irq &= ~value;
    } else if (offset == INTE) {
        pio->inte = value & 0xFFF;
    }
}

void rp_pio_reset(rp_chip *chip)
{
    rp_pio *pio = &chip->pio;
    memset(pio, 0, sizeof *pio);
    for (int i = 0; i < 4; i++) {
        pio->sm[i].clkdiv = 1u << 16;
        pio->sm[i].execctrl = 31u << 12;
        pio->sm[i].shiftctrl = 3u << 18;
        pio->sm[i].osr_count = 32;
    }
    earliest(pio);
}
