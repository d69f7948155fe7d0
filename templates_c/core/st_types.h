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

/* floor(value * fraction / 65536) without a 64-bit product; exact for every
 * 32-bit value and 16-bit fraction whose result fits 32 bits. */
static inline uint32_t st_scale_q16(uint32_t value, uint16_t fraction_q16)
{
    return ((value >> 16) * fraction_q16) + (((value & 0xFFFFU) * (uint32_t)fraction_q16) >> 16);
}

/* floor(value * factor / 256); value below 2^24. */
static inline uint32_t st_scale_q8(uint32_t value, uint16_t factor_q8)
{
    return ((value >> 8) * factor_q8) + (((value & 0xFFU) * (uint32_t)factor_q8) >> 8);
}

#endif
