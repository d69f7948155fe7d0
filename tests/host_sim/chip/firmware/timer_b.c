/* Timers A and B, event system, logic blocks, watchdog and clock of the newer AVR, one case an image. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#if defined(PORTMUX_EVSYSROUTEA) /* ATmega4809: pickup PE3, coil PD3 by blocks 2 and 3 */
#define PICKUP_SOURCE EVSYS.CHANNEL4
#define PICKUP_PIN 0x43
#define PICKUP 5
#define CAPTURE_USER EVSYS.USERTCB0
#define MATCH_SOURCE EVSYS.CHANNEL6
#define MATCH 7
#define MATCH_CODE EVSYS_GENERATOR_TCA0_CMP0_gc
#define STROBE() (EVSYS.STROBE = 1 << 6)
#define USER_J EVSYS.USERCCLLUT2A
#define USER_K EVSYS.USERCCLLUT3A
#define SEQUENCE CCL.SEQCTRL1
#define BLOCK_J (&CCL.LUT2CTRLA)
#define BLOCK_K (&CCL.LUT3CTRLA)
#define COIL VPORTD
#define COIL_BIT 3
#define COIL_CONTROL PORTD.PIN3CTRL
#else /* ATtiny1606: pickup PA6, coil PA4 by blocks 0 and 1 */
#define PICKUP_SOURCE EVSYS.ASYNCCH0
#define PICKUP_PIN EVSYS_ASYNCCH0_PORTA_PIN6_gc
#define PICKUP EVSYS_ASYNCUSER0_ASYNCCH0_gc
#define CAPTURE_USER EVSYS.ASYNCUSER0
#define MATCH_SOURCE EVSYS.SYNCCH0
#define MATCH EVSYS_ASYNCUSER0_SYNCCH0_gc
#define MATCH_CODE EVSYS_SYNCCH0_TCA0_CMP0_gc
#define STROBE() (EVSYS.SYNCSTROBE = 1)
#define USER_J EVSYS.ASYNCUSER2
#define USER_K EVSYS.ASYNCUSER3
#define SEQUENCE CCL.SEQCTRL0
#define BLOCK_J (&CCL.LUT0CTRLA)
#define BLOCK_K (&CCL.LUT1CTRLA)
#define COIL VPORTA
#define COIL_BIT 4
#define COIL_CONTROL PORTA.PIN4CTRL
#endif

#define PLACES 12
volatile uint16_t at[PLACES];
volatile uint8_t count;
volatile uint8_t step;
volatile uint8_t seen[4];
volatile uint8_t kept[3] __attribute__((section(".noinit")));

static void __attribute__((unused)) store(uint16_t value)
{
    if (count < PLACES) {
        at[count] = value;
    }
    count++;
}

static void __attribute__((unused)) full_clock(void)
{
    _PROTECTED_WRITE(CLKCTRL.MCLKCTRLB, 0);
}

static void __attribute__((unused)) block(volatile uint8_t *registers, uint8_t control)
{
    registers[1] = 3; /* input 0: the block's first event */
    registers[2] = 0;
    registers[3] = 2; /* out = input 0 */
    registers[0] = control;
}

static void __attribute__((unused)) flip_flop(void)
{
    COIL.DIR |= 1 << COIL_BIT;
    MATCH_SOURCE = MATCH_CODE;
    SEQUENCE = 2;
    block(BLOCK_J, CCL_ENABLE_bm | CCL_OUTEN_bm);
    block(BLOCK_K, CCL_ENABLE_bm);
    CCL.CTRLA = CCL_ENABLE_bm;
}

static void __attribute__((unused)) count_ticks(void)
{
    TCA0.SINGLE.CTRLA = TCA_SINGLE_CLKSEL_DIV8_gc | TCA_SINGLE_ENABLE_bm;
}

#if CASE == 1 /* captures of the pickup's edges; also of one match of TCA0, told apart by its place */
ISR(TCB0_INT_vect)
{
    store(TCB0.CCMP);
}

int main(void)
{
    full_clock();
    TCB0.CTRLB = TCB_CNTMODE_CAPT_gc;
    TCB0.CTRLA = TCB_CLKSEL_CLKDIV1_gc | TCB_ENABLE_bm;
    PICKUP_SOURCE = PICKUP_PIN;
    CAPTURE_USER = PICKUP;
    TCB0.EVCTRL = TCB_CAPTEI_bm | (FILTERED ? TCB_FILTER_bm : 0) | (RISING ? 0 : TCB_EDGE_bm);
    TCB0.INTFLAGS = TCB_CAPT_bm;
    TCB0.INTCTRL = TCB_CAPT_bm;
    sei();
    for (;;) {
    }
}

#elif CASE == 2 /* matches at 1000, 2000 .. of J, J, K, K, J, none; a strobe of K at about 7000 */
static const uint8_t j[7] = {1, 1, 0, 0, 1, 0, 0};
static const uint8_t k[7] = {0, 0, 1, 1, 0, 0, 0};

static void lead(uint8_t number)
{
    USER_J = j[number] ? MATCH : 0;
    USER_K = k[number] ? MATCH : 0;
    TCA0.SINGLE.CMP0 = (uint16_t)(1000u * (number + 1u));
}

ISR(TCA0_CMP0_vect)
{
    TCA0.SINGLE.INTFLAGS = TCA_SINGLE_CMP0_bm;
    step++;
    if (step < 7) {
        lead(step);
    } else if (step == 7) {
        USER_K = MATCH;
        STROBE();
    }
}

int main(void)
{
    full_clock();
#ifdef INVERTED
    COIL_CONTROL = PORT_INVEN_bm;
#endif
    flip_flop();
    lead(0);
    count_ticks();
    TCA0.SINGLE.INTFLAGS = TCA_SINGLE_CMP0_bm;
    TCA0.SINGLE.INTCTRL = TCA_SINGLE_CMP0_bm;
    sei();
    for (;;) { /* two instructions: a jump to itself is where yasimavr arms matches a clock late */
        __asm__ volatile("nop");
    }
}

#elif CASE == 3 /* settings are locked while the logic is on; off, the pin is the port's */
int main(void)
{
    full_clock();
    flip_flop();
    USER_J = MATCH;
    STROBE();
    BLOCK_J[3] = 0xFF;
    SEQUENCE = 0;
    seen[0] = BLOCK_J[3];
    seen[1] = SEQUENCE;
    seen[2] = (COIL.IN >> COIL_BIT) & 1;
    CCL.CTRLA = 0;
    __builtin_avr_delay_cycles(10);
    seen[3] = (COIL.IN >> COIL_BIT) & 1;
    CCL.CTRLA = CCL_ENABLE_bm; /* and has forgotten what it held */
    for (;;) {
    }
}

#elif CASE == 4 /* the watchdog ends a hang with the coil on; afterwards it is off and locked settings */
int main(void)
{
    full_clock();
    seen[0] = RSTCTRL.RSTFR;
    RSTCTRL.RSTFR = seen[0];
    if (seen[0] & RSTCTRL_PORF_bm) {
        kept[0] = 0;
    }
    kept[0]++;
    seen[1] = WDT.CTRLA;
    flip_flop();
    if (kept[0] == 1) {
        _PROTECTED_WRITE(WDT.CTRLA, WDT_PERIOD_8CLK_gc | WINDOW);
        _PROTECTED_WRITE(WDT.STATUS, WDT_LOCK_bm);
        _PROTECTED_WRITE(WDT.CTRLA, 0);
        USER_J = MATCH;
        STROBE();
    }
    for (;;) {
    }
}

#elif CASE == 5 /* window of 8 clocks closed and 8 open: fed every FEED_US microseconds */
int main(void)
{
    full_clock();
    seen[0]++;
    _PROTECTED_WRITE(WDT.CTRLA, WDT_PERIOD_8CLK_gc | WDT_WINDOW_8CLK_gc);
    for (;;) {
        __builtin_avr_delay_cycles(FEED_US * 16UL);
        wdt_reset();
    }
}

#elif CASE == 6 /* periodic interrupt of 32 clocks of 32.768 kHz */
ISR(RTC_PIT_vect)
{
    RTC.PITINTFLAGS = RTC_PI_bm;
    count++;
}

int main(void)
{
    full_clock();
    RTC.CLKSEL = RTC_CLKSEL_INT32K_gc;
    RTC.PITCTRLA = RTC_PERIOD_CYC32_gc | RTC_PITEN_bm;
    RTC.PITINTCTRL = RTC_PI_bm;
    sei();
    for (;;) {
    }
}

#elif CASE == 7 /* the same loop at the clock after reset and at the full one, then locked */
int main(void)
{
    uint8_t turn;
    COIL.DIR |= 1 << COIL_BIT;
    for (turn = 0; turn < 3; turn++) {
        COIL.OUT |= 1 << COIL_BIT;
        __builtin_avr_delay_cycles(1000);
        COIL.OUT &= (uint8_t) ~(1 << COIL_BIT);
        if (turn == 0) {
            full_clock();
            _PROTECTED_WRITE(CLKCTRL.MCLKLOCK, CLKCTRL_LOCKEN_bm);
        }
        if (turn == 1) {
            _PROTECTED_WRITE(CLKCTRL.MCLKCTRLB, 0x11);
        }
    }
    for (;;) {
    }
}

#elif CASE == 8 /* a match captured by TCB0: the two counters one after the other */
int main(void)
{
    uint8_t number;
    full_clock();
    count_ticks();
    TCB0.CTRLB = TCB_CNTMODE_CAPT_gc;
    TCB0.CTRLA = TCB_CLKSEL_CLKDIV1_gc | TCB_ENABLE_bm;
    MATCH_SOURCE = MATCH_CODE;
    CAPTURE_USER = MATCH;
    TCB0.EVCTRL = TCB_CAPTEI_bm | (FILTERED ? TCB_FILTER_bm : 0);
    for (number = 1; number <= 8; number++) {
        TCA0.SINGLE.CMP0 = (uint16_t)(number * 501u);
        TCB0.INTFLAGS = TCB_CAPT_bm;
        TCA0.SINGLE.INTFLAGS = TCA_SINGLE_CMP0_bm;
        while ((TCA0.SINGLE.INTFLAGS & TCA_SINGLE_CMP0_bm) == 0) {
        }
        __builtin_avr_delay_cycles(20);
        if (TCB0.INTFLAGS & TCB_CAPT_bm) {
            store((uint16_t)(TCB0.CCMP - 8u * number * 501u));
        }
    }
    for (;;) {
    }
}
#endif
