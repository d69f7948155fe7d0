/* An RP2040 as far as the firmware uses it: our own model, written from the data sheet.
 *
 *   rp2040_cpu.c        instructions of the Cortex-M0+
 *   rp2040_exception.c  its exceptions, the interrupt controller
 *   rp2040_pio.c        state machines of PIO 0
 *   rp2040_time.c       clocks, timer, watchdog
 *   rp2040_bus.c        memory, resets, pins, serial port, converter
 *   rp2040_upset.c      flipped bits
 *   rp2040_run.c        a job from begin to end
 *
 * Time is counted in clocks of the full CPU clock from the release of the first reset on.
 */
#ifndef SPARKTICK_RP2040_H
#define SPARKTICK_RP2040_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "chip_record.h"

enum { RP_FLASH_BYTES = 2 << 20, RP_RAM_BYTES = 264 << 10, RP_PINS = 30, RP_FIFO = 4 };
#define RP_FLASH 0x10000000u
#define RP_RAM 0x20000000u
#define RP_NEVER INT64_MAX

#define RP_RING_SCALE 18 /* clocks of the ring oscillator's, about 6.5 MHz */

enum { RP_IRQ_TIMER0 = 0, RP_IRQ_PIO0 = 7 };
enum { RP_HARD_FAULT = 3, RP_EXTERNAL = 16 };

typedef struct {
    uint32_t r[16];
    bool n, z, c, v;
    uint32_t exception; /* number of the one that runs, 0 thread */
    bool primask;
    bool asleep;
    bool locked_up;
    bool fault;      /* the instruction that runs has failed */
    uint32_t vtor;
    uint32_t pending, enabled, lines; /* external interrupts */
    uint32_t priority[8];
    int depth;
    uint32_t active[40];
    int cycles; /* of the instruction that runs */
} rp_cpu;

typedef struct {
    uint32_t word[RP_FIFO];
    unsigned count;
} rp_fifo;

typedef struct {
    bool on;
    int64_t next; /* clock of its next instruction */
    int64_t acted_at; /* of its last */
    uint32_t pc, x, y, isr, osr;
    unsigned isr_count, osr_count;
    uint32_t clkdiv, execctrl, shiftctrl, pinctrl;
    rp_fifo tx, rx;
    int64_t pass_at;    /* when it last executed a counting jump, its place and state then */
    uint32_t pass_pc, pass_other, pass_count;
    bool pass_quiet;    /* nothing but counting has happened since */
    bool steady;        /* and the pass before was the same: nothing else happens ... */
    int64_t steady_until;
    int64_t period;
} rp_machine;

typedef struct {
    uint16_t program[32];
    rp_machine sm[4];
    uint32_t irq, inte, out, oe;
    int64_t next; /* earliest clock at which a machine has something to do */
} rp_pio;

typedef struct {
    uint32_t ctrl, pad;
} rp_pin;

typedef struct {
    int64_t now;
    int scale;              /* clocks that a CPU cycle takes */
    uint32_t resets;        /* as RESETS has them: 1 held */
    uint32_t xosc, pll_pwr, pll_prim, pll_fbdiv, clk_ref, clk_sys, clk_peri;
    int64_t xosc_stable_at;
    bool tick_on;
    int64_t timer_from;     /* when its count was 0 */
    uint32_t stood_at;      /* its count while it does not run */
    uint32_t alarm, timer_intr, timer_inte;
    bool alarm_armed;
    int64_t alarm_at;
    uint32_t chip_reset; /* the cause, as the chip-level reset notes it */
    uint32_t watchdog_ctrl, watchdog_reason, watchdog_count, psm_wdsel;
    int64_t watchdog_at;
    int64_t uart_free_at;
    uint32_t uart_div, uart_cr;
    uint32_t adc_cs, adc_result;
    uint32_t ssi[64];
    bool ssi_ready;
    uint32_t sio_out, sio_oe;
    rp_pin pin[RP_PINS];
    uint32_t level, level_before;  /* levels from outside; the latter until changed_at + 1 */
    uint32_t driven_outside, inside;
    int64_t changed_at;
    rp_cpu cpu;
    rp_pio pio;
    uint8_t flash[RP_FLASH_BYTES];
    uint8_t ram[RP_RAM_BYTES];
    uint8_t cached[RP_FLASH_BYTES / 64];
    int reset_asked;
    uint32_t lowest_sp;
    bool in_main;
    bool never_skip; /* for tests: every pass of the PIO is executed */
    chip_result tried;
    int coil_pin, select_pin;
    const chip_job *job;
    chip_result *result;
    chip_record record;
} rp_chip;

/* rp2040_exception.c */
uint32_t rp_flags_word(const rp_cpu *cpu);
void rp_note_stack(rp_chip *chip);
void rp_leave(rp_chip *chip);
void rp_hard_fault(rp_chip *chip);
void rp_cpu_line(rp_chip *chip, int irq, bool level);
bool rp_cpu_wakes(const rp_chip *chip);
void rp_cpu_interrupt(rp_chip *chip);

/* rp2040_cpu.c */
void rp_cpu_reset(rp_chip *chip, uint32_t stack, uint32_t entry);
void rp_cpu_step(rp_chip *chip);

/* rp2040_pio.c */
void rp_pio_reset(rp_chip *chip);
uint32_t rp_pio_read(rp_chip *chip, uint32_t offset);
void rp_pio_write(rp_chip *chip, uint32_t offset, uint32_t value);
void rp_pio_run(rp_chip *chip, int64_t until, bool stop_at_interrupt);
int64_t rp_pio_one(rp_chip *chip, int64_t until);
void rp_pio_stir(rp_machine *sm);

/* rp2040_time.c */
uint32_t rp_timed_read(rp_chip *chip, uint32_t address);
void rp_timed_write(rp_chip *chip, uint32_t address, uint32_t value);
uint32_t rp_clock_read(const rp_chip *chip, uint32_t address);
void rp_clock_write(rp_chip *chip, uint32_t address, uint32_t value);
void rp_timer_due(rp_chip *chip);
void rp_timer_held(rp_chip *chip, uint32_t resets);
bool rp_timed_flip(rp_chip *chip, uint32_t address, uint32_t mask);
void rp_lines(rp_chip *chip);

/* rp2040_upset.c */
void rp_upset(rp_chip *chip, const chip_event *event);

/* rp2040_bus.c */
void rp_apb_flip(rp_chip *chip, uint32_t address, uint32_t mask);
void rp_bus_reset(rp_chip *chip);
uint32_t rp_read(rp_chip *chip, uint32_t address, int bytes);
void rp_write(rp_chip *chip, uint32_t address, uint32_t value, int bytes);
uint32_t rp_fetch(rp_chip *chip, uint32_t address);
uint32_t rp_inputs(const rp_chip *chip, int64_t at);
void rp_pins_changed(rp_chip *chip, int64_t at);

#endif
