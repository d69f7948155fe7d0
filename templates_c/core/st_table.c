/* Delay from angle: straight lines over the period.
 *
 * The wanted advance is made of straight lines over speed, and speed is K / period, so the delay
 * period * (edge - advance) / 360 is itself a straight line over the period between two corners of
 * the curve.  One segment a corner is therefore exact but for the rounding of the slope, whose
 * bound the generator proves over every period and writes into config.h.
 */
#include "st_internal.h"
#include "st_port_flash.h"

typedef struct {
    uint32_t from_ticks;  /* first value this line serves */
    int32_t base_q8;      /* delay there, 1/256 tick, fixed delays already taken off */
    uint16_t slope_q16;   /* 1/65536 tick of delay a tick, times 2^(form & 15) */
    uint16_t form;        /* shift of the slope; 0x8000: the delay falls */
    uint16_t weight_q8;   /* trend weight, 1/256 */
    uint16_t gate_q16;     /* half width of the gate, 1/65536 of the period */
} st_line;

#define ST_LINES (ST_CFG_RUN_LINES + ST_CFG_START_LINES)

/* The delay over the period, then the start delay over the pulse width. */
static const st_line st_lines[ST_LINES] ST_FLASH = {ST_CFG_RUN_TABLE, ST_CFG_START_TABLE};

/* The line from `i` to `end` - 1 that serves `x`; lines ascend, short periods (high speeds) come first. */
static const st_line *st_line_for(uint8_t i, uint8_t end, uint32_t x)
{
    for (i++; i < end; i++) {
        if (x < ST_FLASH_U32(&st_lines[i].from_ticks)) {
            break;
        }
    }
    return &st_lines[i - 1U];
}

/* floor(x * slope / 256) for x below 2^24 and a result, shift included, below 2^30: the generator
 * refuses a table that needs more. */
static uint32_t st_rise_q8(uint32_t x, uint16_t slope)
{
    uint32_t const high = (uint32_t)(uint16_t)(x >> 8) * slope;
    uint32_t const low = (uint32_t)(uint8_t)x * slope;
    return high + (low >> 8);
}

static int32_t st_line_q8(const st_line *line, uint32_t x)
{
    uint32_t const rise = st_rise_q8(x - ST_FLASH_U32(&line->from_ticks), ST_FLASH_U16(&line->slope_q16));
    uint16_t const form = ST_FLASH_U16(&line->form);
    int32_t const base = ST_FLASH_I32(&line->base_q8);
    int32_t const change = (int32_t)(rise << (form & 15U));
    return ((form & 0x8000U) != 0U) ? (base - change) : (base + change);
}

ST_APART st_ticks st_rounded(int32_t ticks_q8)
{
    return (ticks_q8 > 0) ? (((uint32_t)ticks_q8 + 128U) >> 8) : 0U;
}

int32_t st_delay_q8(uint32_t period_ticks)
{
    return st_line_q8(st_line_for(0U, ST_CFG_RUN_LINES, period_ticks), period_ticks);
}

int32_t st_start_delay_q8(uint32_t width_ticks)
{
    return st_line_q8(st_line_for(ST_CFG_RUN_LINES, ST_LINES, width_ticks), width_ticks);
}

st_line_notes st_notes(uint32_t period_ticks)
{
    const st_line *const line = st_line_for(0U, ST_CFG_RUN_LINES, period_ticks);
    st_line_notes notes;
    notes.weight_q8 = ST_FLASH_U16(&line->weight_q8);
    notes.gate_q16 = ST_FLASH_U16(&line->gate_q16);
    return notes;
}

/* CRC-16, polynomial 0x1021, high bit first, a byte at once: the eight shifts folded into three. */
static uint16_t st_crc_step(uint16_t crc, uint8_t byte)
{
    crc = (uint16_t)((uint16_t)(crc >> 8) | (uint16_t)(crc << 8));
    crc = (uint16_t)(crc ^ byte);
    crc = (uint16_t)(crc ^ (uint16_t)((uint8_t)crc >> 4));
    crc = (uint16_t)(crc ^ (uint16_t)((uint16_t)(crc << 8) << 4));
    return (uint16_t)(crc ^ (uint16_t)((uint16_t)((uint8_t)crc << 4) << 1));
}

bool st_table_check(st_table_state *state)
{
    const uint8_t *const bytes = (const uint8_t *)st_lines;
    bool intact = true;
    if (state->place == 0U) {
        state->crc = 0xFFFFU;
    }
    state->crc = st_crc_step(state->crc, ST_FLASH_U8(&bytes[state->place]));
    state->place++;
    if (state->place >= (uint16_t)sizeof st_lines) {
        state->place = 0U;
        intact = state->crc == ST_CFG_TABLE_CRC;
    }
    return intact;
}
