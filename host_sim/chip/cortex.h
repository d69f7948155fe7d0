/* A Cortex-M core: the image's own instructions by unicorn, their times and the exceptions by us.
 *
 * unicorn has neither clock nor interrupt controller.  Instants are counted here in clocks of the
 * chip's full speed; a chip model says what is due when, and which exception waits.
 */
#ifndef SPARKTICK_CORTEX_H
#define SPARKTICK_CORTEX_H

#include <stdint.h>
#include <unicorn/unicorn.h>

#include "chip_record.h"

#define CORTEX_NEVER INT64_MAX
#define CORTEX_LEVELS 8 /* exceptions within each other */

enum { CORTEX_THREAD = 0, CORTEX_HARD_FAULT = 3, CORTEX_SYSTICK = 15, CORTEX_IRQ_0 = 16 };

/* What a chip model answers; `chip` is its own struct. */
typedef struct {
    /* Do what is due up to `now`; return the next instant at which something is. */
    int64_t (*advance)(void *chip, int64_t now);
    /* The most urgent exception that waits, 0 for none; its priority, 0 the most urgent. */
    int (*waiting)(void *chip, int *priority);
    /* That one has been taken. */
    void (*taken)(void *chip, int exception);
    /* `pause` was set, and the core stands between two instructions. */
    void (*paused)(void *chip);
    /* Where the vectors lie now. */
    uint32_t (*vectors)(void *chip);
} cortex_chip;

typedef struct {
    /* Set by the chip model before cortex_open. */
    const cortex_chip *calls;
    void *chip;
    chip_record *record;
    uint8_t *flash; /* whole image of the flash, from flash_from on; size a multiple of 4096 */
    uint32_t flash_from, flash_size;
    uint32_t ram_from, ram_size;
    uint32_t main_address;
    uint64_t seed;
    int crossing_clocks; /* lost at each 8 bytes of flash */
    int refill_clocks;   /* lost at each jump, wait states included */

    /* Of the chip's to use. */
    int64_t now;
    int64_t scale; /* clocks of full speed that one clock takes now */
    int halt;      /* stop before the next instruction */
    int pause;     /* ... for a moment, see cortex_chip.paused */
    int passes;    /* of the main loop, since it was last let rest; counted by the chip model */

    /* Its own. */
    uc_engine *uc;
    int64_t wake, running, pass_began, pass_clocks;
    uint32_t at, follows;
    uint32_t block, block_end; /* addresses of the last IT instruction, and after what it rules */
    int take, depth;
    int priority[CORTEX_LEVELS];
    uint8_t *times; /* by half-word of flash: clocks, and 32 times the instructions an IT rules */
    uc_hook hook;
} cortex;

uc_err cortex_open(cortex *c);
void cortex_close(cortex *c);

/* Registers as after reset; RAM is left alone. */
void cortex_reset(cortex *c);

/* Run until the chip model sets `halt`. */
void cortex_run(cortex *c);

/* Something has changed that the core must look at before its next instruction. */
void cortex_attend(cortex *c);

/* Upsets, between two instructions: a bit of a core register (four bytes each of r0 to r12, sp, lr,
 * xPSR, PRIMASK, BASEPRI, in this order), of the program counter (bit 0 is worth two bytes), of RAM. */
void cortex_flip_register(cortex *c, int byte, int bit);
void cortex_flip_counter(cortex *c, int bit);
void cortex_flip_ram(cortex *c, uint32_t address, int bit);

/* An access to a peripheral takes so many clocks more. */
void cortex_stall(cortex *c, int clocks);

/* The main loop begins anew.  After two whole passes without an event it is let rest until shortly
 * before the next one. */
void cortex_main_pass(cortex *c);

#endif
