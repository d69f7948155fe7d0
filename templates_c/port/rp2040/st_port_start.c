/* Start-up: outputs safe, watchdog, clocks, then everything copied into RAM.  What stands here runs from
 * flash (section .start) and calls nothing that lies in RAM before that is there. */
#include <stddef.h>

#include "st_port.h"
#include "st_port_regs.h"

#if ST_CFG_F_CPU_HZ != 120000000
#error "this port runs the chip at 120 MHz from a crystal of 12 MHz"
#endif

#define ST_START __attribute__((section(".start"), noinline))
#define ST_TRIES 200000U /* of something that should start; the watchdog ends it sooner */
#define ST_WATCHDOG_COUNT (2U * 16000U)
#define ST_US_OF_CRYSTAL (ST_BIT(9) | 12U) /* 12 MHz / 12 */
#define ST_REF_CRYSTAL 2U
#define ST_SYS_PLL 1U
#define ST_PLL_MULTIPLY 120U
#define ST_PLL_DIVIDE ((6U << 16) | (2U << 12))
#define ST_PLL_ON ST_BIT(2)
#define ST_FREED                                                                        \
    (RESET_IO_BANK0 | RESET_PADS_BANK0 | RESET_PLL_SYS | RESET_PIO0 | RESET_TIMER |     \
     ((ST_CFG_TELL != 0) ? RESET_UART0 : 0U) | ((ST_CFG_DWELL_POINTS != 0) ? RESET_ADC : 0U))

extern uint32_t st_stack_top[], st_bss_begin[], st_bss_end[];
extern uint32_t const st_code_from[];
extern uint32_t st_code_begin[], st_code_end[], st_copy_end[];
int main(void);
void st_reset(void);
void st_stop(void);
void st_early(void);
void st_clock_on(void);
void st_wait_for(volatile uint32_t const *word, uint32_t bits);
void *memset(void *to, int value, size_t size);
void *memcpy(void *restrict to, const void *restrict from, size_t size);

uint32_t st_reset_cause __attribute__((section(".noinit")));
uint32_t st_code_sum __attribute__((section(".noinit"))); /* of the words that were copied */

typedef void (*st_vector)(void);
typedef struct {
    uint32_t *stack;
    st_vector entry[15 + 32];
} st_vectors;

#define ST_4(what) what, what, what, what
#define ST_12(what) ST_4(what), ST_4(what), ST_4(what)
#define ST_24(what) ST_12(what), ST_12(what)

/* For the second stage, in flash: exceptions 1 to 15 (2.4.5) only. */
__attribute__((section(".start_table"), used)) const struct {
    uint32_t *stack;
    st_vector entry[15];
} st_start_table = {st_stack_top, {st_reset, st_stop, st_stop, ST_12(st_stop)}};

/* In RAM: exceptions, then interrupts 0 to 31 (2.3.2).  Every one that nothing should reach ends in a
 * halt with the output safe, and so in a reset by the watchdog. */
__attribute__((section(".vectors"), used)) const st_vectors st_vector_table = {
    st_stack_top,
    {st_reset, st_port_halt, st_port_halt, ST_12(st_port_halt), st_timer_beat,
     ST_4(st_port_halt), st_port_halt, st_port_halt, st_pio_event, ST_24(st_port_halt)},
};

/* Before anything else: every reset leaves the pins undriven, pulled low, and the watchdog off.  The
 * level comes before the direction.  The clock is the ring oscillator's still, so the watchdog's
 * microsecond is longer until the crystal runs. */
ST_START void st_early(void)
{
    uint32_t const wanted = RESET_IO_BANK0 | RESET_PADS_BANK0;
    RESETS_RESET(ST_CLEAR) = wanted;
    while ((RESETS_DONE & wanted) != wanted) {
    }
    st_pin_put(COIL, ST_CFG_COIL_ON_HIGH == 0);
    SIO_OE_SET = ST_MASK(COIL);
    IO_CTRL(ST_PIN(COIL)) = IO_SIO;
#if ST_CFG_TWO_COILS
    SIO_OE_SET = ST_MASK(COIL_SELECT);
    IO_CTRL(ST_PIN(COIL_SELECT)) = IO_SIO;
#endif
    WATCHDOG_TICK = ST_US_OF_CRYSTAL;
    PSM_WDSEL = PSM_ALL_BUT_OSCILLATORS;
    WATCHDOG_LOAD = ST_WATCHDOG_COUNT;
    st_reset_cause = WATCHDOG_REASON | (CHIP_RESET & CHIP_RESET_HAD_RUN);
    WATCHDOG_CTRL = WATCHDOG_ENABLE;
}

/* Nothing else is up yet: wait for the watchdog. */
ST_START void st_stop(void)
{
    __asm__ volatile("cpsid i" ::: "memory");
    st_pin_put(COIL, ST_CFG_COIL_ON_HIGH == 0);
    IO_CTRL(ST_PIN(COIL)) = IO_SIO;
    for (;;) {
    }
}

ST_START void st_wait_for(volatile uint32_t const *word, uint32_t bits)
{
    uint32_t tries = ST_TRIES;
    while ((*word & bits) != bits) {
        tries--;
        if (tries == 0U) {
            st_stop();
        }
    }
}

/* 12 MHz crystal, oscillator 1440 MHz, / 6 / 2 = 120 MHz: a whole number of clocks, ticks and
 * microseconds fit into one another, and three times what the handlers need. */
ST_START void st_clock_on(void)
{
    XOSC_CTRL = 0xAA0U;
    XOSC_STARTUP = 47U; /* 1 ms, in 256 clocks */
    XOSC_CTRL = 0xFABAA0U;
    st_wait_for(&XOSC_STATUS, ST_BIT(31));
    CLK_REF_CTRL = ST_REF_CRYSTAL;
    st_wait_for(&CLK_REF_SELECTED, ST_BIT(2));
    RESETS_RESET(ST_CLEAR) = RESET_PLL_SYS;
    st_wait_for(&RESETS_DONE, RESET_PLL_SYS);
    PLL_SYS_CS = 1U;
    PLL_SYS_FBDIV = ST_PLL_MULTIPLY;
    PLL_SYS_PWR = ST_PLL_ON | ST_BIT(3); /* the dividers still off */
    st_wait_for(&PLL_SYS_CS, ST_BIT(31));
    PLL_SYS_PRIM = ST_PLL_DIVIDE;
    PLL_SYS_PWR = ST_PLL_ON;
    CLK_SYS_CTRL = ST_SYS_PLL;
    st_wait_for(&CLK_SYS_SELECTED, ST_BIT(1));
    CLK_PERI_CTRL = ST_BIT(11);
    CLK_ADC_DIV = 3U << 8;
    CLK_ADC_CTRL = ST_BIT(11) | (1U << 5); /* the PLL's, / 3 = 40 MHz */
    RESETS_RESET(ST_CLEAR) = ST_FREED;
    st_wait_for(&RESETS_DONE, ST_FREED);
}

/* What the clocks rest on, as st_clock_on left it.  A PLL that an upset has changed, or a part of the
 * chip put back into reset, wants more than a register written. */
void st_clock_refresh(void)
{
    WATCHDOG_TICK = ST_US_OF_CRYSTAL;
    CLK_REF_CTRL = ST_REF_CRYSTAL;
    CLK_SYS_CTRL = ST_SYS_PLL;
    if ((PLL_SYS_FBDIV != ST_PLL_MULTIPLY) || (PLL_SYS_PRIM != ST_PLL_DIVIDE) ||
        (PLL_SYS_PWR != ST_PLL_ON) || ((RESETS_RESET(0U) & ST_FREED) != 0U)) {
        st_port_halt();
    }
}

/* Entered by the second stage, or by a program that runs wild. */
ST_START void st_reset(void)
{
    int (*volatile const enter)(void) = main; /* not copied to here by the compiler: it runs in RAM */
    uint32_t const *from = st_code_from;
    uint32_t *to;
    __asm__ volatile("cpsid i" ::: "memory");
    st_early();
    st_clock_on();
    st_code_sum = 0U;
    for (to = st_code_begin; to < st_copy_end; to++) {
        uint32_t const word = *from++;
        *to = word;
        if (to < st_code_end) {
            st_code_sum += word;
        }
    }
    for (to = st_bss_begin; to < st_bss_end; to++) {
        *to = 0U;
    }
    SCB_VTOR = (uint32_t)&st_vector_table;
    (void)enter();
    st_stop();
}

/* The compiler may call these for struct copies; there is no C library. */
void *memset(void *to, int value, size_t size)
{
    uint8_t *put = to;
    while (size-- != 0U) {
        *put++ = (uint8_t)value;
    }
    return to;
}

void *memcpy(void *restrict to, const void *restrict from, size_t size)
{
    uint8_t *put = to;
    uint8_t const *get = from;
    while (size-- != 0U) {
        *put++ = *get++;
    }
    return to;
}
