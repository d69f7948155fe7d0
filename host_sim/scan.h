/* Reading recordings in blocks: rows or value changes in, level changes of two to four lines out. */
#ifndef SCAN_H
#define SCAN_H
#include <stddef.h>
#include <stdint.h>

/* cdef begin */
typedef struct {
    int32_t time_col;   /* -1: rows are a sample apart */
    int32_t line_col[4]; /* pickup, coil, and of two coils select and phase */
    int32_t lines;       /* how many of them are read */
    int32_t separator;  /* 0: no table */
    int32_t decimal;    /* sign before decimals */
    double time_scale;  /* seconds a unit of the time column, or a row */
    double threshold;   /* a level above it is high */
    char id[4][16];     /* VCD codes of the lines */
    int32_t level[4];   /* -1: not known yet */
    double time_s;      /* of the last row */
    double first_s;
    double step_min_s;
    double step_max_s;
    double run_step_s;  /* step that the last rows kept, and how many of them */
    double even_step_s; /* step of the last longer run of even rows */
    uint64_t run_rows;
    uint64_t rows;
    uint64_t unknown;   /* values that are neither 0 nor 1 (VCD x and z) */
    int32_t in_comment; /* VCD: inside a $... section whose content is skipped */
    int32_t vector;     /* VCD: level of a vector or real value whose code follows; -2 none */
    int32_t error;      /* 0, or SCAN_... */
} scan_state;

size_t scan_size(void);
/* Both read whole lines (tokens) of `text` and stop early when fewer than four places are left in the
 * output; `used` is what they have read.  Returned: number of changes written. */
size_t scan_csv(scan_state *s, const char *text, size_t size, size_t *used, double *at_s,
                uint8_t *line, uint8_t *level, size_t room);
size_t scan_vcd(scan_state *s, const char *text, size_t size, size_t *used, double *at_s,
                uint8_t *line, uint8_t *level, size_t room);
/* cdef end */

#define SCAN_FEW_COLUMNS 1
#define SCAN_NO_NUMBER 2
#define SCAN_BACKWARDS 3
#define SCAN_UNITS 4
#endif
