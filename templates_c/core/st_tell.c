/* Telling: one checksummed text line a few times a second, a byte at a time, when the
 * transmitter has room.
 *
 *   $PSTK,<mode>,<period>,<period>,<width>,<width>,<count 0>, ... ,<count 15>*<sum>\r\n
 *
 * Framing and checksum (exclusive-or of the characters between $ and *, two hex digits) as in
 * NMEA 0183.  Every field is a 16-bit number of four hex digits; period and width (ticks) take two
 * fields each, high half first.  The numbers are copied at the start of a line, with events held off
 * for that moment only.
 */
#include "st_internal.h"
#include "st_port.h"

#define ST_TELL_FIELDS (5U + (uint8_t)ST_N_COUNT)
#define ST_TELL_HEADING 5U                                        /* characters of $PSTK */
#define ST_TELL_TAIL (ST_TELL_HEADING + (5U * ST_TELL_FIELDS))    /* place of the asterisk */

typedef struct {
    uint16_t field[ST_TELL_FIELDS];
    uint16_t wait; /* heartbeats left until the next line */
    uint8_t place; /* characters of the line already sent */
    uint8_t sum;
} st_teller;

static st_teller st_told;

static void st_snapshot(void)
{
    uint8_t i;
    st_port_events_off();
    st_told.field[0] = st_the_core.s.mode;
    st_told.field[1] = (uint16_t)(st_the_core.s.period_ticks >> 16);
    st_told.field[2] = (uint16_t)st_the_core.s.period_ticks;
    st_told.field[3] = (uint16_t)(st_the_core.width_ticks >> 16);
    st_told.field[4] = (uint16_t)st_the_core.width_ticks;
    for (i = 0U; i < (uint8_t)ST_N_COUNT; i++) {
        st_told.field[5U + i] = st_the_core.count[i];
    }
    st_port_events_on();
    st_told.sum = 0U;
}

static uint8_t st_hex(uint8_t nibble)
{
    nibble &= 0xFU;
    return (uint8_t)(nibble + ((nibble < 10U) ? 48U : 55U)); /* '0'.. and 'A'.. */
}

/* A comma, then the four digits of a field. */
static uint8_t st_field_character(uint8_t place)
{
    uint8_t const digit = (uint8_t)(place % 5U);
    uint16_t value = st_told.field[(place / 5U) % ST_TELL_FIELDS];
    uint8_t i;
    if (digit == 0U) {
        return 44U; /* ',' */
    }
    for (i = digit; i < 4U; i++) {
        value = (uint16_t)(value >> 4);
    }
    return st_hex((uint8_t)value);
}

static uint8_t st_character(uint8_t place)
{
    static const uint8_t heading[ST_TELL_HEADING] = {36U, 80U, 83U, 84U, 75U}; /* "$PSTK" */
    if (place < ST_TELL_HEADING) {
        return heading[place];
    }
    if (place < ST_TELL_TAIL) {
        return st_field_character((uint8_t)(place - ST_TELL_HEADING));
    }
    switch (place - ST_TELL_TAIL) {
    case 0U:
        return 42U; /* '*' */
    case 1U:
        return st_hex((uint8_t)(st_told.sum >> 4));
    case 2U:
        return st_hex(st_told.sum);
    case 3U:
        return 13U; /* carriage return */
    default:
        return 10U; /* line feed */
    }
}

void st_tell_wait(uint8_t heartbeats)
{
    st_told.wait = (heartbeats < st_told.wait) ? (uint16_t)(st_told.wait - heartbeats) : 0U;
}

void st_tell(void)
{
    uint8_t const place = st_told.place;
    uint8_t character;
    if (st_told.wait != 0U) {
        return;
    }
    if (place == 0U) {
        st_snapshot();
    }
    character = st_character(place);
    if (!st_port_send(character)) {
        return;
    }
    if ((place != 0U) && (place < ST_TELL_TAIL)) {
        st_told.sum = (uint8_t)(st_told.sum ^ character);
    }
    st_told.place = (uint8_t)(place + 1U);
    if (st_told.place > (ST_TELL_TAIL + 4U)) {
        st_told.place = 0U;
        st_told.wait = ST_CFG_TELL_HEARTBEATS;
    }
}
