/* The part of the port that needs no timer: start-up, clock, kept RAM, pins, pickup level, watchdog,
 * serial, lamp, supply. */
#include "st_port.h"
#include "st_port_regs.h"

#define ST_TRIES 200000U /* of a clock that should start; the watchdog ends it sooner */

/* 160 clocks of LSI / 4.  LSI is 30 to 60 kHz, 40 typical (data sheet table 25, from memory): 10.7 to
 * 21.3 ms. */
#define ST_WATCHDOG_DIVIDE_4 0U
#define ST_WATCHDOG_RELOAD (160U - 1U)

#define ST_FLASH_READS 0x12U /* prefetch, 2 wait states */
#define ST_CLOCKS ((7U << 18) | ST_BIT(16) | (2U << 14) | (4U << 8)) /* x9, crystal, ADC / 6, bus 1 / 2 */
#define ST_BY_PLL 2U
#define ST_APB1 ST_BIT(2) /* timer 4 */
#define ST_APB2_PINS (ST_BIT(0) | ST_BIT(2) | ST_BIT(3) | ST_BIT(4)) /* pin functions, ports A, B, C */
#define ST_APB2                                                       \
    (ST_APB2_PINS | ((ST_CFG_TELL != 0) ? ST_BIT(14) : 0U) |          \
     ((ST_CFG_DWELL_POINTS != 0) ? ST_BIT(9) : 0U))

#if ST_CFG_F_CPU_HZ != 72000000
#error "this port runs the chip at 72 MHz from a crystal of 8 MHz"
#endif

/* The lamp on PC13 of common boards is lit when the pin is low. */
#define ST_LAMP_LOW ((ST_PORT_OF(LAMP) == ST_INDEX_C) && (ST_BIT_OF(LAMP) == 13U))

uint32_t st_reset_cause __attribute__((section(".noinit")));
static st_retained st_kept __attribute__((section(".noinit")));

static void st_watchdog_set(void)
{
    IWDG_KR = 0x5555U;
    IWDG_PR = ST_WATCHDOG_DIVIDE_4;
    IWDG_RLR = ST_WATCHDOG_RELOAD;
}

/* Before C start-up: every reset leaves pins as floating inputs, the inner oscillator and no watchdog
 * (unless its option byte starts it).  The level comes before the direction. */
void st_early(void)
{
    RCC_APB2ENR = ST_APB2_PINS;
    (void)RCC_APB2ENR;
    st_pin_put(COIL, ST_CFG_COIL_ON_HIGH == 0);
    st_pin_is(COIL, GPIO_OUT);
    IWDG_KR = 0xCCCCU;
    st_watchdog_set();
    st_reset_cause = RCC_CSR;
    RCC_CSR |= RCC_CSR_RMVF;
}

static void st_wait_for(volatile uint32_t const *word, uint32_t bits)
{
    uint32_t tries = ST_TRIES;
    while ((*word & bits) != bits) {
        tries--;
        if (tries == 0U) {
            st_port_halt();
        }
    }
}

/* 8 MHz crystal x 9 = 72 MHz, bus 1 at half of it (its timers at the whole), 2 wait states of flash. */
void st_clock_on(void)
{
    FLASH_ACR = ST_FLASH_READS;
    RCC_CR |= RCC_CR_HSEON;
    st_wait_for(&RCC_CR, RCC_CR_HSERDY);
    RCC_CFGR = ST_CLOCKS;
    RCC_CR |= RCC_CR_PLLON | RCC_CR_CSSON;
    st_wait_for(&RCC_CR, RCC_CR_PLLRDY);
    RCC_CFGR = ST_CLOCKS | ST_BY_PLL;
    st_wait_for(&RCC_CFGR, 8U);
}

/* What the clocks of core, timer and pins rest on, as st_clock_on and st_board_on left it. */
void st_clock_refresh(void)
{
    FLASH_ACR = ST_FLASH_READS;
    RCC_CFGR = ST_CLOCKS | ST_BY_PLL;
    RCC_APB2ENR = ST_APB2;
    RCC_APB1ENR = ST_APB1;
    AFIO_MAPR = 0U; /* no function on other pins */
}

void st_board_on(void)
{
    RCC_APB1ENR = ST_APB1;
    RCC_APB2ENR = ST_APB2;
    (void)RCC_APB2ENR;
#if ST_CFG_TELL
    st_pin_is(SERIAL_TX, GPIO_OUT_TIMER);
    USART1_BRR = (ST_CFG_F_CPU_HZ + (ST_CFG_BAUD / 2UL)) / ST_CFG_BAUD;
    USART1_CR1 = ST_BIT(13) | ST_BIT(3); /* on, transmitter */
#endif
#if ST_CFG_DWELL_POINTS
    st_pin_is(SUPPLY, GPIO_IN_ANALOGUE);
    ADC1_SMPR2 = UINT32_C(0x3FFFFFFF); /* longest sampling */
    ADC1_SQR3 = ST_SUPPLY_CHANNEL;
    ADC1_CR2 = 1U;
#endif
}

st_retained *st_port_retained(void)
{
    return &st_kept;
}

static void st_input(uint32_t port, uint32_t bit)
{
    /* Pulled towards high, as the level register says. */
    st_pin_level(port, ST_BIT(bit), true);
    st_pin_mode(port, bit, (ST_CFG_PICKUP_PULL_UP != 0) ? GPIO_IN_PULL : GPIO_IN_FLOAT);
}

void st_pins_refresh(void)
{
    st_pin_put(COIL, ST_CFG_COIL_ON_HIGH == 0); /* what the pin has once the timer lets go of it */
    st_pin_is(COIL, GPIO_OUT_TIMER);
    st_pin_is(LAMP, GPIO_OUT);
    st_pin_is(TACHO, GPIO_OUT);
    st_input(ST_PORT_OF(PICKUP), ST_BIT_OF(PICKUP));
#if ST_CFG_TWO_COILS
    st_pin_is(COIL_SELECT, GPIO_OUT);
    st_input(ST_PORT_OF(PHASE), ST_BIT_OF(PHASE));
#endif
}

static void st_apart(void)
{
    /* About the filter's time from read to read: what it drops is seen by one read at most. */
    __asm__ volatile("nop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\t"
                     "nop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\t"
                     "nop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop\n\tnop");
}

static bool st_majority(uint32_t port, uint32_t mask)
{
    uint32_t const a = GPIO_IDR(port);
    uint32_t b;
    uint32_t c;
    st_apart();
    b = GPIO_IDR(port);
    st_apart();
    c = GPIO_IDR(port);
    return ((((a & b) | (b & c) | (a & c)) & mask) != 0U) != (ST_CFG_ACTIVE_LOW != 0);
}

bool st_port_active(void)
{
    return st_majority(ST_PORT_OF(PICKUP), ST_MASK(PICKUP));
}

#if ST_CFG_TWO_COILS
bool st_port_second(void)
{
    return st_majority(ST_PORT_OF(PHASE), ST_MASK(PHASE));
}
#endif

#if ST_CFG_DWELL_POINTS
/* 12 bits against the chip's supply, the upper 10 of them; 21 us, over before the next call.  Writing
 * ADON while it is on begins a conversion (RM0008 11.3.1). */
uint16_t st_port_supply(void)
{
    uint16_t const counts = (uint16_t)(ADC1_DR >> 2) & 0x3FFU;
    ADC1_SQR3 = ST_SUPPLY_CHANNEL;
    ADC1_CR2 = 1U;
    return counts;
}
#endif

/* An upset may have made its time longer; a new one is in force 5 of its clocks later (19.3.2). */
void st_port_feed_watchdog(void)
{
    if ((IWDG_SR == 0U) && ((IWDG_PR != ST_WATCHDOG_DIVIDE_4) || (IWDG_RLR != ST_WATCHDOG_RELOAD))) {
        st_watchdog_set();
    }
    st_pace();
    IWDG_KR = 0xAAAAU;
}

bool st_port_send(uint8_t byte)
{
    if ((USART1_SR & ST_BIT(7)) == 0U) {
        return false;
    }
    USART1_DR = byte;
    return true;
}

void st_port_lamp(bool on)
{
    st_pin_put(LAMP, on != ST_LAMP_LOW);
}
