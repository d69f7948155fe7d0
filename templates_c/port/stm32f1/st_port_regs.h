/* Registers of the STM32F103 that this port uses.  Addresses and bits: reference manual RM0008 (memory
 * map 3.3; RCC 7.3; GPIO 9.2; ADC 11.12; TIM2..5 15.4; IWDG 19.4; USART 27.6) and, for SysTick, NVIC and
 * SCB, the programming manual PM0056; from memory, so compare before you trust them with another chip.
 */
#ifndef ST_PORT_REGS_H
#define ST_PORT_REGS_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"

#define ST_REG(address) (*(volatile uint32_t *)(address))
#define ST_BIT(n) (UINT32_C(1) << (n))

/* Clock and reset control */
#define RCC_CR ST_REG(0x40021000U)
#define RCC_CFGR ST_REG(0x40021004U)
#define RCC_APB2ENR ST_REG(0x40021018U)
#define RCC_APB1ENR ST_REG(0x4002101CU)
#define RCC_CSR ST_REG(0x40021024U)
#define RCC_CR_HSEON ST_BIT(16)
#define RCC_CR_HSERDY ST_BIT(17)
#define RCC_CR_CSSON ST_BIT(19) /* crystal fails: NMI, and on with the inner oscillator */
#define RCC_CR_PLLON ST_BIT(24)
#define RCC_CR_PLLRDY ST_BIT(25)
#define RCC_CSR_RMVF ST_BIT(24)
#define RCC_CSR_PORRSTF ST_BIT(27)
#define FLASH_ACR ST_REG(0x40022000U)
#define AFIO_MAPR ST_REG(0x40010004U)

/* Ports: index 0 = A ... */
#define ST_GPIO(index) (0x40010800U + (0x400U * (uint32_t)(index)))
#define GPIO_CR(index, bit) ST_REG(ST_GPIO(index) + (((bit) < 8U) ? 0U : 4U))
#define GPIO_IDR(index) ST_REG(ST_GPIO(index) + 0x08U)
#define GPIO_BSRR(index) ST_REG(ST_GPIO(index) + 0x10U)
#define GPIO_IN_FLOAT 0x4U
#define GPIO_IN_PULL 0x8U
#define GPIO_IN_ANALOGUE 0x0U
#define GPIO_OUT 0x2U       /* push-pull, 2 MHz: slow edges */
#define GPIO_OUT_TIMER 0xAU /* the same, driven by the peripheral */

/* Timer 4 */
#define TIM4_CR1 ST_REG(0x40000800U)
#define TIM4_SMCR ST_REG(0x40000808U)
#define TIM4_DIER ST_REG(0x4000080CU)
#define TIM4_SR ST_REG(0x40000810U)
#define TIM4_EGR ST_REG(0x40000814U)
#define TIM4_CCMR1 ST_REG(0x40000818U)
#define TIM4_CCMR2 ST_REG(0x4000081CU)
#define TIM4_CCER ST_REG(0x40000820U)
#define TIM4_CNT ST_REG(0x40000824U)
#define TIM4_PSC ST_REG(0x40000828U)
#define TIM4_ARR ST_REG(0x4000082CU)
#define TIM4_CCR1 ST_REG(0x40000834U)
#define TIM4_CCR3 ST_REG(0x4000083CU)
#define TIM4_CCR4 ST_REG(0x40000840U)
#define TIM_UIF ST_BIT(0) /* the same places in DIER and SR */
#define TIM_CC1 ST_BIT(1)
#define TIM_CC3 ST_BIT(3)
#define TIM_CC4 ST_BIT(4)

/* Independent watchdog */
#define IWDG_KR ST_REG(0x40003000U)
#define IWDG_PR ST_REG(0x40003004U)
#define IWDG_RLR ST_REG(0x40003008U)
#define IWDG_SR ST_REG(0x4000300CU)

/* Serial port 1, analogue converter 1 */
#define USART1_SR ST_REG(0x40013800U)
#define USART1_DR ST_REG(0x40013804U)
#define USART1_BRR ST_REG(0x40013808U)
#define USART1_CR1 ST_REG(0x4001380CU)
#define ADC1_CR2 ST_REG(0x40012408U)
#define ADC1_SMPR2 ST_REG(0x40012410U)
#define ADC1_SQR3 ST_REG(0x40012434U)
#define ADC1_DR ST_REG(0x4001244CU)

/* Core */
#define SYST_CSR ST_REG(0xE000E010U)
#define SYST_RVR ST_REG(0xE000E014U)
#define SYST_CVR ST_REG(0xE000E018U)
#define NVIC_ISER0 ST_REG(0xE000E100U)
#define NVIC_IPR7 ST_REG(0xE000E41CU) /* interrupts 28 to 31 */
#define SCB_VTOR ST_REG(0xE000ED08U)
#define SCB_AIRCR ST_REG(0xE000ED0CU)
#define SCB_AIRCR_KEY (UINT32_C(0x05FA) << 16) /* no sub-priorities */
#define SCB_SHPR3 ST_REG(0xE000ED20U)
#define ST_IRQ_TIM4 30U

/* Pins by use: ST_PORT_OF(COIL) is the index of its port, ST_MASK(COIL) its bit. */
#define ST_INDEX_A 0U
#define ST_INDEX_B 1U
#define ST_INDEX_C 2U
#define ST_JOIN_(a, b) a##b
#define ST_JOIN(a, b) ST_JOIN_(a, b)
#define ST_PORT_OF(use) ST_JOIN(ST_INDEX_, ST_JOIN(ST_JOIN(ST_PIN_, use), _PORT))
#define ST_BIT_OF(use) ((uint32_t)ST_JOIN(ST_JOIN(ST_PIN_, use), _BIT))
#define ST_MASK(use) ST_BIT(ST_BIT_OF(use))

static inline void st_pin_level(uint32_t port, uint32_t mask, bool high)
{
    GPIO_BSRR(port) = high ? mask : (mask << 16);
}

#define st_pin_put(use, high) st_pin_level(ST_PORT_OF(use), ST_MASK(use), (high))

/* Four bits of the port's configuration register; an unchanged pin is written with what it has. */
static inline void st_pin_mode(uint32_t port, uint32_t bit, uint32_t mode)
{
    uint32_t const at = 4U * (bit & 7U);
    volatile uint32_t *const control = &GPIO_CR(port, bit);
    *control = (*control & ~(UINT32_C(15) << at)) | (mode << at);
}

#define st_pin_is(use, mode) st_pin_mode(ST_PORT_OF(use), ST_BIT_OF(use), (mode))

/* Between the files of this port. */
void st_early(void);
void st_clock_on(void);
void st_clock_refresh(void);
void st_board_on(void);
void st_pins_refresh(void);
void st_pace(void);
void st_tim4(void);
void st_systick(void);
extern uint32_t st_reset_cause;

#endif
