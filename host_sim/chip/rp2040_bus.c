/* Everything the CPU can reach, but for the PIO.  Addresses and bits: RP2040 data sheet, from memory.
 * What a firmware must not touch (a peripheral still held in reset, an address where nothing is) is a bus
 * fault. */
#include "rp2040.h"

#include <string.h>

enum { FLASH_WORD = 64 * 4 };        /* 8 bits of command, 24 of address, 32 of data, at CPU clock / 4 */
enum { BRIDGE_READ = 2, BRIDGE_WRITE = 3 };  /* CPU cycles that the APB bridge adds */

enum { HELD_IO = 5, HELD_PADS = 8, HELD_PIO0 = 10, HELD_PLL = 12, HELD_TIMER = 21, HELD_UART0 = 22,
       HELD_ADC = 0 };
static const uint32_t ALL_RESETS = 0x01FFFFFFu;

/* ---- Pins ------------------------------------------------------------------------------------ */

/* Level and direction of what the chip drives, overrides included. */
static bool drives(const rp_chip *chip, int pin, int *level)
{
    const rp_pin *p = &chip->pin[pin];
    uint32_t function = p->ctrl & 31, over = p->ctrl >> 8 & 3;
    bool from_sio = function == 5, from_pio = function == 6;
    uint32_t out = from_pio ? chip->pio.out : chip->sio_out;
    uint32_t oe = from_pio ? chip->pio.oe : chip->sio_oe;
    bool enabled = (from_sio || from_pio) && (oe >> pin & 1) != 0 && (p->pad & 0x80) == 0;
    int high = (int)(out >> pin & 1);
    *level = over == 2 ? 0 : over == 3 ? 1 : over == 1 ? !high : high;
    return enabled;
}

/* Levels as the synchronisers show them in clock `at`: what changed outside is seen one later. */
uint32_t rp_inputs(const rp_chip *chip, int64_t at)
{
    uint32_t outside = at < chip->changed_at + 1 ? chip->level_before : chip->level;
    return (outside & chip->driven_outside) | (chip->inside & ~chip->driven_outside);
}

static void look_inside(rp_chip *chip)
{
    chip->inside = 0;
    for (int pin = 0; pin < RP_PINS; pin++) {
        int level;
        bool driven = drives(chip, pin, &level);
        bool up = driven ? level != 0 : (chip->pin[pin].pad & 8) != 0;
        chip->inside |= (uint32_t)up << pin;
    }
}

void rp_pins_changed(rp_chip *chip, int64_t at)
{
    const int pins[2] = {chip->coil_pin, chip->select_pin};
    look_inside(chip);
    for (int channel = 0; channel < 2; channel++) {
        int level;
        if (pins[channel] >= 0) {
            bool driven = drives(chip, pins[channel], &level);
            chip_record_coil(&chip->record, at, channel, driven, level);
        }
    }
}

/* ---- Peripherals ----------------------------------------------------------------------------- */

/* Bit of RESETS that holds what lies at an address; -1: nothing holds it, -2: there is nothing. */
static int holder(uint32_t base)
{
    switch (base) {
    case 0x40014000: return HELD_IO;
    case 0x4001C000: return HELD_PADS;
    case 0x40028000: return HELD_PLL;
    case 0x40034000: return HELD_UART0;
    case 0x4004C000: return HELD_ADC;
    case 0x40054000: return HELD_TIMER;
    case 0x50200000: return HELD_PIO0;
    case 0x40064000: case 0x40008000: case 0x4000C000: case 0x40010000: case 0x40024000: case 0x40058000:
    case 0x18000000: return -1;
    default: return -2;
    }
}

static uint32_t uart_free(const rp_chip *chip)
{
    int64_t byte = (int64_t)10 * chip->uart_div / 4; /* divisor in 1/64, 16 clocks a bit */
    return (uint32_t)(chip->uart_free_at - chip->now > 32 * byte) << 5; /* TXFF */
}

static void uart_send(rp_chip *chip, uint32_t value)
{
    int64_t byte = (int64_t)10 * chip->uart_div / 4;
    if ((chip->uart_cr & 0x101) == 0x101 && (chip->clk_peri >> 11 & 1) != 0) {
        chip_record_serial(&chip->record, (uint8_t)value);
        chip->uart_free_at = (chip->uart_free_at > chip->now ? chip->uart_free_at : chip->now) + byte;
    }
}

static uint32_t peripheral_read(rp_chip *chip, uint32_t address)
{
    uint32_t base = address & 0xFFFFC000u;
    switch (base) {
    case 0x40014000: return (address & 4) != 0 ? chip->pin[(address & 0xFF) / 8].ctrl : 0;
    case 0x4001C000: return chip->pin[((address & 0xFF) - 4) / 4].pad;
    case 0x4000C000: return (address & 15) == 8 ? ~chip->resets & ALL_RESETS : chip->resets;
    case 0x40010000: return (address & 15) == 8 ? chip->psm_wdsel : 0;
    case 0x40064000: return (address & 15) == 8 ? chip->chip_reset : 0;
    case 0x40034000: return (address & 0xFF) == 0x18 ? uart_free(chip) : 0;
    case 0x4004C000: return (address & 15) == 0 ? chip->adc_cs | 0x100 : chip->adc_result;
    case 0x18000000: return chip->ssi[(address & 0xFF) / 4];
    case 0x40054000: case 0x40058000: return rp_timed_read(chip, address);
    case 0x50200000: return rp_pio_read(chip, address & 0xFFF);
    default: return rp_clock_read(chip, address);
    }
}

/* What goes into reset forgets; what comes out starts anew. */
static void release(rp_chip *chip, uint32_t value)
{
    uint32_t held = value & ~chip->resets;
    rp_timer_held(chip, value);
    for (int i = 0; i < RP_PINS; i++) {
        chip->pin[i].ctrl = (held >> HELD_IO & 1) != 0 ? 31 : chip->pin[i].ctrl;
        chip->pin[i].pad = (held >> HELD_PADS & 1) != 0 ? 0x56 : chip->pin[i].pad;
    }
    if ((held >> HELD_PIO0 & 1) != 0) {
        rp_pio_reset(chip);
    }
    rp_pins_changed(chip, chip->now + 1);
}

static void pin_write(rp_chip *chip, uint32_t address, uint32_t value)
{
    uint32_t pin = (address & 0xFF) / 8;
    if ((address & 4) != 0 && pin < RP_PINS) {
        chip->pin[pin].ctrl = value;
        rp_pins_changed(chip, chip->now + 1);
    }
}

/* A conversion is over before anyone looks: 2.4 us.  Pin 26 + channel, its pad's input switched off. */
static void convert(rp_chip *chip, uint32_t value)
{
    const chip_job *job = chip->job;
    uint32_t channel = value >> 12 & 7;
    chip->adc_cs = value & ~4u;
    if ((value & 5) != 5 || channel > 3 || (chip->pin[26 + channel].pad & 0xC0) != 0x80) {
        return;
    }
    int64_t mv = job->analogue_channel == (int)channel ? job->analogue_mv : 0;
    int64_t counts = job->reference_mv > 0 ? mv * 4096 / job->reference_mv : 0;
    chip->adc_result = (uint32_t)(counts < 4095 ? counts : 4095);
}

static void flash_interface(rp_chip *chip, uint32_t offset, uint32_t value)
{
    chip->ssi[offset / 4] = value;
    chip->ssi_ready = chip->ssi[2] == 1 && chip->ssi[0] == 0x001F0300 && chip->ssi[5] == 4 &&
                      chip->ssi[0xF4 / 4] == 0x03000218;
}

static void peripheral_write(rp_chip *chip, uint32_t address, uint32_t value)
{
    switch (address & 0xFFFFC000u) {
    case 0x40014000: pin_write(chip, address, value); break;
    case 0x4001C000:
        if ((address & 0xFF) >= 4 && (address & 0xFF) < 4 + 4 * RP_PINS) {
            chip->pin[((address & 0xFF) - 4) / 4].pad = value;
            rp_pins_changed(chip, chip->now + 1);
        }
        break;
    case 0x4000C000: release(chip, value); break;
    case 0x40010000: chip->psm_wdsel = value; break;
    case 0x40034000:
        switch (address & 0xFF) {
        case 0x00: uart_send(chip, value); break;
        case 0x24: chip->uart_div = (chip->uart_div & 63) | value << 6; break;
        case 0x28: chip->uart_div = (chip->uart_div & ~63u) | (value & 63); break;
        case 0x30: chip->uart_cr = value; break;
        default: break;
        }
        break;
    case 0x4004C000: convert(chip, value); break;
    case 0x18000000: flash_interface(chip, address & 0xFF, value); break;
    case 0x40054000: case 0x40058000: rp_timed_write(chip, address, value); break;
    case 0x50200000: rp_pio_write(chip, address & 0xFFF, value); break;
    default: rp_clock_write(chip, address, value); break;
    }
}

/* A flipped bit of a peripheral on the APB. */
void rp_apb_flip(rp_chip *chip, uint32_t address, uint32_t mask)
{
    if (!rp_timed_flip(chip, address, mask)) {
        peripheral_write(chip, address, peripheral_read(chip, address) ^ mask);
    }
}

/* ---- The bus --------------------------------------------------------------------------------- */

static uint32_t from_bytes(const uint8_t *at, int bytes)
{
    uint32_t value = 0;
    memcpy(&value, at, (size_t)bytes); /* little-endian hosts */
    return value;
}

/* A word of flash takes its time over the serial bus, unless the cache holds it. */
static void flash_time(rp_chip *chip, uint32_t offset, bool through_cache)
{
    uint32_t line = offset / 8;
    if (!through_cache) {
        chip->now += (int64_t)FLASH_WORD * chip->scale;
    } else if ((chip->cached[line / 8] >> (line & 7) & 1) == 0) {
        chip->cached[line / 8] |= (uint8_t)(1u << (line & 7));
        chip->now += (int64_t)2 * FLASH_WORD * chip->scale;
    }
}

/* Where an address of memory lies, or NULL. */
static uint8_t *memory(rp_chip *chip, uint32_t address, int bytes, bool writes)
{
    uint32_t in_ram = address - RP_RAM, in_flash = address & 0x00FFFFFF;
    if (in_ram <= (uint32_t)(RP_RAM_BYTES - bytes)) {
        return &chip->ram[in_ram];
    }
    if (!writes && (address >> 26) == 4 && in_flash <= (uint32_t)(RP_FLASH_BYTES - bytes) &&
        chip->ssi_ready) {
        flash_time(chip, in_flash, (address >> 24) == 0x10);
        return &chip->flash[in_flash];
    }
    return NULL;
}

static bool fails(rp_chip *chip, uint32_t address, int bytes)
{
    bool aligned = (address & (uint32_t)(bytes - 1)) == 0;
    int held = holder(address & 0xFFFFC000u);
    bool there = bytes == 4 && held != -2 && (held < 0 || (chip->resets >> held & 1) == 0);
    if (!aligned || !there) {
        chip->result->bad_addresses++;
        chip->cpu.fault = true;
        return true;
    }
    return false;
}

static uint32_t core_read(const rp_cpu *cpu, uint32_t address)
{
    switch (address) {
    case 0xE000E100: return cpu->enabled;
    case 0xE000E200: return cpu->pending;
    case 0xE000ED08: return cpu->vtor;
    default:
        return address - 0xE000E400u < 32 ? cpu->priority[(address - 0xE000E400u) / 4] : 0;
    }
}

static void core_write(rp_cpu *cpu, uint32_t address, uint32_t value)
{
    switch (address) {
    case 0xE000E100: cpu->enabled |= value; break;
    case 0xE000E180: cpu->enabled &= ~value; break;
    case 0xE000E200: cpu->pending |= value; break;
    case 0xE000E280: cpu->pending &= ~value; break;
    case 0xE000ED08: cpu->vtor = value & 0xFFFFFF00u; break;
    default:
        if (address - 0xE000E400u < 32) {
            cpu->priority[(address - 0xE000E400u) / 4] = value;
        }
        break;
    }
}

uint32_t rp_read(rp_chip *chip, uint32_t address, int bytes)
{
    chip->cpu.cycles += 1;
    if ((address & (uint32_t)(bytes - 1)) == 0) {
        const uint8_t *at = memory(chip, address, bytes, false);
        if (at != NULL) {
            return from_bytes(at, bytes);
        }
    }
    if ((address >> 28) == 0xE) {
        return core_read(&chip->cpu, address);
    }
    rp_pio_run(chip, chip->now + 1, false);
    if ((address >> 28) == 0xD && bytes == 4) {
        chip->cpu.cycles -= 1;
        return address == 0xD0000004u ? rp_inputs(chip, chip->now) : 0;
    }
    if (fails(chip, address, bytes)) {
        return 0;
    }
    chip->cpu.cycles += (address >> 28) == 4 ? BRIDGE_READ : 0;
    return peripheral_read(chip, address & ~0x3000u);
}

static void single_cycle(rp_chip *chip, uint32_t address, uint32_t value)
{
    chip->cpu.cycles -= 1;
    switch (address) {
    case 0xD0000010: chip->sio_out = value; break;
    case 0xD0000014: chip->sio_out |= value; break;
    case 0xD0000018: chip->sio_out &= ~value; break;
    case 0xD0000024: chip->sio_oe |= value; break;
    case 0xD0000028: chip->sio_oe &= ~value; break;
    default: break;
    }
    rp_pins_changed(chip, chip->now + 1);
}

void rp_write(rp_chip *chip, uint32_t address, uint32_t value, int bytes)
{
    chip->cpu.cycles += 1;
    if ((address & (uint32_t)(bytes - 1)) == 0) {
        uint8_t *at = memory(chip, address, bytes, true);
        if (at != NULL) {
            memcpy(at, &value, (size_t)bytes);
            return;
        }
    }
    if ((address >> 28) == 0xE) {
        core_write(&chip->cpu, address, value);
        return;
    }
    rp_pio_run(chip, chip->now + 1, false);
    if ((address >> 28) == 0xD && bytes == 4) {
        single_cycle(chip, address, value);
        return;
    }
    if (fails(chip, address, bytes)) {
        return;
    }
    uint32_t alias = address >> 12 & 3, plain = address & ~0x3000u;
    if (alias != 0) { /* 2.1.2: exclusive or, set, clear */
        uint32_t old = peripheral_read(chip, plain);
        value = alias == 1 ? old ^ value : alias == 2 ? old | value : old & ~value;
    }
    chip->cpu.cycles += (address >> 28) == 4 ? BRIDGE_WRITE : 0;
    peripheral_write(chip, plain, value);
}

uint32_t rp_fetch(rp_chip *chip, uint32_t address)
{
    uint32_t in_ram = address - RP_RAM;
    if (in_ram < RP_RAM_BYTES - 1) {
        return from_bytes(&chip->ram[in_ram], 2);
    }
    const uint8_t *at = memory(chip, address, 2, false);
    chip->cpu.fault = chip->cpu.fault || at == NULL;
    return at != NULL ? from_bytes(at, 2) : 0;
}

void rp_bus_reset(rp_chip *chip)
{
    chip->scale = RP_RING_SCALE;
    chip->resets = ALL_RESETS;
    chip->xosc = chip->pll_prim = chip->pll_fbdiv = chip->clk_ref = chip->clk_sys = chip->clk_peri = 0;
    chip->pll_pwr = 0x2D;
    chip->xosc_stable_at = RP_NEVER;
    chip->tick_on = chip->alarm_armed = chip->ssi_ready = false;
    chip->stood_at = 0;
    chip->alarm = chip->timer_intr = chip->timer_inte = 0;
    chip->watchdog_ctrl = chip->psm_wdsel = chip->adc_cs = chip->adc_result = chip->uart_cr = chip->uart_div = 0;
    chip->watchdog_at = RP_NEVER;
    chip->sio_out = chip->sio_oe = 0;
    memset(chip->ssi, 0, sizeof chip->ssi);
    memset(chip->cached, 0, sizeof chip->cached);
    chip->watchdog_count = 0;
    for (int i = 0; i < RP_PINS; i++) {
        chip->pin[i].ctrl = 31;
        chip->pin[i].pad = 0x56;
    }
    rp_pio_reset(chip);
    rp_pins_changed(chip, chip->now);
}
