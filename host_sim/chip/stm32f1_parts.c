/* Clocks and resets (RM0008 7.3), independent watchdog (19), serial port 1 (27), converter 1 (11) and
 * SysTick (PM0056 4.5); start-up times from the data sheet, all from memory. */
#include "stm32f1.h"

enum { RCC_CR = 0x00, RCC_CFGR = 0x04, RCC_CSR = 0x24 };
enum { SYST_CSR = 0x010, SYST_RVR = 0x014, SYST_CVR = 0x018 };
#define INNER_HZ 8000000 /* oscillator that the chip starts from */
#define LSI_HZ 40000
#define CRYSTAL_US 2000
#define PLL_US 200
#define FRAME_BITS 10

static int64_t in_us(const stm32f1 *s, int64_t us)
{
    return s->job->f_cpu_hz / 1000000 * us;
}

/* ---- Clocks ---------------------------------------------------------------------------------- */

static void clock_control(stm32f1 *s, uint32_t value)
{
    uint32_t *const cr = word_of(s, RCC + RCC_CR);
    uint32_t const on = value & ~*cr;
    /* Ready bits are the chip's; what the clock in use rests on cannot be switched off. */
    uint32_t const used = (*word_of(s, RCC + RCC_CFGR) & 0xCu) == 8u ? 0x01010000u : 0u;
    *cr = (value & ~0x02020002u) | (*cr & (0x02020002u | used));
    if ((on & 1u << 16) != 0u) {
        s->due[DUE_CRYSTAL] = s->core.now + in_us(s, CRYSTAL_US);
    }
    if ((on & 1u << 24) != 0u) {
        s->due[DUE_PLL] = s->core.now + in_us(s, PLL_US);
    }
}

/* 8 MHz times 9, and two wait states of flash: what the firmware's tick rests on.  Source and factor
 * of the PLL cannot be changed while it is on (7.3.2). */
static void clock_choice(stm32f1 *s, uint32_t value)
{
    uint32_t const ready = *word_of(s, RCC + RCC_CR);
    uint32_t *const cfgr = word_of(s, RCC + RCC_CFGR);
    uint32_t const held = (ready & 1u << 24) != 0u ? 0x003F0000u : 0u;
    int const by_pll = (value & 3u) == 2u && (ready & 1u << 25) != 0u;
    int const new = by_pll && (*cfgr & 0xCu) != 8u;
    uint32_t const divided = value >> 4 & 15u;
    *cfgr = (value & ~(held | 0xCu)) | (*cfgr & held) | (by_pll ? 8u : 0u);
    s->core.scale = (by_pll ? 1 : s->job->f_cpu_hz / INNER_HZ)
                    << (divided < 8u ? 0u : divided < 12u ? divided - 7u : divided - 6u);
    s->core.crossing_clocks = by_pll ? 1 : 0;
    s->core.refill_clocks = by_pll ? 4 : 2;
    timer_clock(s);
    if (new && ((*cfgr >> 16 & 0x3Fu) != 0x1Du || (*word_of(s, FLASH_ACR) & 7u) < 2u)) {
        stm32f1_refuse(s, "clock: not 72 MHz from 8 MHz with 2 wait states", value);
    }
}

/* ---- Watchdog -------------------------------------------------------------------------------- */

static void watchdog_restart(stm32f1 *s)
{
    int64_t const lsi = (int64_t)(s->iwdg_reload + 1u) * s->iwdg_divider;
    s->due[DUE_IWDG] = s->core.now + lsi * s->job->f_cpu_hz / LSI_HZ;
}

static void watchdog_write(stm32f1 *s, uint32_t offset, uint32_t value)
{
    if (offset == 0x00u) {
        s->unlocked = value == 0x5555u;
        if (value == 0xCCCCu) {
            s->watching = 1;
        }
        if (s->watching && (value == 0xCCCCu || value == 0xAAAAu)) {
            watchdog_restart(s);
        }
    } else if (s->unlocked) {
        *word_of(s, IWDG + offset) = value;
        s->iwdg_divider = 4u << (*word_of(s, IWDG + 0x04u) & 7u);
        s->iwdg_reload = *word_of(s, IWDG + 0x08u) & 0xFFFu;
    }
}

/* ---- Serial port and converter ---------------------------------------------------------------- */

static void shift(stm32f1 *s, int64_t at)
{
    s->shifting = s->buffer;
    s->buffered = 0;
    s->sending = 1;
    s->due[DUE_SERIAL] = at + FRAME_BITS * (int64_t)*word_of(s, USART1 + 0x08u);
}

static void serial_write(stm32f1 *s, uint32_t offset, uint32_t value)
{
    if (offset == 0x04u && (*word_of(s, USART1 + 0x0Cu) & 0x2008u) == 0x2008u) {
        s->buffer = (uint8_t)value;
        s->buffered = 1;
        if (!s->sending) {
            shift(s, s->core.now);
        }
    }
}

static void serial_due(stm32f1 *s, int64_t at)
{
    chip_record_serial(&s->record, s->shifting);
    s->sending = 0;
    s->due[DUE_SERIAL] = CORTEX_NEVER;
    if (s->buffered) {
        shift(s, at);
    }
}

/* 11.3.1: ADON written while it is on begins a conversion; 11.12.4: sampling times in half clocks. */
static void converter_write(stm32f1 *s, uint32_t offset, uint32_t before, uint32_t value)
{
    static const uint16_t half_clocks[8] = {3, 15, 27, 57, 83, 111, 143, 479};
    uint32_t const channel = *word_of(s, ADC1 + 0x34u) & 31u;
    if (offset == 0x08u && (before & value & 1u) != 0u && channel < 10u) {
        uint32_t const choice = *word_of(s, ADC1 + 0x10u) >> (3u * channel) & 7u;
        uint32_t const divider = 2u + 2u * (*word_of(s, RCC + RCC_CFGR) >> 14 & 3u);
        s->due[DUE_ADC] = s->core.now + (half_clocks[choice] + 25) * (int64_t)divider / 2;
    }
}

static void converter_due(stm32f1 *s)
{
    const chip_job *const job = s->job;
    int const there = (int)(*word_of(s, ADC1 + 0x34u) & 31u) == job->analogue_channel;
    int64_t counts = there ? (int64_t)job->analogue_mv * 4096 / job->reference_mv : 0;
    counts = counts > 4095 ? 4095 : counts;
    *word_of(s, ADC1 + 0x4Cu) = (uint32_t)counts;
    s->due[DUE_ADC] = CORTEX_NEVER;
}

/* ---- SysTick ---------------------------------------------------------------------------------- */

static uint32_t *system_word(stm32f1 *s, uint32_t offset)
{
    return &s->system[offset / 4u];
}

static void systick_plan(stm32f1 *s, int64_t at)
{
    uint32_t const csr = *system_word(s, SYST_CSR);
    int64_t const reload = *system_word(s, SYST_RVR);
    /* PM0056 4.5.2: with 0 the counter stops when it is there. */
    int64_t const clocks = (reload + 1) * s->core.scale;
    s->due[DUE_SYSTICK] = (csr & 1u) != 0u && reload != 0 ? at + clocks : CORTEX_NEVER;
}

void system_write(stm32f1 *s, uint32_t address, uint32_t value)
{
    uint32_t const offset = address - SYSTEM;
    uint32_t *const word = system_word(s, offset);
    uint32_t const before = *word;
    *word = offset == 0x100u ? (before | value) : value; /* 0x100: only ones set */
    if ((offset == SYST_CSR && ((before ^ value) & 1u) != 0u) || offset == SYST_CVR) {
        systick_plan(s, s->core.now);
    }
    cortex_attend(&s->core);
}

static void systick_due(stm32f1 *s, int64_t at)
{
    systick_plan(s, at);
    if ((*system_word(s, SYST_CSR) & 2u) != 0u) {
        s->systick_waits = 1;
        chip_record_raised(&s->record, at, CORTEX_SYSTICK);
    }
}

/* ---- All of them ------------------------------------------------------------------------------ */

void parts_reset(stm32f1 *s, int kind)
{
    static const int flag_of[CHIP_RESET_KINDS] = {
        [CHIP_RESET_POWER_ON] = 27, [CHIP_RESET_EXTERNAL] = 26, [CHIP_RESET_BROWN_OUT] = 27,
        [CHIP_RESET_WATCHDOG] = 29};
    /* Every reset drives the reset pin too; a supply too low is a power-on reset to this chip. */
    *word_of(s, RCC + RCC_CSR) |= 1u << flag_of[kind] | 1u << 26;
    *word_of(s, RCC + RCC_CR) = 0x83u;
    s->core.scale = s->job->f_cpu_hz / INNER_HZ;
    s->core.crossing_clocks = 0;
    s->core.refill_clocks = 2;
    s->watching = s->unlocked = 0;
    s->iwdg_reload = *word_of(s, IWDG + 0x08u) = 0xFFFu;
    s->iwdg_divider = 4u;
    s->systick_waits = 0;
    s->sending = s->buffered = 0;
    for (int i = DUE_SYSTICK; i < DUE_RELEASE; i++) {
        s->due[i] = CORTEX_NEVER;
    }
}

uint32_t parts_read(stm32f1 *s, uint32_t address)
{
    if (address == USART1) { /* TXE, TC */
        return (s->buffered ? 0u : 0x80u) | (s->sending ? 0u : 0x40u);
    }
    return *word_of(s, address);
}

void parts_write(stm32f1 *s, uint32_t address, uint32_t value)
{
    uint32_t *const word = word_of(s, address);
    uint32_t const before = *word;
    if (address == RCC + RCC_CR) {
        clock_control(s, value);
    } else if (address == RCC + RCC_CFGR) {
        clock_choice(s, value);
    } else if (address == RCC + RCC_CSR) {
        *word = (value & 1u << 24) != 0u ? 0u : *word;
    } else if ((address & ~0x3FFu) == IWDG) {
        watchdog_write(s, address & 0x3FFu, value);
    } else {
        *word = value;
        if ((address & ~0x3FFu) == USART1) {
            serial_write(s, address & 0x3FFu, value);
        } else if ((address & ~0x3FFu) == ADC1) {
            converter_write(s, address & 0x3FFu, before, value);
        }
    }
    cortex_attend(&s->core);
}

void parts_due(stm32f1 *s, int which, int64_t at)
{
    switch (which) {
    case DUE_CRYSTAL:
        *word_of(s, RCC + RCC_CR) |= 1u << 17;
        break;
    case DUE_PLL:
        *word_of(s, RCC + RCC_CR) |= 1u << 25;
        break;
    case DUE_SERIAL:
        serial_due(s, at);
        return;
    case DUE_ADC:
        converter_due(s);
        return;
    case DUE_SYSTICK:
        systick_due(s, at);
        return;
    default:
        break;
    }
    s->due[which] = CORTEX_NEVER;
}
