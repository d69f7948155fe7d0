/* What is around the core of an STM32F103, as we read the reference manual RM0008: a model, not a
 * chip.  Timer 4, the pins, clocks and resets, the independent watchdog, SysTick, the interrupt
 * controller's part for two exceptions, serial port 1, converter 1.
 */
#ifndef SPARKTICK_STM32F1_H
#define SPARKTICK_STM32F1_H

#include "cortex.h"

#define FLASH_FROM 0x08000000u
#define RAM_FROM 0x20000000u
#define PERIPHERALS 0x40000000u
#define PERIPHERAL_BYTES 0x24000u
#define SYSTEM 0xE000E000u
#define SYSTEM_BYTES 0x1000u

#define TIM4 0x40000800u
#define IWDG 0x40003000u
#define GPIO_A 0x40010800u
#define ADC1 0x40012400u
#define USART1 0x40013800u
#define RCC 0x40021000u
#define FLASH_ACR 0x40022000u

enum { TIM_CR1 = 0x00, TIM_SMCR = 0x08, TIM_DIER = 0x0C, TIM_SR = 0x10, TIM_EGR = 0x14,
       TIM_CCMR1 = 0x18, TIM_CCMR2 = 0x1C, TIM_CCER = 0x20, TIM_CNT = 0x24, TIM_PSC = 0x28,
       TIM_ARR = 0x2C, TIM_CCR1 = 0x34, TIM_CCR3 = 0x3C, TIM_CCR4 = 0x40 };
enum { UIF = 1, CC1IF = 2, CC3IF = 8, CC4IF = 16 };

/* What may be due. */
enum { DUE_INPUT, DUE_FILTER, DUE_WRAP, DUE_CC3, DUE_CC4, DUE_SYSTICK, DUE_CRYSTAL, DUE_PLL,
       DUE_IWDG, DUE_SERIAL, DUE_ADC, DUE_RELEASE, DUE_END, DUES };

typedef struct {
    cortex core;
    chip_record record;
    const chip_job *job;
    const chip_event *events;
    chip_result *result;
    int64_t next_event;
    int64_t due[DUES];

    uint32_t peripheral[PERIPHERAL_BYTES / 4u];
    uint32_t system[SYSTEM_BYTES / 4u];
    uint8_t *ram_before;
    uint64_t seed;

    /* Timer 4 */
    int64_t began;       /* an instant at which the count stepped to 0 */
    uint32_t prescaler;  /* in force */
    uint32_t per_tick;   /* clocks of full speed to a count */
    int output;          /* OC3REF */
    int line;            /* pickup line behind the synchroniser */
    int filtered;        /* ... and the filter */
    int run_level;       /* level of the filter's last samples, and how many of them */
    int64_t run_length, run_from;
    /* Pins */
    int phase;
    int coil_level, coil_before;
    int64_t coil_since;
    /* Resets and watchdog */
    int held;
    int upset_before;    /* from then on what the model does not know is left undone */
    const chip_event *upset; /* that waits for the core to stand between two instructions */
    int asked;           /* reset that waits: kind, and 16 times the clocks that its cause lasts */
    int watching;
    int unlocked;
    uint32_t iwdg_reload, iwdg_divider;
    int systick_waits;
    int sending, buffered;
    uint8_t buffer, shifting;
} stm32f1;

static inline uint32_t *word_of(stm32f1 *s, uint32_t address)
{
    return &s->peripheral[(address - PERIPHERALS) / 4u];
}

static inline uint32_t tim(stm32f1 *s, uint32_t offset)
{
    return *word_of(s, TIM4 + offset);
}

/* End the run: the firmware did what the model does not know. */
void stm32f1_refuse(stm32f1 *s, const char *why, uint32_t value);

/* stm32f1_timer.c */
void timer_reset(stm32f1 *s);
uint32_t timer_read(stm32f1 *s, uint32_t offset);
void timer_write(stm32f1 *s, uint32_t offset, uint32_t value);
void timer_line(stm32f1 *s, int64_t at, int level);
void timer_clock(stm32f1 *s);
void timer_flip_count(stm32f1 *s, uint32_t mask);
void timer_due(stm32f1 *s, int which, int64_t at);
int timer_interrupt(stm32f1 *s);

/* stm32f1_pins.c */
uint32_t pins_read(stm32f1 *s, uint32_t address);
void pins_write(stm32f1 *s, uint32_t address, uint32_t value);
void pins_look(stm32f1 *s, int64_t at);
void pins_reset(stm32f1 *s);

/* stm32f1_upset.c: a bit of a register or of RAM, by its place in `places` (chip_io.h's value) */
enum { PLACE_RAM = 0x1000000, PLACE_PERIPHERAL = 0x2000000, PLACE_SYSTEM = 0x3000000 };
void upset_data(stm32f1 *s, uint32_t place, int bit);

/* stm32f1_parts.c: clocks, watchdog, serial port, converter, SysTick */
void parts_reset(stm32f1 *s, int kind);
uint32_t parts_read(stm32f1 *s, uint32_t address);
void parts_write(stm32f1 *s, uint32_t address, uint32_t value);
void parts_due(stm32f1 *s, int which, int64_t at);
void system_write(stm32f1 *s, uint32_t address, uint32_t value);

#endif
