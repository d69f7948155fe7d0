/* What goes into an emulator run and what comes out: the same layout for Python (cffi
 * reads the part between the two marks), for the simavr child process (these structs are
 * its files) and for the yasimavr library.  Instants are CPU cycles since reset was first
 * released.
 */
#ifndef SPARKTICK_CHIP_IO_H
#define SPARKTICK_CHIP_IO_H

#include <stdint.h>

/* cdef begin */
enum {
    CHIP_PIN,              /* value = level the PINx register sees */
    CHIP_CAPTURE_DIRECT,   /* value = level at the edge detector, ICNC1 = 0 */
    CHIP_CAPTURE_FILTERED, /* value = level at the edge detector, ICNC1 = 1 */
    CHIP_RESET,            /* value = one of CHIP_RESET_... + 16 * cycles that its cause lasts */
    CHIP_FLIP_DATA,        /* value = data-space address * 8 + bit: registers, I/O, RAM */
    CHIP_FLIP_PC,          /* value = bit of the program counter, which counts words */
    CHIP_FLIP_FLASH,       /* value = flash byte address * 8 + bit */
    CHIP_LINE,             /* value = the pin's sample without noise; only where there is noise */
    CHIP_PHASE             /* value = level of the second input pin, the phase sensor's */
};

enum { CHIP_RESET_POWER_ON = 1, CHIP_RESET_EXTERNAL = 2, CHIP_RESET_BROWN_OUT = 4,
       CHIP_RESET_WATCHDOG = 8, CHIP_RESET_KINDS = 16 }; /* the bits of MCUSR */

enum { CHIP_COILS = 4, CHIP_VECTORS = 64, CHIP_PEEKS = 64, CHIP_NOISES = 4 };

/* Channels of chip_change beyond the coils. */
enum { CHIP_CHANNEL_LINE = 16, CHIP_CHANNEL_RESET = 17 };

typedef struct {
    int64_t cycle;
    int32_t kind;
    int32_t value;
} chip_event; /* sorted by cycle */

typedef struct {
    int32_t port; /* letter */
    int32_t bit;
    int32_t on_level;
} chip_pin;

typedef struct {
    int64_t f_cpu_hz;
    int64_t end_cycle;
    int64_t reset_hold_cycles;
    int64_t event_count;
    uint64_t ram_seed;    /* RAM content at power-on is drawn from this */
    uint64_t noise_seed;
    double clock_hz;            /* true */
    double noise_jitter_s;      /* every pattern begins up to this much late */
    int64_t noise_patterns[4];  /* coil off and line idle, off and active, on and idle, on and active */
    int64_t noise_toggles[4];   /* together, in all patterns of the group */
    int32_t main_address; /* flash byte address, -1 unknown */
    int32_t stack_floor;  /* first data address above everything the linker placed */
    int32_t coil_count;
    int32_t peek_count;
    int32_t idle_level; /* of the pickup pin before the first event */
    int32_t analogue_channel; /* -1: no analogue input */
    int32_t analogue_mv;      /* voltage there */
    int32_t reference_mv;     /* the chip's own supply */
    int32_t noise_on;   /* after the events, for each group: first toggle of each pattern and
                           the end (int64_t), toggles (double, seconds after the switching) */
    int32_t peek_address[64];
    int32_t peek_size[64]; /* 1..8 bytes, little-endian */
    chip_pin pickup;
    chip_pin phase;      /* port 0: none; its level is on_level while it says second cylinder */
    chip_pin coils[4];
    char elf[1024];
    char mcu[32];
} chip_job;

typedef struct {
    int64_t cycle;
    int32_t channel; /* coil, or CHIP_CHANNEL_... */
    int32_t on;      /* coil charges, level of the line, CHIP_RESET_... */
} chip_change;

typedef struct {
    int64_t count, cycles_total, cycles_max; /* from response to the end of RETI */
    int64_t wait_max;                        /* from flag and enable both set to response */
} chip_handler;

typedef struct {
    int64_t cycles_run;
    int64_t main_cycle;  /* first arrival at main(), -1 never */
    int64_t safe_cycle;  /* first instant all coil pins are driven to off, -1 never */
    int64_t phase_cycle; /* an instant at which timer 1 stepped to 0, INT64_MIN stopped */
    int64_t resets[16];  /* by CHIP_RESET_... after the first power-on */
    int64_t last_reset_cycle;     /* -1: none after the first power-on */
    int64_t safe_after_reset_max; /* longest from a reset to all coil pins driven to off */
    int64_t resets_made_safe;     /* ... and after how many that came about */
    int64_t busy_cycles; /* within interrupt handlers, nested ones counted once */
    int64_t captures;
    int64_t bad_opcodes;   /* executed as NOP */
    int64_t bad_addresses; /* data accesses above RAM, read as 0 */
    int64_t stack_lowest;  /* data address of the deepest byte used */
    int64_t ram_end;       /* last data address of RAM */
    int64_t peek[64];
    chip_handler handlers[64];
    int64_t change_count;
    int64_t noise_bursts;
    int64_t noise_dropped; /* bursts left out: too many at once */
    int64_t serial_count;
    int32_t failed;
    char message[256];
} chip_result;
/* cdef end */

#endif
