/* Small programs for the model of the STM32F103; CASE chooses one.  Registers by address, RM0008. */
#include <stdint.h>

#define REG(address) (*(volatile uint32_t *)(address))
#define TIM4(offset) REG(0x40000800u + (offset))
#define IWDG(offset) REG(0x40003000u + (offset))
#define GPIOB(offset) REG(0x40010C00u + (offset))
#define ADC1(offset) REG(0x40012400u + (offset))
#define USART1(offset) REG(0x40013800u + (offset))
#define RCC(offset) REG(0x40021000u + (offset))
#define SYST(offset) REG(0xE000E010u + (offset))

volatile uint32_t at[16];
volatile uint32_t count;
volatile uint32_t order[16];
volatile uint32_t ordered;

void st_reset(void);
extern uint32_t st_stack_top[], st_bss_begin[], st_bss_end[];

static void log_event(uint32_t what)
{
    order[ordered++ & 15u] = what;
}

static void full_speed(void)
{
    REG(0x40022000u) = 0x12u;
    RCC(0x00u) |= 1u << 16;
    while ((RCC(0x00u) & 1u << 17) == 0u) {
    }
    RCC(0x04u) = 7u << 18 | 1u << 16 | 2u << 14 | 4u << 8;
    RCC(0x00u) |= 1u << 24;
    while ((RCC(0x00u) & 1u << 25) == 0u) {
    }
    RCC(0x04u) |= 2u;
}

static void tim4_on(uint32_t prescaler, uint32_t cr1)
{
    TIM4(0x28u) = prescaler - 1u;
    TIM4(0x2Cu) = 0xFFFFu;
    TIM4(0x00u) = cr1 | 5u; /* URS, CEN */
    TIM4(0x14u) = 1u;
    REG(0xE000E100u) = 1u << 30;
}

#define CAPTURE 1
#define COMPARE 2
#define WATCHDOG 3
#define EXCEPTIONS 4
#define CONVERTER 5
#define SERIAL 6
#define TIMES 7
#define UNKNOWN 8

static void tim4(void)
{
#if CASE == CAPTURE
    at[count & 15u] = TIM4(0x34u);
    count++;
#elif CASE == EXCEPTIONS
    TIM4(0x0Cu) = 0u;
    log_event(46u);
    for (uint32_t i = 0u; i < 500u; i++) { /* SysTick comes into this */
        __asm__ volatile("nop");
    }
    log_event(47u);
#elif CASE == TIMES
    TIM4(0x10u) = 0u;
    __asm__ volatile("push {r4-r7}\n\tmov r0, sp\n\tmovs r1, #7\n\tmovs r2, #3\n\t"
                     ".rept 64\n\t" BODY "\n\t.endr\n\tpop {r4-r7}" ::: "r0", "r1", "r2", "r3", "memory");
#endif
}

static void systick(void)
{
    log_event(15u);
    SYST(0u) = 0u;
}

static void stop(void)
{
    for (;;) {
    }
}

#if CASE == CAPTURE
static void go(void)
{
    TIM4(0x18u) = ICF << 4 | 1u;
    tim4_on(1u, CKD << 8);
    TIM4(0x20u) = FALLING << 1 | 1u;
    TIM4(0x0Cu) = 2u;
}
#elif CASE == COMPARE
static void go(void)
{
    GPIOB(0x04u) = 0x4444444Au;
    TIM4(0x1Cu) = 4u << 4;
    TIM4(0x20u) = 0x100u;
    tim4_on(PRESCALER, 0u);
    TIM4(0x3Cu) = 100u;
    TIM4(0x10u) = 0u;
    TIM4(0x1Cu) = 1u << 4; /* on at 100, off at 150, once more round at 150 nothing */
    while ((TIM4(0x10u) & 8u) == 0u) {
    }
    TIM4(0x3Cu) = 150u;
    TIM4(0x1Cu) = 2u << 4;
    TIM4(0x10u) = 0u;
    while ((TIM4(0x10u) & 8u) == 0u) {
    }
    TIM4(0x1Cu) = 3u << 4; /* toggles at 200 and one span later */
    TIM4(0x3Cu) = 200u;
}
#elif CASE == WATCHDOG
static void go(void)
{
    IWDG(0u) = 0xCCCCu;
    IWDG(4u) = 0u; /* still locked: nothing */
    IWDG(8u) = 1u;
    IWDG(0u) = 0x5555u;
    IWDG(4u) = DIVIDER;
    IWDG(8u) = RELOAD;
    IWDG(0u) = 0xAAAAu;
}
#elif CASE == EXCEPTIONS
static void go(void)
{
    REG(0xE000ED20u) = SYSTICK_PRIORITY << 24;
    REG(0xE000E41Cu) = 0x40u << 16;
    __asm__ volatile("msr basepri, %0" ::"r"(0x40u) : "memory");
    tim4_on(1u, 0u);
    TIM4(0x40u) = 2000u;
    TIM4(0x10u) = 0u;
    TIM4(0x0Cu) = 16u;
    while ((TIM4(0x10u) & 16u) == 0u) { /* matched, but held off */
    }
    log_event(1u);
    SYST(4u) = 999u;
    SYST(8u) = 0u;
    SYST(0u) = 7u; /* due in the handler below */
    log_event(2u);
    __asm__ volatile("msr basepri, %0" ::"r"(0u) : "memory");
    log_event(3u);
}
#elif CASE == CONVERTER
static void go(void)
{
    ADC1(0x10u) = 7u << 3;
    ADC1(0x34u) = 1u;
    ADC1(0x08u) = 1u;
    at[0] = ADC1(0x4Cu);
    tim4_on(72u, 0u);
    at[1] = TIM4(0x24u);
    ADC1(0x08u) = 1u;
    while (ADC1(0x4Cu) == 0u) {
    }
    at[2] = TIM4(0x24u);
    at[3] = ADC1(0x4Cu);
}
#elif CASE == SERIAL
static void go(void)
{
    tim4_on(72u, 0u);
    USART1(0x08u) = 625u; /* 115 200 baud */
    USART1(0x0Cu) = 0x2008u;
    for (uint32_t i = 0u; i < 4u; i++) {
        while ((USART1(0u) & 0x80u) == 0u) {
        }
        at[i] = TIM4(0x24u);
        USART1(4u) = 'a' + i;
    }
}
#elif CASE == TIMES
static void go(void)
{
    tim4_on(1u, 0u);
    TIM4(0x40u) = 5000u;
    TIM4(0x10u) = 0u;
    TIM4(0x0Cu) = 16u;
}
#elif CASE == UNKNOWN
static void go(void)
{
    TIM4(0x2Cu) = 999u;
}
#endif

void st_reset(void)
{
    for (uint32_t *to = st_bss_begin; to < st_bss_end; to++) {
        *to = 0u;
    }
    full_speed();
    go();
    stop();
}

__attribute__((section(".vectors"), used)) static const void *const vectors[59] = {
    st_stack_top, (const void *)st_reset, [3] = (const void *)stop,
    [15] = (const void *)systick, [46] = (const void *)tim4,
};
