/* Timer 4 after RM0008 15: count, channel 1 as capture behind its filter, channel 3 as compare
 * output, channel 4 as compare.  A register write acts at once; all of it from memory of the manual
 * but the filter's table (its rates and samples are also those of the register crates of Rust). */
#include "stm32f1.h"

enum { FROZEN, ACTIVE_ON_MATCH, INACTIVE_ON_MATCH, TOGGLE, FORCE_INACTIVE, FORCE_ACTIVE };

/* Clocks of full speed to a count: the prescaler's, of a timer clock that is twice bus 1's where that
 * is divided (7.2, figure of the clock tree). */
static uint32_t tick_clocks(const stm32f1 *s)
{
    uint32_t const divided = s->peripheral[(RCC + 0x04u - PERIPHERALS) / 4u] >> 8 & 7u;
    uint32_t const bus = divided < 5u ? 1u : 1u << (divided - 4u);
    return (s->prescaler + 1u) * bus * (uint32_t)s->core.scale;
}

static int64_t ticks(const stm32f1 *s, int64_t at)
{
    return (at - s->began) / (int64_t)s->per_tick;
}

static uint32_t count_at(stm32f1 *s, int64_t at)
{
    return (tim(s, TIM_CR1) & 1u) != 0u ? (uint32_t)ticks(s, at) & 0xFFFFu : tim(s, TIM_CNT);
}

static void set_flag(stm32f1 *s, uint32_t flag, int64_t at)
{
    *word_of(s, TIM4 + TIM_SR) |= flag;
    if ((tim(s, TIM_DIER) & flag) != 0u) {
        chip_record_raised(&s->record, at, CORTEX_IRQ_0 + 30);
    }
}

/* 15.4.7: samples wanted, and CPU clocks from one to the next; 1 sample is no filter. */
static void filter_of(stm32f1 *s, int *samples, int64_t *every)
{
    static const uint8_t wanted[16] = {1, 2, 4, 8, 6, 8, 6, 8, 6, 8, 5, 6, 8, 5, 6, 8};
    static const uint8_t divided[16] = {1, 1, 1, 1, 2, 2, 4, 4, 8, 8, 16, 16, 16, 32, 32, 32};
    uint32_t const choice = tim(s, TIM_CCMR1) >> 4 & 15u;
    int64_t const dts = choice < 4u ? 1 : 1 << (tim(s, TIM_CR1) >> 8 & 3u);
    *samples = wanted[choice];
    *every = divided[choice] * dts;
}

/* ---- When things are due --------------------------------------------------------------------- */

static int64_t match_after(stm32f1 *s, uint32_t compare, int64_t now)
{
    int64_t const passed = ticks(s, now);
    int64_t const ahead = (int64_t)((compare - (uint32_t)passed - 1u) & 0xFFFFu) + 1;
    return s->began + (passed + ahead) * (int64_t)s->per_tick;
}

static void plan(stm32f1 *s, int64_t now)
{
    int const on = (tim(s, TIM_CR1) & 1u) != 0u;
    s->due[DUE_WRAP] = on ? match_after(s, 0u, now) : CORTEX_NEVER;
    s->due[DUE_CC3] = on ? match_after(s, tim(s, TIM_CCR3), now) : CORTEX_NEVER;
    s->due[DUE_CC4] = on ? match_after(s, tim(s, TIM_CCR4), now) : CORTEX_NEVER;
    cortex_attend(&s->core);
}

/* The clock has changed: the count goes on from where it is. */
void timer_clock(stm32f1 *s)
{
    int64_t const counted = ticks(s, s->core.now);
    if (s->per_tick == tick_clocks(s)) {
        return;
    }
    s->per_tick = tick_clocks(s);
    s->began = s->core.now - counted * (int64_t)s->per_tick;
    plan(s, s->core.now);
}

void timer_flip_count(stm32f1 *s, uint32_t mask)
{
    uint32_t const count = count_at(s, s->core.now), other = (count ^ mask) & 0xFFFFu;
    *word_of(s, TIM4 + TIM_CNT) = other;
    s->began += ((int64_t)count - (int64_t)other) * (int64_t)s->per_tick;
    plan(s, s->core.now);
}

void timer_reset(stm32f1 *s)
{
    s->began = s->core.now;
    s->prescaler = 0u;
    s->per_tick = tick_clocks(s);
    s->output = 0;
    s->filtered = s->line;
    *word_of(s, TIM4 + TIM_ARR) = 0xFFFFu;
    plan(s, s->core.now);
    s->due[DUE_FILTER] = CORTEX_NEVER;
}

/* ---- Channel 1 ------------------------------------------------------------------------------- */

static void captured(stm32f1 *s, int64_t at)
{
    uint32_t const ccer = tim(s, TIM_CCER);
    int const wanted = (ccer & 2u) != 0u ? 0 : 1;
    if ((ccer & 1u) != 0u && (tim(s, TIM_CCMR1) & 3u) == 1u && s->filtered == wanted) {
        *word_of(s, TIM4 + TIM_CCR1) = count_at(s, at);
        s->result->captures++;
        set_flag(s, CC1IF, at);
    }
}

/* Samples are taken at whole multiples of their distance.  Those since the last change of the line
 * all show its level; `run_length` is how many of the last ones agree. */
static void sampled_until(stm32f1 *s, int64_t at, int64_t every)
{
    int64_t const taken = (at + every - 1) / every - (s->run_from + every - 1) / every;
    if (taken > 0) {
        s->run_length = (s->line == s->run_level ? s->run_length : 0) + taken;
        s->run_level = s->line;
    }
    s->run_from = at;
}

void timer_line(stm32f1 *s, int64_t at, int level)
{
    int samples;
    int64_t every;
    filter_of(s, &samples, &every);
    sampled_until(s, at, every);
    s->line = level;
    s->due[DUE_FILTER] = CORTEX_NEVER;
    if (samples == 1) {
        s->due[DUE_FILTER] = at + 1;
    } else if (level != s->filtered) {
        int64_t const seen = level == s->run_level ? s->run_length : 0;
        int64_t const first = (at + every - 1) / every;
        s->due[DUE_FILTER] = (first + samples - seen) * every; /* one distance after the last */
    }
}

/* ---- Channels 3 and 4, count ------------------------------------------------------------------ */

static void matched_3(stm32f1 *s, int64_t at)
{
    switch (tim(s, TIM_CCMR2) >> 4 & 7u) {
    case ACTIVE_ON_MATCH:
        s->output = 1;
        break;
    case INACTIVE_ON_MATCH:
        s->output = 0;
        break;
    case TOGGLE:
        s->output ^= 1;
        break;
    default:
        break;
    }
    set_flag(s, CC3IF, at);
    pins_look(s, at);
}

void timer_due(stm32f1 *s, int which, int64_t at)
{
    if (which == DUE_FILTER) {
        s->due[DUE_FILTER] = CORTEX_NEVER;
        if (s->filtered != s->line) {
            s->filtered = s->line;
            captured(s, at);
        }
        return;
    }
    if (which == DUE_CC3) {
        matched_3(s, at);
        s->due[DUE_CC3] = match_after(s, tim(s, TIM_CCR3), at);
    } else if (which == DUE_CC4) {
        set_flag(s, CC4IF, at);
        s->due[DUE_CC4] = match_after(s, tim(s, TIM_CCR4), at);
    } else {
        set_flag(s, UIF, at);
        if (s->prescaler != tim(s, TIM_PSC)) { /* takes effect now */
            s->prescaler = tim(s, TIM_PSC);
            s->per_tick = tick_clocks(s);
            s->began = at;
            plan(s, at);
        }
        s->due[DUE_WRAP] = match_after(s, 0u, at);
    }
}

int timer_interrupt(stm32f1 *s)
{
    return (tim(s, TIM_SR) & tim(s, TIM_DIER) & 0x5Fu) != 0u;
}

/* ---- Registers ------------------------------------------------------------------------------- */

uint32_t timer_read(stm32f1 *s, uint32_t offset)
{
    if (offset == TIM_CNT) {
        return count_at(s, s->core.now);
    }
    if (offset == TIM_CCR1) { /* reading it clears its flag */
        *word_of(s, TIM4 + TIM_SR) &= ~(uint32_t)CC1IF;
        if (!timer_interrupt(s)) {
            chip_record_withdrawn(&s->record, CORTEX_IRQ_0 + 30);
        }
        cortex_attend(&s->core);
    }
    return tim(s, offset);
}

static void control(stm32f1 *s, uint32_t before, uint32_t now_is)
{
    if (((before ^ now_is) & 1u) != 0u) {
        int64_t const kept = (int64_t)tim(s, TIM_CNT) * (int64_t)s->per_tick;
        if ((now_is & 1u) != 0u) {
            s->began = s->core.now - kept;
        } else {
            *word_of(s, TIM4 + TIM_CNT) = (uint32_t)ticks(s, s->core.now) & 0xFFFFu;
        }
    }
}

static void generate(stm32f1 *s)
{
    s->prescaler = tim(s, TIM_PSC);
    s->per_tick = tick_clocks(s);
    s->began = s->core.now;
    if ((tim(s, TIM_CR1) & 4u) == 0u) { /* URS: only overflows set the flag */
        set_flag(s, UIF, s->core.now);
    }
}

void timer_write(stm32f1 *s, uint32_t offset, uint32_t value)
{
    uint32_t *const word = word_of(s, TIM4 + offset);
    uint32_t const before = *word;
    if (offset == TIM_SR) {
        *word &= value; /* 0 clears, 1 keeps */
    } else if (offset == TIM_CCMR1 && (tim(s, TIM_CCER) & 1u) != 0u) {
        *word = (value & ~3u) | (before & 3u); /* CC1S only while the channel is off */
    } else {
        *word = value & 0xFFFFu;
    }
    if (offset == TIM_ARR && value != 0xFFFFu) {
        stm32f1_refuse(s, "timer 4 that does not count to 65535: not modelled", value);
    }
    if (offset == TIM_CR1) {
        control(s, before, value);
    } else if (offset == TIM_EGR && (value & 1u) != 0u) {
        *word = 0u; /* holds nothing */
        generate(s);
    } else if (offset == TIM_DIER && timer_interrupt(s)) {
        chip_record_raised(&s->record, s->core.now, CORTEX_IRQ_0 + 30);
    } else if (offset == TIM_CCMR2) {
        uint32_t const mode = value >> 4 & 7u;
        s->output = mode == FORCE_INACTIVE ? 0 : mode == FORCE_ACTIVE ? 1 : s->output;
    }
    if (offset == TIM_CR1 || offset == TIM_EGR || offset == TIM_CCR3 || offset == TIM_CCR4) {
        plan(s, s->core.now);
    }
    if (!timer_interrupt(s)) {
        chip_record_withdrawn(&s->record, CORTEX_IRQ_0 + 30);
    }
    cortex_attend(&s->core);
    pins_look(s, s->core.now);
}
