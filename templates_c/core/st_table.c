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
    int32_t slope_q16;    /* 1/65536 tick of delay a tick; magnitude below 1 */
    uint16_t weight_q8;   /* trend weight, 1/256 */
} st_line;

static const st_line st_run_lines[ST_CFG_RUN_LINES] ST_FLASH = {ST_CFG_RUN_TABLE};
static const st_line st_start_lines[ST_CFG_START_LINES] ST_FLASH = {ST_CFG_START_TABLE};

/* Index of the line that serves `x`; lines ascend, short periods (high speeds) come first. */
static uint8_t st_line_for(const st_line *lines, uint8_t count, uint32_t x)
{
    uint8_t i = 0U;
    while (((uint8_t)(i + 1U) < count) && (x >= ST_FLASH_U32(&lines[i + 1U].from_ticks))) {
        i++;
    }
    return i;
}

/* x * slope / 256 for slope = slope_q16 / 65536 of magnitude below ST_CFG_SLOPE_LIMIT. */
static int32_t st_rise_q8(uint32_t x, int32_t slope_q16)
{
    uint32_t const magnitude = (slope_q16 < 0) ? (uint32_t)(-slope_q16) : (uint32_t)slope_q16;
    uint32_t const high = (x >> 16) * magnitude;
    uint32_t const low = (x & 0xFFFFU) * (magnitude & 0xFFFFU);
    uint32_t const top = ((x & 0xFFFFU) * (magnitude >> 16)) << 8;
    uint32_t const rise = (high << 8) + (low >> 8) + top;
    return (slope_q16 < 0) ? -(int32_t)rise : (int32_t)rise;
}

static int32_t st_line_q8(const st_line *lines, uint8_t count, uint32_t x)
{
    const st_line *const line = &lines[st_line_for(lines, count, x)];
    uint32_t const from = ST_FLASH_U32(&line->from_ticks);
    uint32_t const along = (x > from) ? (x - from) : 0U;
    return ST_FLASH_I32(&line->base_q8) + st_rise_q8(along, ST_FLASH_I32(&line->slope_q16));
}

int32_t st_delay_q8(uint32_t period_ticks)
{
    return st_line_q8(st_run_lines, ST_CFG_RUN_LINES, period_ticks);
}

int32_t st_start_delay_q8(uint32_t width_ticks)
{
    return st_line_q8(st_start_lines, ST_CFG_START_LINES, width_ticks);
}

uint16_t st_trend_weight_q8(uint32_t period_ticks)
{
    uint8_t const i = st_line_for(st_run_lines, ST_CFG_RUN_LINES, period_ticks);
    return ST_FLASH_U16(&st_run_lines[i].weight_q8);
}

static uint16_t st_crc_step(uint16_t crc, uint8_t byte)
{
    uint8_t bit;
    crc = (uint16_t)(crc ^ ((uint16_t)byte << 8));
    for (bit = 0U; bit < 8U; bit++) {
        bool const top = (crc & 0x8000U) != 0U;
        crc = (uint16_t)(crc << 1);
        if (top) {
            crc = (uint16_t)(crc ^ 0x1021U);
        }
    }
    return crc;
}

static uint16_t st_crc_u32(uint16_t crc, uint32_t value)
{
    crc = st_crc_step(crc, (uint8_t)(value >> 24));
    crc = st_crc_step(crc, (uint8_t)(value >> 16));
    crc = st_crc_step(crc, (uint8_t)(value >> 8));
    return st_crc_step(crc, (uint8_t)value);
}

/* CRC-16 (polynomial 0x1021, start 0xFFFF) over both tables, number by number, high byte first, so
 * that padding and byte order of the chip do not enter.  One line a call keeps the main loop quick. */
uint16_t st_table_crc(uint16_t crc, uint8_t index)
{
    const st_line *const line = (index < ST_CFG_RUN_LINES)
                                    ? &st_run_lines[index]
                                    : &st_start_lines[index - ST_CFG_RUN_LINES];
    crc = st_crc_u32(crc, ST_FLASH_U32(&line->from_ticks));
    crc = st_crc_u32(crc, (uint32_t)ST_FLASH_I32(&line->base_q8));
    crc = st_crc_u32(crc, (uint32_t)ST_FLASH_I32(&line->slope_q16));
    return st_crc_u32(crc, ST_FLASH_U16(&line->weight_q8));
}

bool st_table_intact(void)
{
    uint16_t crc = 0xFFFFU;
    uint8_t i;
    for (i = 0U; i < (uint8_t)(ST_CFG_RUN_LINES + ST_CFG_START_LINES); i++) {
        crc = st_table_crc(crc, i);
    }
    return crc == ST_CFG_TABLE_CRC;
}
