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
#include "config.h"
#include "st_port_regs.h"

typedef uint32_t st_events;
#define ST_EVENT_COIL TIM_CC3
#define ST_EVENT_ALARM TIM_CC4
#define ST_GUARD_BEATS ST_CFG_GUARD_BEATS
#define ST_REACH_TICKS UINT32_C(0xFFFF) /* the coil's match is set a count later */
#define ST_NEAR_TICKS 8U /* nearest instant that can still be armed: 3.3 us, some 200 instructions */
#define ST_EVENTS_PRIORITY 0x40U
#define ST_PACE_BEATS 4U
#define ST_PACE_MOST 20U /* within a span of the count; start-up may take longer */
#define ST_BEAT_CLOCKS (ST_CFG_F_CPU_HZ / 1000U)
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

#include "st_port_span.h"

static uint16_t st_high;        /* upper half of the tick counter */
static uint32_t st_masks;       /* what DIER should hold */
static uint32_t st_ccer;        /* what CCER should hold */
static uint32_t st_action;      /* what CCMR2 should hold */
static volatile uint8_t st_paced_beats; /* heartbeats since ... */
static uint16_t st_paced_from;          /* ... the count was this */

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

static void st_mask(st_events events)
{
    st_masks &= ~events;
    TIM4_DIER = st_masks;
}

static void st_unmask(st_events events)
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

static void st_match_coil_at(uint16_t count)
{
    TIM4_CCR3 = (count + 1U) & 0xFFFFU;
    st_clear(TIM_CC3);
}

static void st_match_alarm_at(uint16_t count)
{
    TIM4_CCR4 = count;
    st_clear(TIM_CC4);
}

static void st_lead_to(uint8_t order)
{
    st_action_to((order == (uint8_t)ST_COIL_ON_AT) ? ST_DO_ON : ST_DO_OFF);
}

/* The pin is read through two flip-flops of the bus clock; the register's own read back takes longer. */
static void st_coil_defuse(void)
{
    if ((st_coil_pending != (uint8_t)ST_COIL_IDLE) && !st_coil_far) {
        st_action_to(ST_DO_NOTHING);
        (void)TIM4_CCMR2;
        (void)TIM4_CCMR2;
    }
}

static void st_coil_rest(void)
{
    st_clear(TIM_CC3);
    st_action_to(ST_DO_NOTHING);
}

static void st_tacho(bool high)
{
    st_pin_put(TACHO, high);
}

#if ST_CFG_TWO_COILS
static void st_select_put(bool second)
{
    st_pin_put(COIL_SELECT, second);
}
#endif

static bool st_coil_is_on(void)
{
    return ((GPIO_IDR(ST_PORT_OF(COIL)) & ST_MASK(COIL)) != 0U) == (ST_CFG_COIL_ON_HIGH != 0);
}

static bool st_coil_matched(void)
{
    return (st_masks & TIM4_SR & TIM_CC3) != 0U;
}

/* ---- Capture --------------------------------------------------------------------------------- */

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

static bool st_captured(void)
{
    return (st_masks & TIM4_SR & TIM_CC1) != 0U;
}

/* ---- Interrupts ------------------------------------------------------------------------------ */

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
        st_serve_coil(core);
    } else if ((due & TIM_CC1) != 0U) {
        st_serve_capture(core);
    } else if ((due & TIM_CC4) != 0U) {
        st_serve_alarm(core);
    } else { /* the overflow alone: st_finish looks after what was far */
    }
    st_finish(core);
}

/* Heartbeat, and the guard.  The pin is taken away from the timer; the main loop's refresh gives it
 * back, the channel forced off. */
void st_systick(void)
{
    st_paced_beats++;
    if (st_guard_strikes()) {
        TIM4_CCMR2 = ST_FORCE_OFF;
        st_pin_put(COIL, ST_CFG_COIL_ON_HIGH == 0);
        st_pin_is(COIL, GPIO_OUT);
    }
}

/* ---- The rest of the contract ---------------------------------------------------------------- */

void st_port_init(void)
{
    st_clock_on();
    st_board_on();
    st_action = ST_FORCE_OFF;
    st_ccer = ST_COIL_OUT;
    TIM4_PSC = ST_CFG_TICK_PRESCALER - 1U;
    TIM4_ARR = 0xFFFFU;
    TIM4_CR1 = ST_CR1;
    TIM4_EGR = 1U; /* takes the prescaler over; with URS it sets no flag */
    SYST_RVR = ST_BEAT_CLOCKS - 1U;
    SYST_CVR = 0U;
    st_port_refresh();
}

bool st_port_power_on(void)
{
    return (st_reset_cause & RCC_CSR_PORRSTF) != 0U;
}

/* The main loop, thrown into from within a handler, would run on as if it were one: events of that
 * priority would never come again, and the watchdog be fed. */
static void st_not_in_handler(void)
{
    uint32_t running;
    __asm__ volatile("mrs %0, ipsr" : "=r"(running));
    if (running != 0U) {
        st_port_halt();
    }
}

/* Nothing here changes a register that already holds what it should. */
void st_port_refresh(void)
{
    st_not_in_handler();
    st_clock_refresh();
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
    SYST_RVR = ST_BEAT_CLOCKS - 1U;
    SYST_CSR = 7U; /* CPU clock, interrupt, on */
    SCB_VTOR = 0U; /* where flash shows after reset */
    SCB_AIRCR = SCB_AIRCR_KEY;
    SCB_SHPR3 = 0U;
    NVIC_IPR7 = ST_EVENTS_PRIORITY << (8U * (ST_IRQ_TIM4 & 3U));
    NVIC_ISER0 = ST_BIT(ST_IRQ_TIM4);
    st_coil_refresh();
}

/* The guard stays alive while events are held off. */
void st_port_events_on(void)
{
    __asm__ volatile("msr basepri, %0" ::"r"(0U) : "memory");
}

void st_port_started(void)
{
    st_port_events_on();
}

void st_port_events_off(void)
{
    __asm__ volatile("msr basepri, %0\n\tdsb\n\tisb" ::"r"(ST_EVENTS_PRIORITY) : "memory");
}

ST_LOOP_PART uint8_t st_port_heartbeats(void)
{
    uint8_t beats;
    __asm__ volatile("cpsid i" ::: "memory");
    beats = st_beats;
    st_beats = 0U;
    __asm__ volatile("cpsie i" ::: "memory");
    return beats;
}

/* The prescaler in force cannot be read, and a wrong one stays until the count overflows.  A count that
 * an upset has made slow would take seconds for that; one that is fast is right again the sooner. */
void st_pace(void)
{
    uint16_t const count = (uint16_t)TIM4_CNT;
    uint8_t const beats = st_paced_beats;
    if (beats < ST_PACE_BEATS) {
        return;
    }
    if ((beats <= ST_PACE_MOST) &&
        (2U * (uint32_t)(uint16_t)(count - st_paced_from) < (beats * (ST_CFG_TICK_HZ / 1000U)))) {
        st_port_halt();
    }
    st_paced_from = count;
    st_paced_beats = 0U;
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
