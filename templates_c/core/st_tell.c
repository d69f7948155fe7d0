/* Telling: one checksummed text line a few times a second, a byte at a time, when the
 * transmitter has room.
 *
 *   $PSTK,<mode>,<period>,<width>,<seal>,<count 0>, ... ,<count 15>*<sum>\r\n
 *
 * Framing and checksum (exclusive-or of the characters between $ and *, two hex digits) as in
 * NMEA 0183; all numbers in hexadecimal, times in ticks.  The numbers are copied at the start of
 * a line, with events held off for that moment only.
 */
#include "st_internal.h"
#include "st_port.h"

#define ST_TELL_FIELDS (3U + (uint8_t)ST_N_COUNT)

typedef struct {
    uint32_t field[3];
    uint16_t count[ST_N_COUNT];
    uint8_t wait;  /* heartbeats left until the next line */
    uint8_t part;  /* 0 heading, then fields, then the tail */
    uint8_t step;  /* character within the part */
    uint8_t sum;
} st_teller;

static st_teller st_told;

static const char st_heading[] = "$PSTK";

static char st_hex(uint8_t nibble)
{
    return "0123456789ABCDEF"[nibble & 0xFU];
}

static void st_snapshot(void)
{
    uint8_t i;
    st_port_events_off();
    st_told.field[0] = st_the_core.s.mode;
    st_told.field[1] = st_the_core.s.period_ticks;
    st_told.field[2] = st_the_core.width_ticks;
    for (i = 0U; i < (uint8_t)ST_N_COUNT; i++) {
        st_told.count[i] = st_the_core.count[i];
    }
    st_port_events_on();
}

static uint32_t st_field(uint8_t index)
{
    return (index < 3U) ? st_told.field[index] : st_told.count[index - 3U];
}

/* Digits of a field: counters have four, ticks six, the mode one. */
static uint8_t st_digits(uint8_t index)
{
    if (index == 0U) {
        return 1U;
    }
    return (index < 3U) ? 6U : 4U;
}

static bool st_put(char ch, bool summed)
{
    if (!st_port_send((uint8_t)ch)) {
        return false;
    }
    if (summed) {
        st_told.sum = (uint8_t)(st_told.sum ^ (uint8_t)ch);
    }
    st_told.step++;
    return true;
}

static void st_next_part(void)
{
    st_told.part++;
    st_told.step = 0U;
}

static void st_tell_field(uint8_t index)
{
    uint8_t const digits = st_digits(index);
    if (st_told.step == 0U) {
        (void)st_put(',', true);
    } else {
        uint8_t const shift = (uint8_t)(4U * (uint8_t)(digits - st_told.step));
        (void)st_put(st_hex((uint8_t)((st_field(index) >> shift) & 0xFU)), true);
    }
    if (st_told.step > digits) {
        st_next_part();
    }
}

static void st_tell_tail(void)
{
    char ch = '\n';
    if (st_told.step == 0U) {
        ch = '*';
    } else if (st_told.step == 1U) {
        ch = st_hex(st_told.sum >> 4);
    } else if (st_told.step == 2U) {
        ch = st_hex(st_told.sum & 0xFU);
    } else if (st_told.step == 3U) {
        ch = '\r';
    } else {
        ch = '\n';
    }
    (void)st_put(ch, false);
    if (st_told.step > 4U) {
        st_told.part = 0U;
        st_told.step = 0U;
        st_told.wait = ST_CFG_TELL_HEARTBEATS;
    }
}

static void st_tell_heading(void)
{
    if (st_told.step == 0U) {
        st_snapshot();
    }
    if (st_put(st_heading[st_told.step], st_told.step != 0U) && (st_told.step == 1U)) {
        st_told.sum = 0U;
    }
    if (st_told.step >= (uint8_t)(sizeof st_heading - 1U)) {
        st_next_part();
    }
}

void st_tell_wait(uint8_t heartbeats)
{
    st_told.wait = (heartbeats < st_told.wait) ? (uint8_t)(st_told.wait - heartbeats) : 0U;
}

void st_tell(void)
{
    if (st_told.part > ST_TELL_FIELDS) {
        st_tell_tail();
    } else if (st_told.part > 0U) {
        st_tell_field((uint8_t)(st_told.part - 1U));
    } else if (st_told.wait == 0U) {
        st_tell_heading();
    } else { /* between lines */
    }
}
