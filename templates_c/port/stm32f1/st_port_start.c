/* Vector table and start-up.  Every vector that nothing should reach ends in a halt with the outputs
 * safe, and so in a reset by the watchdog; NMI too, which tells that the crystal has stopped. */
#include <stddef.h>

#include "st_port.h"
#include "st_port_regs.h"

extern uint32_t st_stack_top[], st_data_from[], st_data_begin[], st_data_end[], st_bss_begin[], st_bss_end[];
int main(void);
void st_reset(void);
void *memset(void *to, int value, size_t size);
void *memcpy(void *restrict to, const void *restrict from, size_t size);

typedef void (*st_vector)(void);
typedef struct {
    uint32_t *stack;
    st_vector entry[15 + 43]; /* PM0056 2.3.4; RM0008 table 63, medium density */
} st_vectors;

#define ST_BAD st_port_halt
#define ST_BAD_5 ST_BAD, ST_BAD, ST_BAD, ST_BAD, ST_BAD

__attribute__((section(".vectors"), used)) const st_vectors st_vector_table = {
    st_stack_top,
    {st_reset, ST_BAD, ST_BAD, ST_BAD_5, ST_BAD_5, ST_BAD, st_systick, /* exceptions 1..15 */
     ST_BAD_5, ST_BAD_5, ST_BAD_5, ST_BAD_5, ST_BAD_5, ST_BAD_5,      /* interrupts 0..29 */
     st_tim4,                                                          /* 30 */
     ST_BAD_5, ST_BAD_5, ST_BAD, ST_BAD},
};

/* Entered by the reset vector with the stack set.  The coil is made safe before RAM is touched. */
void st_reset(void)
{
    uint32_t const *from = st_data_from;
    uint32_t *to;
    int (*volatile const enter)(void) = main; /* kept a function of its own, which tools can find */
    st_early();
    for (to = st_data_begin; to < st_data_end; to++) {
        *to = *from++;
    }
    for (to = st_bss_begin; to < st_bss_end; to++) {
        *to = 0U;
    }
    (void)enter();
    st_port_halt();
}

/* The compiler may call these for struct copies; there is no C library. */
void *memset(void *to, int value, size_t size)
{
    uint8_t *put = to;
    while (size-- != 0U) {
        *put++ = (uint8_t)value;
    }
    return to;
}

void *memcpy(void *restrict to, const void *restrict from, size_t size)
{
    uint8_t *put = to;
    uint8_t const *get = from;
    while (size-- != 0U) {
        *put++ = *get++;
    }
    return to;
}
