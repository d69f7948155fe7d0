/* The state after st_init satisfies the invariant, whatever reset and kept RAM: run, not proved. */
#include <stdio.h>

#include "invariant.h"

static unsigned failures;

static void try_init(st_ticks now, uint32_t period, uint16_t resets, bool valid, bool power_on)
{
    static st_core c;
    st_retained kept = {0U, 0U, 0U};
    if (valid) {
        c.s.mode = (uint8_t)ST_RUN;
        c.s.period_ticks = period;
        kept.resets = resets;
        st_keep(&c, &kept);
    } else {
        kept.period_ticks = period;
        kept.resets = resets;
        kept.check = (uint16_t)period;
    }
    st_init(&c, now, &kept, power_on);
    failures += !invariant(&c);
}

int main(void)
{
    uint32_t const periods[] = {0U, 1U, ST_CFG_PERIOD_MIN_TICKS, ST_CFG_START_LEAVE_TICKS};
    unsigned i;
    for (i = 0U; i < 64U; i++) {
        try_init(UINT32_C(0x04000001) * i, periods[i & 3U], (uint16_t)(i * 1023U), (i & 4U) != 0U,
                 (i & 8U) != 0U);
    }
    printf("%u of 64 states break the invariant\n", failures);
    return (failures == 0U) ? 0 : 1;
}
