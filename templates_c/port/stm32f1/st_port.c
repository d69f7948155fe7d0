/* Port for the STM32F103 (reference manual RM0008).
 *
 *   TIM4  tick counter, CPU clock / prescaler; an overflow count makes it 32 bit.
 *         Channel 1 captures the pickup's edge behind the input filter (15.4.7, IC1F = 4 with CKD = / 2:
 *         6 equal samples at 18 MHz, 0.33 us).
 *         Channel 3 switches the coil at the exact tick: output compare, active or inactive on match,
 *         preload off.  Channel 4 is the alarm, interrupt only.
 *   SysTick  heartbeat of 1 ms and, with it, an on-time guard that shares no data with the core.  It
 *         preempts the events, so that it strikes even when one of them does not end.
 *
 * The timer's events share one vector: they cannot nest.  A match shows as the counter takes the
 * compare value; the pin is to change one tick after the instant, as on the ports that came before, so
 * that the delay table is the same: the compare value is the instant + 1.
 */
#include "st_port.h"

#include "st_port_regs.h"

#define ST_NEAR_TICKS 8U /* nearest instant that can still be armed: 3.3 us, some 200 instructions */
#define ST_EVENTS_PRIORITY 0x40U
#define ST_CR1 (ST_BIT(8) | ST_BIT(2) | ST_BIT(0)) /* CKD / 2, only overflows set UIF, on */
#define ST_CCMR1 ((4U << 4) | 1U)                  /* IC1F = 4, channel 1 captures TI1 */
#define ST_CCMR1_BARE 1U
#define ST_CAPTURE ((ST_CFG_CAPTURE_FILTER != 0) ? ST_CCMR1 : ST_CCMR1_BARE)
#define ST_CC1E ST_BIT(0)
#define ST_CC1P ST_BIT(1)
#define ST_COIL_OUT (ST_BIT(8) | ((ST_CFG_COIL_ON_HIGH != 0) ? 0U : ST_BIT(9)))

/* OC3M: what a match of channel 3 does to the coil. */
#define ST_DO_NOTHING (0U << 4)
#define ST_DO_ON (1U << 4)
#define ST_DO_OFF (2U << 4)
#define ST_FORCE_OFF (4U << 4)

static st_ticks st_coil_at;     /* instant armed in, or waiting for, channel 3 */
static st_ticks st_alarm_at;
static uint8_t st_coil_pending; /* st_coil_order that channel 3 is to carry out */
static bool st_coil_far;        /* ... but more than one timer span ahead */
static bool st_alarm_far;
static uint16_t st_high;        /* upper half of the tick counter */
static uint32_t st_masks;       /* what DIER should hold */
static uint32_t st_ccer;        /* what CCER should hold */
static uint32_t st_action;      /* what CCMR2 should hold */
static volatile uint8_t st_guard;
static volatile uint8_t st_beats;
static volatile bool st_forced; /* the guard has struck */

/* ---- Time ------------------------------------------------------------------------------------ */

/* An overflow whose interrupt is still pending belongs to a count that is small. */
st_ticks st_port_now(void)
{
    uint32_t const count = TIM4_CNT;
    uint16_t high = st_high;
    if (((TIM4_SR & TIM_UIF) != 0U) && (count < 0x8000U)) {
        high++;
    }
    return ((st_ticks)high << 16) | count;
}

/* The instant of the edge channel 1 holds, at most one span (27 ms) ago; reading it clears its flag. */
static st_ticks st_captured_at(void)
{
    uint32_t const low = TIM4_CCR1;
    st_ticks const now = st_port_now();
    return now - ((now - low) & 0xFFFFU);
}

/* ---- Coil ------------------------------------------------------------------------------------ */

static void st_mask(uint32_t events)
{
    st_masks &= ~events;
    TIM4_DIER = st_masks;
}

static void st_unmask(uint32_t events)
{
    st_masks |= events;
    TIM4_DIER = st_masks;
}

/* A flag is cleared by writing 0 to it; 1 leaves the others as they are. */
static void st_clear(uint32_t events)
{
    TIM4_SR = ~events;
}

static void st_action_to(uint32_t action)
{
    st_action = action;
    TIM4_CCMR2 = action;
}

static void st_coil_off(void)
{
    st_action_to(ST_FORCE_OFF);
    st_coil_pending = (uint8_t)ST_COIL_IDLE;
    st_coil_far = false;
    st_mask(TIM_CC3);
}

/* True when a match at the low half of *at is the match wanted; an instant too near, or past, is
 * moved to the nearest that can still be armed.  False while it is more than a timer span ahead. */
static bool st_within_reach(st_ticks *at)
{
    st_ticks const now = st_port_now();
    st_ticks const ahead = *at - now;
    if ((ahead < ST_NEAR_TICKS) || ((ahead & ST_HALF_RANGE) != 0U)) {
        *at = now + ST_NEAR_TICKS;
        return true;
    }
    return ahead < 0xFFFFU;
}

/* Let channel 3 carry out the pending order, or leave it to a later overflow when it is far ahead. */
static void st_coil_engage(void)
{
    bool const on = st_coil_pending == (uint8_t)ST_COIL_ON_AT;
    st_coil_far = !st_within_reach(&st_coil_at);
    if (st_coil_far) {
        st_mask(TIM_CC3);
        return;
    }
    TIM4_CCR3 = (st_coil_at + 1U) & 0xFFFFU;
    st_clear(TIM_CC3);
    st_action_to(on ? ST_DO_ON : ST_DO_OFF);
    st_unmask(TIM_CC3);
}

static bool st_coil_is_on(void)
{
    return ((GPIO_IDR(ST_PORT_OF(COIL)) & ST_MASK(COIL)) != 0U) == (ST_CFG_COIL_ON_HIGH != 0);
}

/* The match has switched the pin: tell the core. */
static void st_coil_switched(st_core *core)
{
    bool const on = st_coil_pending == (uint8_t)ST_COIL_ON_AT;
    st_clear(TIM_CC3);
    st_coil_pending = (uint8_t)ST_COIL_IDLE;
    st_mask(TIM_CC3);
    st_action_to(ST_DO_NOTHING); /* nothing armed that a match a span later would carry out */
    st_pin_put(TACHO, !on);
    if (!st_coil_is_on()) {
        st_guard = 0U; /* heartbeats in step with the sparks would never see it off */
    }
    st_on_coil(core, st_coil_at, on);
}

static bool st_coil_matched(void)
{
    return (st_masks & TIM4_SR & TIM_CC3) != 0U;
}

/* Tell a match whose interrupt still waits before any other event. */
static void st_coil_first(st_core *core)
{
    if (st_coil_matched()) {
        st_coil_switched(core);
    }
}

/* After the match has been made to do nothing the pin alone tells whether the old order has come
 * about: a match between that and this look sets the flag and leaves the pin as it was.  The pin is
 * read through two flip-flops of the bus clock; the register's own read back takes longer. */
static bool st_coil_came_about(void)
{
    if ((st_coil_pending == (uint8_t)ST_COIL_IDLE) || st_coil_far) {
        return false;
    }
    st_action_to(ST_DO_NOTHING);
    (void)TIM4_CCMR2;
    (void)TIM4_CCMR2;
    return st_coil_is_on() == (st_coil_pending == (uint8_t)ST_COIL_ON_AT);
}

/* Two coils: which of them the output reaches, changed over while it is off. */
static void st_select_coil(const st_core *core)
{
#if ST_CFG_TWO_COILS
    if (!st_coil_is_on()) {
        st_pin_put(COIL_SELECT, core->orders.second);
    }
#else
    (void)core;
#endif
}

static void st_coil_arm(st_core *core)
{
    core->orders.coil_fresh = false;
    if (core->orders.coil == (uint8_t)ST_COIL_IDLE) {
        st_coil_off();
        return;
    }
    if (st_coil_came_about()) {
        st_coil_switched(core); /* gives a new order */
        return;
    }
    st_coil_pending = core->orders.coil;
    st_coil_at = core->orders.coil_at;
    st_select_coil(core);
    st_coil_engage();
}

/* ---- Capture and alarm ----------------------------------------------------------------------- */

static void st_capture_arm(st_core *core)
{
    bool const lead = core->orders.capture == (uint8_t)ST_CAPTURE_LEAD;
    core->orders.capture_fresh = false;
    st_mask(TIM_CC1);
    st_ccer = ST_COIL_OUT;
    TIM4_CCER = st_ccer;
    if (core->orders.capture == (uint8_t)ST_CAPTURE_MASKED) {
        return;
    }
    /* Active low: the magnet's arrival is a falling edge, CC1P = 1. */
    st_ccer |= (lead == (ST_CFG_ACTIVE_LOW != 0)) ? ST_CC1P : 0U;
    TIM4_CCER = st_ccer; /* the edge is chosen while the channel is off */
    st_ccer |= ST_CC1E;
    TIM4_CCER = st_ccer;
    (void)TIM4_CCER;
    st_clear(TIM_CC1);
    st_unmask(TIM_CC1);
}

static void st_alarm_engage(void)
{
    st_alarm_far = !st_within_reach(&st_alarm_at);
    if (!st_alarm_far) {
        TIM4_CCR4 = st_alarm_at & 0xFFFFU;
        st_clear(TIM_CC4);
        st_unmask(TIM_CC4);
    }
}

static void st_alarm_arm(st_core *core)
{
    core->orders.alarm_fresh = false;
    st_alarm_far = false;
    st_mask(TIM_CC4);
    if (core->orders.alarm_on) {
        st_alarm_at = core->orders.alarm_at;
        st_alarm_engage();
    }
}

void st_port_apply(st_core *core)
{
    uint8_t tries;
    if (st_coil_far) {
        st_coil_engage();
    }
    if (st_alarm_far) {
        st_alarm_engage();
    }
    for (tries = 0U; core->orders.coil_fresh && (tries < 3U); tries++) {
        st_coil_arm(core);
    }
    if (core->orders.capture_fresh) {
        st_capture_arm(core);
    }
    if (core->orders.alarm_fresh) {
        st_alarm_arm(core);
    }
}

/* ---- Interrupts ------------------------------------------------------------------------------ */

static void st_serve_alarm(st_core *core)
{
    bool active;
    st_mask(TIM_CC4);
    st_coil_first(core);
    active = st_port_active();
#if ST_CFG_TWO_COILS
    core->second_there = st_port_second();
#endif
    if ((st_masks & TIM4_SR & TIM_CC1) == 0U) { /* an edge goes first: it may be what was read */
        st_on_alarm(core, st_port_now(), active);
    }
}

/* One event an entry; what is left keeps the interrupt pending. */
void st_tim4(void)
{
    st_core *const core = &st_the_core;
    uint32_t const due = TIM4_SR & st_masks;
    if ((due & TIM_UIF) != 0U) {
        st_clear(TIM_UIF);
        st_high++;
    }
    if ((due & TIM_CC3) != 0U) {
        if (st_coil_pending != (uint8_t)ST_COIL_IDLE) {
            st_coil_switched(core);
        } else {
            st_mask(TIM_CC3); /* a stray match */
        }
    } else if ((due & TIM_CC1) != 0U) {
        st_ticks const at = st_captured_at();
        st_coil_first(core);
        st_on_capture(core, at, st_port_now());
    } else if ((due & TIM_CC4) != 0U) {
        st_serve_alarm(core);
    } else { /* the overflow alone: st_port_apply looks after what was far */
    }
    st_port_apply(core);
    if (core->to_settle != 0U) {
        st_settle(core);
        st_port_apply(core);
    }
}

/* Heartbeat, and the independent guard: it trusts the pin and a constant, nothing else.  The pin is
 * taken away from the timer; the main loop's refresh gives it back, the channel forced off. */
void st_systick(void)
{
    st_beats++;
    st_guard = st_coil_is_on() ? (uint8_t)(st_guard + 1U) : 0U;
    if (st_guard > ST_CFG_GUARD_BEATS) {
        st_guard = 0U;
        TIM4_CCMR2 = ST_FORCE_OFF;
        st_pin_put(COIL, ST_CFG_COIL_ON_HIGH == 0);
        st_pin_is(COIL, GPIO_OUT);
        st_forced = true;
    }
}

/* ---- The rest of the contract ---------------------------------------------------------------- */

bool st_port_init(void)
{
    st_clock_on();
    st_board_on();
    st_action = ST_FORCE_OFF;
    st_ccer = ST_COIL_OUT;
    TIM4_PSC = ST_CFG_TICK_PRESCALER - 1U;
    TIM4_ARR = 0xFFFFU;
    TIM4_CR1 = ST_CR1;
    TIM4_EGR = 1U; /* takes the prescaler over; with URS it sets no flag */
    SYST_RVR = (ST_CFG_F_CPU_HZ / 1000U) - 1U;
    SYST_CVR = 0U;
    st_port_refresh();
    return (st_reset_cause & RCC_CSR_PORRSTF) != 0U;
}

/* Nothing here changes a register that already holds what it should. */
void st_port_refresh(void)
{
    RCC_APB1ENR |= ST_BIT(2);
    st_masks |= TIM_UIF;
    TIM4_CR1 = ST_CR1;
    TIM4_SMCR = 0U;
    TIM4_PSC = ST_CFG_TICK_PRESCALER - 1U;
    TIM4_ARR = 0xFFFFU;
    TIM4_CCMR1 = ST_CAPTURE;
    TIM4_CCMR2 = st_action;
    TIM4_CCER = st_ccer;
    TIM4_DIER = st_masks;
    st_pins_refresh();
    SYST_CSR = 7U; /* CPU clock, interrupt, on */
    SCB_SHPR3 = 0U;
    NVIC_IPR7 = ST_EVENTS_PRIORITY << (8U * (ST_IRQ_TIM4 & 3U));
    NVIC_ISER0 = ST_BIT(ST_IRQ_TIM4);
    if ((st_coil_pending == (uint8_t)ST_COIL_IDLE) && st_coil_is_on() && !st_coil_matched()) {
        st_coil_off(); /* on, but no spark is armed: never left so */
    }
}

/* The guard stays alive while events are held off. */
void st_port_events_on(void)
{
    __asm__ volatile("msr basepri, %0" ::"r"(0U) : "memory");
}

void st_port_events_off(void)
{
    __asm__ volatile("msr basepri, %0\n\tdsb\n\tisb" ::"r"(ST_EVENTS_PRIORITY) : "memory");
}

uint8_t st_port_heartbeats(void)
{
    uint8_t beats;
    __asm__ volatile("cpsid i" ::: "memory");
    beats = st_beats;
    st_beats = 0U;
    __asm__ volatile("cpsie i" ::: "memory");
    return beats;
}

bool st_port_forced_off(void)
{
    bool const forced = st_forced;
    st_forced = false;
    return forced;
}

void st_port_halt(void)
{
    __asm__ volatile("cpsid i" ::: "memory");
    st_coil_off();
    st_pin_put(COIL, ST_CFG_COIL_ON_HIGH == 0);
    st_pin_is(COIL, GPIO_OUT);
    for (;;) {
    }
}
