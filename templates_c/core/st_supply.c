/* Charging time for the measured supply.
 *
 * A coil charges slower from a tired battery.  The table gives the time for equal steps of the port's
 * 10-bit measure; values that no sound supply gives (a broken wire) get the nominal time.  Whatever
 * comes out, the hard limit ends a charge.
 */
#include "st_internal.h"
#include "st_port_flash.h"

#if ST_CFG_DWELL_POINTS

#define ST_SUPPLY_STEP_BITS 10U /* of supply_q4: 64 counts */
#define ST_SUPPLY_SMOOTH_BITS 4U /* a sixteenth of each measure enters: the sag of one charge does not */

static const uint16_t st_dwell_table[ST_CFG_DWELL_POINTS] ST_FLASH = {ST_CFG_DWELL_TABLE};

void st_on_supply(st_core *c, uint16_t counts)
{
    uint16_t const level =
        (uint16_t)((c->supply_q4 - (c->supply_q4 >> ST_SUPPLY_SMOOTH_BITS)) + (counts & 0x3FFU));
    uint8_t const i = (uint8_t)((level >> ST_SUPPLY_STEP_BITS) & 15U);
    uint16_t const rest = level & ((1U << ST_SUPPLY_STEP_BITS) - 1U);
    uint16_t const from = ST_FLASH_U16(&st_dwell_table[i]);
    uint16_t const to = ST_FLASH_U16(&st_dwell_table[i + 1U]);
    uint16_t const apart = (uint16_t)((from > to) ? (from - to) : (to - from));
    uint16_t const part = (uint16_t)(((uint32_t)apart * rest) >> ST_SUPPLY_STEP_BITS);
    c->supply_q4 = level;
    c->dwell_ticks = (uint16_t)((from > to) ? (from - part) : (from + part));
}

#endif
