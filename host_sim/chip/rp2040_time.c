/* Clocks, timer and watchdog (data sheet 2.15 to 2.18, 4.6, 4.7; addresses and bits from memory).  Clocks
 * that are not set up as the firmware needs them show: the microsecond of timer and watchdog comes from
 * the crystal, a CPU clock is as long as ring oscillator, crystal or PLL make it. */
#include "rp2040.h"

enum { PER_US = 120 };                        /* full clocks a microsecond */
enum { CRYSTAL_SCALE = 10 };                  /* 12 MHz */
enum { CRYSTAL_START = 1000 * PER_US };
enum { HELD_PLL = 12, HELD_TIMER = 21 };      /* in RESETS */

/* ---- Timer and watchdog ---------------------------------------------------------------------- */

static bool crystal_ticks(const rp_chip *chip)
{
    return chip->tick_on && (chip->clk_ref & 3) == 2 && (chip->resets >> HELD_TIMER & 1) == 0;
}

static uint32_t timer_count(const rp_chip *chip)
{
    int64_t count = (chip->now - chip->timer_from) / PER_US;
    return crystal_ticks(chip) ? (uint32_t)count : chip->stood_at;
}

static void alarm_set(rp_chip *chip, uint32_t value)
{
    uint32_t ahead = value - timer_count(chip);
    int64_t begun = chip->timer_from + (chip->now - chip->timer_from) / PER_US * PER_US;
    chip->alarm = value;
    chip->alarm_armed = true;
    chip->alarm_at = begun + ((int64_t)ahead + (ahead == 0 ? (int64_t)1 << 32 : 0)) * PER_US;
}

/* What the microsecond rests on is about to change ... */
static bool before_change(rp_chip *chip)
{
    chip->stood_at = timer_count(chip);
    return crystal_ticks(chip);
}

/* ... and has: the timer goes on from where it stood, or stands. */
static void after_change(rp_chip *chip, bool ran)
{
    bool runs = crystal_ticks(chip);
    if (ran && !runs) {
        chip->alarm_at = chip->watchdog_at = RP_NEVER;
    } else if (!ran && runs) {
        chip->timer_from = chip->now - (int64_t)chip->stood_at * PER_US;
        if (chip->alarm_armed) {
            alarm_set(chip, chip->alarm);
        }
    }
}

void rp_lines(rp_chip *chip)
{
    rp_cpu_line(chip, RP_IRQ_TIMER0, (chip->timer_intr & chip->timer_inte & 1) != 0);
}

/* By its timer (1) or by its trigger (2); only where all that has to be reset is. */
static void watchdog_bites(rp_chip *chip, uint32_t reason)
{
    if (chip->psm_wdsel == 0x1FFFC) {
        chip->watchdog_reason = reason;
        chip->reset_asked = CHIP_RESET_WATCHDOG;
    }
}

/* The alarm or the watchdog is due. */
void rp_timer_due(rp_chip *chip)
{
    if (chip->alarm_armed && chip->now >= chip->alarm_at) {
        chip->alarm_armed = false;
        chip->timer_intr |= 1;
        rp_lines(chip);
    }
    if (chip->now >= chip->watchdog_at) {
        chip->watchdog_at = RP_NEVER;
        watchdog_bites(chip, 1);
    }
}

/* The counter goes down by two a microsecond (erratum RP2040-E1). */
static void watchdog_load(rp_chip *chip, uint32_t count)
{
    bool runs = (chip->watchdog_ctrl >> 30 & 1) != 0 && chip->tick_on;
    int64_t us = (int64_t)(count & 0xFFFFFF) / 2;
    chip->watchdog_count = count;
    chip->watchdog_at = runs ? chip->now + us * PER_US : RP_NEVER;
}

/* ---- Clocks ---------------------------------------------------------------------------------- */

static bool pll_locked(const rp_chip *chip)
{
    return (chip->resets >> HELD_PLL & 1) == 0 && (chip->pll_pwr & 0x21) == 0 && chip->pll_fbdiv == 120 &&
           (chip->clk_ref & 3) == 2;
}

/* Nothing clocks the chip any more: CPU and PIO stand until the watchdog, which has its own clock. */
static void stop_dead(rp_chip *chip)
{
    chip->result->bad_addresses++;
    chip->cpu.locked_up = true;
    for (int i = 0; i < 4; i++) {
        chip->pio.sm[i].on = false;
    }
    chip->pio.next = RP_NEVER;
}

static void clocks_changed(rp_chip *chip)
{
    uint32_t source = chip->clk_sys >> 5 & 7;
    bool direct = (chip->clk_sys & 1) != 0;
    bool whole = pll_locked(chip) && (chip->pll_pwr & 8) == 0 && chip->pll_prim == 0x62000;
    int reference = (chip->clk_ref & 3) == 2 ? CRYSTAL_SCALE : RP_RING_SCALE;
    if (!direct) {
        chip->scale = reference;
    } else if (source == 2 || source == 3) {
        chip->scale = source == 2 ? RP_RING_SCALE : CRYSTAL_SCALE;
    } else if (source == 0 && whole) {
        chip->scale = 1;
    } else {
        stop_dead(chip);
    }
}

uint32_t rp_clock_read(const rp_chip *chip, uint32_t address)
{
    switch (address) {
    case 0x40008030: return chip->clk_ref;
    case 0x40008038: return 1u << (chip->clk_ref & 3);
    case 0x4000803C: return chip->clk_sys;
    case 0x40008044: return 1u << (chip->clk_sys & 1);
    case 0x40008048: return chip->clk_peri;
    case 0x40024000: return chip->xosc;
    case 0x40024004: return (uint32_t)(chip->now >= chip->xosc_stable_at) << 31;
    case 0x40028004: return chip->pll_pwr;
    case 0x40028008: return chip->pll_fbdiv;
    case 0x4002800C: return chip->pll_prim;
    case 0x40028000: return 1u | (uint32_t)pll_locked(chip) << 31;
    default: return 0;
    }
}

void rp_clock_write(rp_chip *chip, uint32_t address, uint32_t value)
{
    bool ran = before_change(chip);
    switch (address) {
    case 0x40008030: chip->clk_ref = value; break;
    case 0x4000803C: chip->clk_sys = value; break;
    case 0x40008048: chip->clk_peri = value; break;
    case 0x40024000:
        if ((value & 0xFFF000) == 0xFAB000 && (chip->xosc & 0xFFF000) != 0xFAB000) {
            chip->xosc_stable_at = chip->now + CRYSTAL_START;
        }
        chip->xosc = value;
        break;
    case 0x40028004: chip->pll_pwr = value; break;
    case 0x40028008: chip->pll_fbdiv = value; break;
    case 0x4002800C: chip->pll_prim = value; break;
    default: break;
    }
    if ((chip->clk_ref & 3) == 2 && chip->now < chip->xosc_stable_at) {
        chip->result->bad_addresses++; /* the crystal does not swing yet */
    }
    clocks_changed(chip);
    after_change(chip, ran);
}

uint32_t rp_timed_read(rp_chip *chip, uint32_t address)
{
    switch (address) {
    case 0x40054010: return chip->alarm;
    case 0x40054028: return timer_count(chip);
    case 0x40054034: return chip->timer_intr;
    case 0x40054038: return chip->timer_inte;
    case 0x40058000: return chip->watchdog_ctrl;
    case 0x40058008: return chip->watchdog_reason;
    case 0x4005802C: return (uint32_t)chip->tick_on << 9 | 12;
    default: return 0;
    }
}

void rp_timed_write(rp_chip *chip, uint32_t address, uint32_t value)
{
    switch (address) {
    case 0x40054010: alarm_set(chip, value); break;
    case 0x40054034: chip->timer_intr &= ~value; break;
    case 0x40054038: chip->timer_inte = value & 15; break;
    case 0x40058000:
        if (value >> 31 != 0) {
            watchdog_bites(chip, 2);
        }
        chip->watchdog_ctrl = value & 0x47000000u;
        if ((value >> 30 & 1) != 0 && chip->watchdog_at == RP_NEVER) {
            watchdog_load(chip, chip->watchdog_count);
        } else if ((value >> 30 & 1) == 0) {
            chip->watchdog_at = RP_NEVER;
        }
        break;
    case 0x40058004: watchdog_load(chip, value); break;
    case 0x4005802C: {
        bool ran = before_change(chip);
        chip->tick_on = (value >> 9 & 1) != 0 && (value & 0x1FF) == 12;
        after_change(chip, ran);
        break;
    }
    default: break;
    }
    rp_lines(chip);
}

/* The timer is held in reset, or let go. */
void rp_timer_held(rp_chip *chip, uint32_t resets)
{
    bool freed = (chip->resets & ~resets & 1u << HELD_TIMER) != 0;
    bool ran = before_change(chip);
    chip->resets = resets;
    if (freed) {
        chip->stood_at = 0;
        chip->timer_from = chip->now + 37; /* its prescaler stands anywhere */
    } else if (ran && !crystal_ticks(chip)) {
        chip->alarm_armed = false;
        chip->timer_intr = chip->timer_inte = 0;
        rp_lines(chip);
    }
}

/* A flipped bit of timer or watchdog; false where a write of the flipped value says it all. */
bool rp_timed_flip(rp_chip *chip, uint32_t address, uint32_t mask)
{
    switch (address) {
    case 0x40054010: alarm_set(chip, chip->alarm ^ mask); return true;
    case 0x40054028:
        chip->timer_from = chip->now - (int64_t)(timer_count(chip) ^ mask) * PER_US;
        if (chip->alarm_armed) {
            alarm_set(chip, chip->alarm);
        }
        return true;
    case 0x40054034:
        chip->timer_intr ^= mask & 15;
        rp_lines(chip);
        return true;
    case 0x40058000:
        if (mask >> 31 != 0) {
            watchdog_bites(chip, 2);
            return true;
        }
        return false;
    case 0x40058004:
        if (chip->watchdog_at != RP_NEVER) {
            uint32_t count = (uint32_t)((chip->watchdog_at - chip->now) / PER_US * 2);
            watchdog_load(chip, count ^ mask);
        }
        return true;
    default: return false;
    }
}
