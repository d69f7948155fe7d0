/* Flipped bits.  One in a register acts as a write of the flipped value, but where a write would do
 * something else: counts, flags, what a machine of the PIO holds. */
#include "rp2040.h"

#include <string.h>

/* Places as events carry them (host_sim/chip/rp2040.py). */
enum { PLACE_RAM = 0x1000000, PLACE_APB = 0x2000000, PLACE_PIO = 0x2100000, PLACE_SIO = 0x2200000,
       PLACE_SYSTEM = 0x2300000 };
enum { SP_WORD = 13, LR_WORD = 14, XPSR_WORD = 15, PRIMASK_WORD = 16 };
enum { MACHINES = 0x200, MACHINE_BYTES = 0x20 }; /* pc, x, y, isr, osr of each, beyond the registers */

static void flip_core(rp_cpu *cpu, uint32_t word, uint32_t mask)
{
    if (word <= LR_WORD) {
        cpu->r[word] ^= mask;
    } else if (word == XPSR_WORD) {
        cpu->n ^= (mask >> 31) & 1;
        cpu->z ^= (mask >> 30) & 1;
        cpu->c ^= (mask >> 29) & 1;
        cpu->v ^= (mask >> 28) & 1;
    } else if (word == PRIMASK_WORD) {
        cpu->primask ^= mask & 1;
    }
}

static void flip_machine(rp_machine *sm, uint32_t word, uint32_t mask)
{
    uint32_t *const held[5] = {&sm->pc, &sm->x, &sm->y, &sm->isr, &sm->osr};
    if (word < 5) {
        *held[word] ^= word == 0 ? mask & 31 : mask;
    }
    rp_pio_stir(sm);
}

static void flip_pio(rp_chip *chip, uint32_t offset, uint32_t mask)
{
    rp_pio *pio = &chip->pio;
    if (offset >= MACHINES) {
        flip_machine(&pio->sm[(offset - MACHINES) / MACHINE_BYTES & 3],
                     (offset - MACHINES) % MACHINE_BYTES / 4, mask);
    } else if (offset == 0x30) {
        pio->irq ^= mask & 0xFF;
    } else if (offset == 0x3C || offset == 0x40) {
        uint32_t *const levels = offset == 0x3C ? &pio->out : &pio->oe;
        *levels ^= mask;
        rp_pins_changed(chip, chip->now);
    } else if (offset >= 0x48 && offset < 0xC8) {
        pio->program[(offset - 0x48) / 4] ^= (uint16_t)mask;
        for (int i = 0; i < 4; i++) {
            rp_pio_stir(&pio->sm[i]);
        }
    } else {
        rp_pio_write(chip, offset, rp_pio_read(chip, offset) ^ mask);
    }
}

static void flip_system(rp_cpu *cpu, uint32_t offset, uint32_t mask)
{
    switch (offset) {
    case 0x100: cpu->enabled ^= mask; break;
    case 0x200: cpu->pending ^= mask; break;
    case 0xD08: cpu->vtor ^= mask & 0xFFFFFF00u; break;
    default:
        if (offset - 0x400 < 32) {
            cpu->priority[(offset - 0x400) / 4] ^= mask;
        }
        break;
    }
}

static void flip_data(rp_chip *chip, uint32_t place, int bit)
{
    uint32_t const mask = 1u << (8 * (place & 3) + (uint32_t)bit), word = place & ~3u;
    if (place < PLACE_RAM) {
        flip_core(&chip->cpu, place / 4, mask);
    } else if (place < PLACE_APB) {
        chip->ram[(place - PLACE_RAM) % RP_RAM_BYTES] ^= (uint8_t)(1u << bit);
    } else if (place < PLACE_PIO) {
        rp_apb_flip(chip, 0x40000000u + (word - PLACE_APB), mask);
    } else if (place < PLACE_SIO) {
        flip_pio(chip, word - PLACE_PIO, mask);
    } else if (place < PLACE_SYSTEM) {
        uint32_t *const levels = word - PLACE_SIO == 0x10 ? &chip->sio_out : &chip->sio_oe;
        *levels ^= mask;
        rp_pins_changed(chip, chip->now);
    } else {
        flip_system(&chip->cpu, word - PLACE_SYSTEM, mask);
    }
}

void rp_upset(rp_chip *chip, const chip_event *event)
{
    uint32_t const value = (uint32_t)event->value;
    switch (event->kind) {
    case CHIP_FLIP_DATA: flip_data(chip, value / 8, (int)(value & 7)); break;
    case CHIP_FLIP_PC: chip->cpu.r[15] ^= 2u << value; break;
    case CHIP_FLIP_FLASH:
        if (value / 8 < RP_FLASH_BYTES) {
            chip->flash[value / 8] ^= (uint8_t)(1u << (value & 7));
        }
        break;
    default: break;
    }
}
