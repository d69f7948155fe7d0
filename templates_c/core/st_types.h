/* Basic types and wrap-safe time arithmetic shared by core and ports.
 *
 * Time is a 32-bit count of timer ticks that wraps; instants are only ever
 * subtracted, and a difference below 2^31 ticks means "not before".
 */
#ifndef ST_TYPES_H
#define ST_TYPES_H

#include <stdbool.h>
#include <stdint.h>

typedef uint32_t st_ticks; /* an instant or a duration, in timer ticks */

#define ST_HALF_RANGE UINT32_C(0x80000000)

/* True when instant a lies before instant b. */
static inline bool st_before(st_ticks a, st_ticks b)
{
    return ((a - b) & ST_HALF_RANGE) != 0U;
}

static inline st_ticks st_later(st_ticks a, st_ticks b)
{
    return st_before(a, b) ? b : a;
}

static inline st_ticks st_earlier(st_ticks a, st_ticks b)
{
    return st_before(a, b) ? a : b;
}

/* floor(value * fraction / 65536) without a 64-bit product; exact for every 32-bit value and 16-bit
 * fraction whose result fits 32 bits. */
uint32_t st_scale_q16(uint32_t value, uint16_t fraction_q16);

/* floor(value / 256) of a signed value above -2^30, without a right shift of a negative number. */
static inline int32_t st_floor_q8(int32_t value)
{
    return (int32_t)(((uint32_t)value + UINT32_C(0x40000000)) >> 8) - INT32_C(0x00400000);
}

#endif
