/* What both emulator wrappers write down. */
#ifndef SPARKTICK_CHIP_RECORD_H
#define SPARKTICK_CHIP_RECORD_H

#include <stddef.h>

#include "chip_io.h"

#ifdef __cplusplus
extern "C" {
#endif

typedef struct {
    const chip_job *job;
    chip_result *result;
    chip_change *changes;
    size_t changes_room;
    uint8_t *serial;
    size_t serial_room;
    int coil_on[CHIP_COILS];
    int coil_driven_off[CHIP_COILS];
    int64_t raised_at[CHIP_VECTORS]; /* -1 when not waiting */
    int64_t entered_at[CHIP_VECTORS];
    uint8_t nesting[CHIP_VECTORS];
    int depth;
    int64_t unsafe_since; /* a reset after which no coil pin was driven yet, -1 none */
} chip_record;

void chip_record_begin(chip_record *r, const chip_job *job, chip_result *result);
void chip_record_end(chip_record *r);

/* A pin that is not driven counts as off: the gate has a pull-down (or, for an active-low
 * driver, a pull-up). */
void chip_record_coil(chip_record *r, int64_t cycle, int channel, int driven, int level);
void chip_record_serial(chip_record *r, uint8_t byte);
void chip_record_reset(chip_record *r, int64_t cycle, int kind);

/* A level of the pickup line, noise included. */
void chip_record_line(chip_record *r, int64_t cycle, int level);

void chip_record_raised(chip_record *r, int64_t cycle, int vector);
void chip_record_withdrawn(chip_record *r, int vector);
void chip_record_entered(chip_record *r, int64_t cycle, int vector);
void chip_record_left(chip_record *r, int64_t cycle);

/* The next value of the generator that fills RAM at power-on. */
uint8_t chip_random_byte(uint64_t *state);

#ifdef __cplusplus
}
#endif
#endif
