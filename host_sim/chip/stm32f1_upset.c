/* Flipped bits.  One in a register acts as a write of the flipped value, but where a write would do
 * something else: a count, flags that only a write of 0 clears, enables that only a 1 sets. */
#include "stm32f1.h"

static void flip_timer(stm32f1 *s, uint32_t offset, uint32_t mask)
{
    if (offset == TIM_CNT) {
        timer_flip_count(s, mask);
    } else if (offset == TIM_SR || offset == TIM_CCR1) {
        *word_of(s, TIM4 + offset) ^= mask;
        cortex_attend(&s->core);
    } else if (offset != TIM_ARR) { /* not modelled; the firmware writes it again within a pass */
        timer_write(s, offset, tim(s, offset) ^ mask);
    }
}

static void flip_peripheral(stm32f1 *s, uint32_t address, uint32_t mask)
{
    if ((address & ~0x3FFu) == TIM4) {
        flip_timer(s, address & 0x3FFu, mask);
    } else if (address >= GPIO_A && address < GPIO_A + 0xC00u) {
        pins_write(s, address, *word_of(s, address) ^ mask);
    } else if ((address & ~0x3FFu) == IWDG) { /* no key asked: the register itself */
        *word_of(s, address) ^= mask;
        s->iwdg_divider = 4u << (*word_of(s, IWDG + 0x04u) & 7u);
        s->iwdg_reload = *word_of(s, IWDG + 0x08u) & 0xFFFu;
    } else {
        parts_write(s, address, *word_of(s, address) ^ mask);
    }
}

void upset_data(stm32f1 *s, uint32_t place, int bit)
{
    uint32_t const mask = 1u << (8u * (place & 3u) + (uint32_t)bit);
    if (place < PLACE_RAM) {
        cortex_flip_register(&s->core, (int)place, bit);
    } else if (place < PLACE_PERIPHERAL) {
        cortex_flip_ram(&s->core, RAM_FROM + place - PLACE_RAM, bit);
    } else if (place < PLACE_SYSTEM) {
        flip_peripheral(s, PERIPHERALS + ((place - PLACE_PERIPHERAL) & ~3u), mask);
    } else {
        s->system[(place - PLACE_SYSTEM) / 4u] ^= mask;
        cortex_attend(&s->core);
    }
}
