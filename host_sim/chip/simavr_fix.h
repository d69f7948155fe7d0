/* simavr 1.6 with what it gets wrong put right from outside, through its public structs.
 * One chip a process.  The numbers S1.. in the comments are those of the list in
 * host_sim/chip/README.md; each has a test in tests/host_sim/chip.
 */
#ifndef SPARKTICK_SIMAVR_FIX_H
#define SPARKTICK_SIMAVR_FIX_H

#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_timer.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_core.h>
#include <simavr/sim_cycle_timers.h>
#include <simavr/sim_interrupts.h>
#include <simavr/sim_io.h>

#include "chip_record.h"

/* Cycle at which the chip leaves power-on reset: not 0, because simavr takes an overflow
 * base of 0 for "just started"; a multiple of every prescaler. */
#define SIM_ORIGIN ((avr_cycle_count_t)1 << 40)

enum { SIM_TIMERS = 6, SIM_PORTS = 11, SIM_CHANNELS = AVR_TIMER_COMP_COUNT };

typedef struct {
    avr_timer_t *timer;
    uint16_t held;     /* TCNT while the clock is stopped */
    uint8_t temp;      /* the 16-bit registers' shared high byte */
    uint8_t latch[SIM_CHANNELS]; /* what the compare units drive */
} sim_timer;

typedef struct {
    uint16_t sleep_register;
    uint8_t sleep_bit;
    uint16_t prescaler_reset;
    uint8_t flags[8]; /* registers whose flags are cleared by writing ones */
    uint8_t response_cycles, return_cycles, wake_cycles;
    uint16_t force_register; /* of the 16-bit timer; 0: two above its TCCRnA */
} sim_chip;

typedef struct {
    int64_t patterns;
    const int64_t *first;  /* toggle each pattern begins with; one more is the end */
    const double *toggle_s; /* after the switching */
} sim_noise;

typedef struct {
    avr_t *avr;
    sim_chip chip;
    chip_job job;
    chip_result result;
    chip_record record;
    const chip_event *events;
    sim_noise noise[CHIP_NOISES];
    int64_t next_event;
    sim_timer timers[SIM_TIMERS];
    int timer_count;
    avr_ioport_t *ports[SIM_PORTS];
    int port_count;
    avr_uart_t *uart;
    avr_run_t plain_run;               /* differs from avr->run when the watchdog has fired */
    avr_cycle_count_t released;        /* last release of reset */
    avr_cycle_count_t prescaler_zero;  /* the prescaler of timers 0 and 1 counts from here */
    avr_cycle_count_t frame_end;       /* when the serial shift register is free again */
    int stepping;    /* time is being moved to a peripheral's exact cycle */
    int response;    /* an interrupt was entered */
    int reset_asked; /* CHIP_RESET_... */
    int pickup_level;
    int phase_level;
    int capture_level[2]; /* at the edge detector: direct, through the noise canceller */
} sim_state;

extern sim_state sim;

static inline int64_t sim_now(void)
{
    return (int64_t)(sim.avr->cycle - SIM_ORIGIN);
}

/* Put a handler before simavr's own, once an address; the old one stays callable. */
void sim_hook_write(avr_io_addr_t address, avr_io_write_t handler, void *param);
void sim_hook_read(avr_io_addr_t address, avr_io_read_t handler, void *param);
void sim_old_write(avr_io_addr_t address, uint8_t value);

void sim_chip_find(void);
void sim_chip_pins(avr_timer_t *timer);
int sim_is_flag_register(uint16_t address);

/* Each part: once after avr_init, and again after every reset. */
void sim_timers_attach(void);
void sim_timers_refit(void);
void sim_interrupts_attach(void);
void sim_ports_attach(void);
void sim_ports_refit(void);
void sim_uart_attach(void);
void sim_live_begin(const char *descriptor);
void sim_live_byte(uint8_t byte);
void sim_uart_refit(void);

/* NULL when the chip has no such port. */
avr_ioport_t *sim_port(int letter);
void sim_pickup(int level);
void sim_capture(int filtered, int level);
void sim_update_coils(void);
/* One coil's pin; what it does to the pickup line comes back from here. */
void sim_coil(int channel, int driven, int level);
/* Level the compare unit of this pin drives, -1 when it is disconnected from the pin. */
int sim_compare_level(const avr_ioport_t *port, int bit);
int64_t sim_timer_phase(void);

/* The pickup line where the coil's switching disturbs it. */
void sim_line_begin(void);
void sim_line_train(int level); /* the train's level, sampled now */
void sim_line_held(int level);  /* the same while the chip is held in reset */
void sim_line_switched(int on); /* the coil has switched */
void sim_line_release(void);    /* reset is released */
void sim_upset(const chip_event *event);

#endif
