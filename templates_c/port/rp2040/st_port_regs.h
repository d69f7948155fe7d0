/* Registers of the RP2040 that the port uses, from its data sheet (chapters in brackets, addresses and
 * bits from memory), and the pins that config.h chooses. */
#ifndef ST_PORT_REGS_H
#define ST_PORT_REGS_H

#include <stdbool.h>
#include <stdint.h>

#include "config.h"

#define ST_REG(address) (*(volatile uint32_t *)(address))
#define ST_BIT(n) (UINT32_C(1) << (n))
#define ST_SET 0x2000U /* alias of a peripheral that sets bits (2.1.2) ... */
#define ST_CLEAR 0x3000U /* ... and clears them */

/* Resets (2.14), power-on state machine (2.13), chip-level reset (2.12) */
#define RESETS_RESET(alias) ST_REG(0x4000C000U + (alias))
#define RESETS_DONE ST_REG(0x4000C008U)
#define RESET_ADC ST_BIT(0)
#define RESET_IO_BANK0 ST_BIT(5)
#define RESET_PADS_BANK0 ST_BIT(8)
#define RESET_PIO0 ST_BIT(10)
#define RESET_PLL_SYS ST_BIT(12)
#define RESET_TIMER ST_BIT(21)
#define RESET_UART0 ST_BIT(22)
#define CHIP_RESET ST_REG(0x40064008U)
#define CHIP_RESET_HAD_RUN ST_BIT(16) /* by the pin marked RUN */
#define PSM_WDSEL ST_REG(0x40010008U)
#define PSM_ALL_BUT_OSCILLATORS 0x1FFFCU

/* Clocks (2.15), crystal (2.16), PLL (2.18) */
#define CLK_REF_CTRL ST_REG(0x40008030U)
#define CLK_REF_SELECTED ST_REG(0x40008038U)
#define CLK_SYS_CTRL ST_REG(0x4000803CU)
#define CLK_SYS_SELECTED ST_REG(0x40008044U)
#define CLK_PERI_CTRL ST_REG(0x40008048U)
#define CLK_ADC_CTRL ST_REG(0x40008060U)
#define CLK_ADC_DIV ST_REG(0x40008064U)
#define XOSC_CTRL ST_REG(0x40024000U)
#define XOSC_STATUS ST_REG(0x40024004U)
#define XOSC_STARTUP ST_REG(0x4002400CU)
#define PLL_SYS_CS ST_REG(0x40028000U)
#define PLL_SYS_PWR ST_REG(0x40028004U)
#define PLL_SYS_FBDIV ST_REG(0x40028008U)
#define PLL_SYS_PRIM ST_REG(0x4002800CU)

/* Pins: functions (2.19.6.1), pads (2.19.6.3), single-cycle I/O (2.3.1.7) */
#define IO_CTRL(pin) ST_REG(0x40014004U + (8U * (pin)))
#define IO_SIO 5U
#define IO_UART 2U
#define IO_PIO0 6U
#define IO_NONE 31U
#define IO_DRIVE_LOW (2U << 8)
#define IO_DRIVE_HIGH (3U << 8)
#define PAD(pin) ST_REG(0x4001C004U + (4U * (pin)))
#define PAD_SCHMITT ST_BIT(1)
#define PAD_PULL_DOWN ST_BIT(2)
#define PAD_PULL_UP ST_BIT(3)
#define PAD_4_MA (1U << 4)
#define PAD_12_MA (3U << 4)
#define PAD_INPUT ST_BIT(6)
#define PAD_NO_OUTPUT ST_BIT(7)
#define SIO_IN ST_REG(0xD0000004U)
#define SIO_OUT_SET ST_REG(0xD0000014U)
#define SIO_OUT_CLR ST_REG(0xD0000018U)
#define SIO_OE_SET ST_REG(0xD0000024U)

/* Watchdog (4.7), timer (4.6) */
#define WATCHDOG_CTRL ST_REG(0x40058000U)
#define WATCHDOG_ENABLE ST_BIT(30)
#define WATCHDOG_TRIGGER ST_BIT(31) /* resets at once */
#define WATCHDOG_LOAD ST_REG(0x40058004U)
#define WATCHDOG_REASON ST_REG(0x40058008U)
#define WATCHDOG_TICK ST_REG(0x4005802CU)
#define TIMER_ALARM0 ST_REG(0x40054010U)
#define TIMER_RAW_LOW ST_REG(0x40054028U)
#define TIMER_INTR ST_REG(0x40054034U)
#define TIMER_INTE ST_REG(0x40054038U)

/* Programmable I/O block 0 (3.7) */
#define PIO_CTRL ST_REG(0x50200000U)
#define PIO_FSTAT ST_REG(0x50200004U)
#define PIO_TXF(sm) ST_REG(0x50200010U + (4U * (sm)))
#define PIO_RXF(sm) ST_REG(0x50200020U + (4U * (sm)))
#define PIO_IRQ ST_REG(0x50200030U)
#define PIO_PADOUT ST_REG(0x5020003CU)
#define PIO_INSTR_MEM(at) ST_REG(0x50200048U + (4U * (at)))
#define PIO_CLKDIV(sm) ST_REG(0x502000C8U + (24U * (sm)))
#define PIO_EXECCTRL(sm) ST_REG(0x502000CCU + (24U * (sm)))
#define PIO_SHIFTCTRL(sm) ST_REG(0x502000D0U + (24U * (sm)))
#define PIO_ADDR(sm) ST_REG(0x502000D4U + (24U * (sm)))
#define PIO_INSTR(sm) ST_REG(0x502000D8U + (24U * (sm)))
#define PIO_PINCTRL(sm) ST_REG(0x502000DCU + (24U * (sm)))
#define PIO_IRQ0_INTE ST_REG(0x5020012CU)

/* Serial port 0 (4.2.8), analogue converter (4.9.6) */
#define UART_DR ST_REG(0x40034000U)
#define UART_FR ST_REG(0x40034018U)
#define UART_IBRD ST_REG(0x40034024U)
#define UART_FBRD ST_REG(0x40034028U)
#define UART_LCR ST_REG(0x4003402CU)
#define UART_CR ST_REG(0x40034030U)
#define ADC_CS ST_REG(0x4004C000U)
#define ADC_RESULT ST_REG(0x4004C004U)

/* Core (2.4.8) */
#define NVIC_ISER ST_REG(0xE000E100U)
#define NVIC_ISPR ST_REG(0xE000E200U)
#define NVIC_IPR0 ST_REG(0xE000E400U) /* interrupts 0 to 3 */
#define NVIC_IPR1 ST_REG(0xE000E404U) /* 4 to 7 */
#define SCB_VTOR ST_REG(0xE000ED08U)
#define ST_IRQ_TIMER0 0U
#define ST_IRQ_PIO0 7U

/* RAM begins with the vectors (rp2040.ld); flash, read past the cache (2.6.3). */
#define ST_RAM_FROM 0x20000000U
#define ST_XIP_NO_CACHE 0x03000000U

/* Pins by use: ST_PIN(COIL) is the number of a pin, ST_MASK(COIL) its bit. */
#define ST_JOIN_(a, b) a##b
#define ST_JOIN(a, b) ST_JOIN_(a, b)
#define ST_PIN(use) ((uint32_t)ST_JOIN(ST_JOIN(ST_PIN_, use), _BIT))
#define ST_MASK(use) ST_BIT(ST_PIN(use))

static inline void st_pin_level(uint32_t mask, bool high)
{
    if (high) {
        SIO_OUT_SET = mask;
    } else {
        SIO_OUT_CLR = mask;
    }
}

#define st_pin_put(use, high) st_pin_level(ST_MASK(use), (high))

static inline bool st_coil_is_on(void)
{
    return ((SIO_IN & ST_MASK(COIL)) != 0U) == (ST_CFG_COIL_ON_HIGH != 0);
}

/* The timer counts microseconds; the core's tick is half of one. */
#define ST_TICKS_A_US 2U
#define ST_HALVES_A_US (2U * ST_TICKS_A_US)

/* Between the files of this port. */
void st_board_on(void);
void st_clock_refresh(void);
void st_pins_refresh(void);
extern uint32_t st_code_sum;
void st_flash_check(void);
void st_coil_force_off(void);
void st_coil_let_go(void);
bool st_coil_is_held_off(void);
void st_pio_event(void);
void st_timer_beat(void);

/* What the compares and the capture of the PIO's state machines look like; st_port_pio.c. */
#define ST_SM_CAPTURE 0U
#define ST_SM_ON 1U
#define ST_SM_OFF 2U
#define ST_SM_ALARM 3U
#define ST_PIO_MATCH(sm) ST_BIT(sm)                /* in PIO_IRQ */
#define ST_PIO_MATCH_EVENT(sm) ST_BIT(8U + (sm))   /* in PIO_IRQ0_INTE */
#define ST_PIO_EDGE_EVENT ST_BIT(ST_SM_CAPTURE)

void st_pio_start(void);
void st_pio_refresh(void);
void st_pio_order(uint32_t sm, uint32_t at);
void st_pio_take_back(uint32_t sm);
bool st_pio_coil_is_on(void);
bool st_pio_in_place(void);
uint32_t st_pio_age(uint32_t word, uint32_t now);

extern uint32_t st_reset_cause;

#endif
