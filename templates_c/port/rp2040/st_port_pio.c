/* Capture and compare out of the RP2040's programmable I/O (PIO, chapter 3 of its data sheet).
 *
 * Four state machines of PIO 0 count the same half ticks, 30 clocks each; they are started by one write
 * and cannot drift apart.  Machine 0 stamps the pickup's edges, 1 switches the coil on, 2 off, 3 is the
 * alarm (it drives no pin).  A match raises the machine's own flag and disarms it: an order is carried
 * out once.  Should both coil machines act in one clock, the higher number counts (3.5.6.2): off.
 *
 * An instruction takes a clock and its delay, taken or not; the clock within the 30 at which it runs
 * stands in front of it.
 *
 *   capture: x counts down.  An edge is one when two samples, 30 clocks apart, show the new level.  The
 *   stamp is x of the second, in 31 bits, and the new level.
 *
 *        low:     2  jmp x-- sample [25]
 *        sample: 28  jmp pin rising
 *                29  jmp low [2]
 *        rising: 29  set y, 1
 *                 0  jmp x-- again [27]
 *        again:  28  jmp pin rise
 *                29  jmp low [2]           ; a glitch
 *        rise:   29  in x, 31
 *                 0  in y, 1
 *                 1  push noblock
 *        high:    2  jmp x-- look [25]
 *        look:   28  jmp pin hold
 *                29  nop
 *                 0  jmp x-- fall [27]
 *        fall:   28  jmp pin hold
 *                29  in x, 31
 *                 0  in null, 1
 *                 1  push noblock          ; wraps to low
 *        hold:   29  jmp high [2]
 *
 *   Without the filter the first sample decides: "rising" is left out, and "in x, 31" stands for the
 *   nop after "look".
 *
 *   compare: y counts down, x is the order (0: none), isr the level that the coil's pin gets.
 *
 *        loop:    0  jmp y-- order [25]
 *        order:  26  pull noblock          ; the next order, or x where there is none
 *                27  mov x, osr
 *                28  jmp !x idle
 *                29  jmp x!=y loop
 *                 0  mov pins, isr         ; the match
 *                 1  irq 0 rel
 *                 2  mov x, null
 *                 3  jmp y-- idle [25]
 *        idle:   29  jmp loop
 *
 * Pickup and count: machine 0 starts at "low", so its clocks run two ahead of the others'.  From the pin
 * to the stamp's tick it is 35 to 36 clocks, 30 of them the filter's (tests/boards/test_rp2040.py counts them).
 */
#include "st_port_regs.h"

#if ST_CFG_TICK_PRESCALER != 60
#error "the programs count half ticks of 30 clocks"
#endif

#define ST_COMPARE_AT 19U /* the compare program's first word */
#define ST_WORDS 29U
#define ST_LOW 0U
#define ST_CAPTURE_LAST 17U
#define ST_TRIES 200U

#define ST_PIO_PULL 0x80A0U /* pull block */
#define ST_PIO_X_FROM_OSR 0xA027U
#define ST_PIO_Y_FROM_OSR 0xA047U
#define ST_PIO_Y_ONE 0xE041U      /* set y, 1 */
#define ST_PIO_ISR_ZEROS 0xA0C3U  /* mov isr, null */
#define ST_PIO_ISR_ONES 0xA0CBU   /* mov isr, ~null */
#define ST_PIO_PIN_IS_OUT 0xE081U /* set pindirs, 1 */
#define ST_PIO_JMP(at) (at)

#if ST_CFG_CAPTURE_FILTER
#define ST_LOW_SEEN 0x00C3U  /* jmp pin rising */
#define ST_HIGH_GONE 0xA042U /* nop */
#define ST_FALL_0 0x1B4EU    /* jmp x-- fall [27] */
#define ST_FALL_28 0x00D2U   /* jmp pin hold */
#define ST_WRAP_FROM ST_CAPTURE_LAST
#else
#define ST_LOW_SEEN 0x00C7U  /* jmp pin rise */
#define ST_HIGH_GONE 0x403FU /* in x, 31 */
#define ST_FALL_0 0x4061U    /* in null, 1 */
#define ST_FALL_28 0x8000U   /* push noblock, and low is next */
#define ST_WRAP_FROM 14U
#endif

static const uint16_t st_program[ST_WORDS] = {
    0x1941U,      /*  0 low:     jmp x-- sample [25] */
    ST_LOW_SEEN,  /*  1 sample:  jmp pin rising */
    0x0200U,      /*  2          jmp low [2] */
    0xE041U,      /*  3 rising:  set y, 1 */
    0x1B45U,      /*  4          jmp x-- again [27] */
    0x00C7U,      /*  5 again:   jmp pin rise */
    0x0200U,      /*  6          jmp low [2] */
    0x403FU,      /*  7 rise:    in x, 31 */
    0x4041U,      /*  8          in y, 1 */
    0x8000U,      /*  9          push noblock */
    0x194BU,      /* 10 high:    jmp x-- look [25] */
    0x00D2U,      /* 11 look:    jmp pin hold */
    ST_HIGH_GONE, /* 12          nop */
    ST_FALL_0,    /* 13          jmp x-- fall [27] */
    ST_FALL_28,   /* 14 fall:    jmp pin hold */
    0x403FU,      /* 15          in x, 31 */
    0x4061U,      /* 16          in null, 1 */
    0x8000U,      /* 17          push noblock */
    0x020AU,      /* 18 hold:    jmp high [2] */
    0x1994U,      /* 19 loop:    jmp y-- order [25] */
    0x8080U,      /* 20 order:   pull noblock */
    0xA027U,      /* 21          mov x, osr */
    0x003CU,      /* 22          jmp !x idle */
    0x00B3U,      /* 23          jmp x!=y loop */
    0xA006U,      /* 24          mov pins, isr */
    0xC010U,      /* 25          irq 0 rel */
    0xA023U,      /* 26          mov x, null */
    0x199CU,      /* 27          jmp y-- idle [25] */
    0x0013U,      /* 28 idle:    jmp loop */
};

/* Nothing here disturbs a machine that runs when it is written with what it holds. */
void st_pio_refresh(void)
{
    uint32_t const pins = ST_PIN(COIL) | (ST_PIN(COIL) << 5) | (1U << 26);
    uint32_t sm;
    for (sm = 0U; sm < ST_WORDS; sm++) {
        PIO_INSTR_MEM(sm) = st_program[sm];
    }
    for (sm = ST_SM_CAPTURE; sm <= ST_SM_ALARM; sm++) {
        bool const drives = (sm == ST_SM_ON) || (sm == ST_SM_OFF);
        bool const captures = sm == ST_SM_CAPTURE;
        PIO_CLKDIV(sm) = 1U << 16;
        PIO_EXECCTRL(sm) = (ST_PIN(PICKUP) << 24) | ((captures ? ST_WRAP_FROM : 31U) << 12);
        PIO_SHIFTCTRL(sm) = 0U; /* towards the left, nothing by itself */
        PIO_PINCTRL(sm) = pins | (drives ? (1U << 20) : 0U);
    }
}

/* A machine's count comes through its queue; the level of the two that drive the coil is in isr. */
static void st_pio_prepare(uint32_t sm, uint32_t count)
{
    bool const high = (sm == ST_SM_ON) == (ST_CFG_COIL_ON_HIGH != 0);
    PIO_TXF(sm) = count;
    PIO_INSTR(sm) = ST_PIO_PULL;
    if (sm == ST_SM_CAPTURE) {
        PIO_INSTR(sm) = ST_PIO_X_FROM_OSR;
        PIO_INSTR(sm) = ST_PIO_Y_ONE;
        PIO_INSTR(sm) = ST_PIO_JMP(ST_LOW);
        return;
    }
    PIO_INSTR(sm) = ST_PIO_Y_FROM_OSR;
    PIO_INSTR(sm) = 0xA023U; /* mov x, null */
    PIO_INSTR(sm) = high ? ST_PIO_ISR_ONES : ST_PIO_ISR_ZEROS;
    if (sm == ST_SM_OFF) {
        PIO_INSTR(sm) = 0xA006U; /* mov pins, isr */
        PIO_INSTR(sm) = ST_PIO_PIN_IS_OUT;
    }
    PIO_INSTR(sm) = ST_PIO_JMP(ST_COMPARE_AT);
}

/* Start all four in the clock in which one write arrives, just after the timer has counted.  Half a tick
 * is counted in the first of the 30 clocks. */
void st_pio_start(void)
{
    uint32_t sm;
    uint32_t count;
    PIO_CTRL = 0xF0U; /* restart clears isr */
    st_pio_refresh();
    count = TIMER_RAW_LOW + 20U; /* time enough to get ready */
    for (sm = ST_SM_CAPTURE; sm <= ST_SM_ALARM; sm++) {
        st_pio_prepare(sm, 1U - (count * ST_HALVES_A_US));
    }
    while ((int32_t)(TIMER_RAW_LOW - count) < 0) {
    }
    PIO_CTRL = 0xF0FU; /* clocks restarted, all on */
}

/* Carry out at the end of tick `at`: y is ~(2 at) in the pass before. */
void st_pio_order(uint32_t sm, uint32_t at)
{
    PIO_TXF(sm) = ~(2U * at);
}

/* Take an order back.  The machine pulls within 60 clocks; what it did before that is done, its flag up
 * and its pin switched, nothing follows. */
void st_pio_take_back(uint32_t sm)
{
    uint32_t tries = ST_TRIES;
    PIO_TXF(sm) = 0U;
    while (((PIO_FSTAT & ST_BIT(24U + sm)) == 0U) && (tries != 0U)) {
        tries--;
    }
}

/* Every machine is within its own program. */
bool st_pio_in_place(void)
{
    bool in_place = PIO_ADDR(ST_SM_CAPTURE) < ST_COMPARE_AT;
    uint32_t sm;
    for (sm = ST_SM_ON; sm <= ST_SM_ALARM; sm++) {
        uint32_t const at = PIO_ADDR(sm);
        in_place = in_place && (at >= ST_COMPARE_AT) && (at < ST_WORDS);
    }
    return in_place;
}

/* What the machines drive, whatever the pin's override makes of it. */
bool st_pio_coil_is_on(void)
{
    return ((PIO_PADOUT & ST_MASK(COIL)) != 0U) == (ST_CFG_COIL_ON_HIGH != 0);
}

/* Ticks since an edge that was stamped: half ticks in 31 bits, counted down, above the level. */
uint32_t st_pio_age(uint32_t word, uint32_t now)
{
    uint32_t const halves = ((2U * now) + (word >> 1)) & UINT32_C(0x7FFFFFFF);
    return (halves + 1U) >> 1;
}
