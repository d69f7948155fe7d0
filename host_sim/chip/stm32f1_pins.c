/* Ports A to C after RM0008 9.2: mode and level of each pin, and what reads them. */
#include "stm32f1.h"

#define SEEN_AFTER 2 /* clocks through an input's two flip-flops */

enum { CRL = 0x00, CRH = 0x04, IDR = 0x08, ODR = 0x0C, BSRR = 0x10, BRR = 0x14 };

static uint32_t base_of(int port)
{
    return GPIO_A + 0x400u * (uint32_t)(port - 'A');
}

static uint32_t mode_of(stm32f1 *s, const chip_pin *pin)
{
    uint32_t const control = base_of(pin->port) + (pin->bit < 8 ? CRL : CRH);
    return *word_of(s, control) >> (4 * (pin->bit & 7)) & 15u;
}

/* Level of an output pin; *driven 0 while nothing drives it. */
static int level_of(stm32f1 *s, const chip_pin *pin, int *driven)
{
    uint32_t const mode = mode_of(s, pin), ccer = tim(s, TIM_CCER);
    int const alternate = (mode & 8u) != 0u;
    *driven = (mode & 3u) != 0u;
    if (!*driven) {
        return 0;
    }
    if (!alternate) {
        return (int)(*word_of(s, base_of(pin->port) + ODR) >> pin->bit & 1u);
    }
    *driven = pin->port == 'B' && pin->bit == 8 && (ccer & 0x100u) != 0u; /* the channel's pin */
    return *driven && s->output != (int)(ccer >> 9 & 1u);
}

void pins_look(stm32f1 *s, int64_t at)
{
    for (int i = 0; i < s->job->coil_count; i++) {
        int driven = 0;
        int const level = level_of(s, &s->job->coils[i], &driven);
        chip_record_coil(&s->record, at, i, driven, level);
        if (i == 0 && level != s->coil_level) {
            s->coil_before = s->coil_level;
            s->coil_level = level;
            s->coil_since = at;
        }
    }
}

void pins_reset(stm32f1 *s)
{
    for (int port = 'A'; port <= 'C'; port++) {
        *word_of(s, base_of(port) + CRL) = *word_of(s, base_of(port) + CRH) = 0x44444444u;
    }
    pins_look(s, s->core.now);
}

static uint32_t bit_if(uint32_t base, const chip_pin *pin, int level)
{
    return pin->port != 0 && base_of(pin->port) == base && level ? 1u << pin->bit : 0u;
}

static uint32_t input(stm32f1 *s, uint32_t base)
{
    int const late = s->core.now - s->coil_since < SEEN_AFTER;
    return bit_if(base, &s->job->pickup, s->line) | bit_if(base, &s->job->phase, s->phase) |
           bit_if(base, &s->job->coils[0], late ? s->coil_before : s->coil_level);
}

uint32_t pins_read(stm32f1 *s, uint32_t address)
{
    uint32_t const base = address & ~0x3FFu;
    return (address & 0x3FFu) == IDR ? input(s, base) : *word_of(s, address);
}

void pins_write(stm32f1 *s, uint32_t address, uint32_t value)
{
    uint32_t *const odr = word_of(s, (address & ~0x3FFu) + ODR);
    switch (address & 0x3FFu) {
    case BSRR:
        *odr = (*odr & ~(value >> 16)) | (value & 0xFFFFu);
        break;
    case BRR:
        *odr &= ~value;
        break;
    default:
        *word_of(s, address) = value;
        break;
    }
    pins_look(s, s->core.now);
}
