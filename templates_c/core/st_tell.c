/* Telling: one checksummed text line a few times a second, a byte at a time, when the
 * transmitter has room.
 *
 *   $PSTK,<mode>,<period>,<period>,<width>,<width>,<count 0>, ... ,<count 15>*<sum>\r\n
 *
 * Framing and checksum (exclusive-or of the characters between $ and *, two hex digits) as in
 * NMEA 0183.  Every field is a 16-bit number of four hex digits; period and width (ticks) take two
 * fields each, high half first.  These are copied at the start of a line and each counter when its turn
 * comes, with events held off for that moment only.  No loop: code that ran astray into one that copies
 * would copy over all of RAM.
 */
#include "st_internal.h"
#include "st_port.h"
#include "st_port_flash.h"

#define ST_TELL_STATE 5U /* fields before the counters */
#define ST_TELL_FIELDS (ST_TELL_STATE + (uint8_t)ST_N_COUNT)

typedef struct {
    uint16_t state[ST_TELL_STATE];
    uint16_t field;                 /* being sent: the digit to send next is the highest */
    uint16_t wait;                  /* heartbeats left until the next line */
    uint8_t head;                   /* characters of the heading already sent */
    uint8_t at;                     /* field being sent; past the last, the tail */
    uint8_t digit;                  /* characters of it already sent */
    uint8_t sum;
} st_teller;

static st_teller st_told;

static const uint8_t st_heading[5] ST_FLASH = {36U, 80U, 83U, 84U, 75U}; /* "$PSTK" */

static void st_snapshot(void)
{
    const st_core *const c = &st_the_core;
    st_port_events_off();
    st_told.state[0] = c->s.mode;
    st_told.state[1] = (uint16_t)(c->s.period_ticks >> 16);
    st_told.state[2] = (uint16_t)c->s.period_ticks;
    st_told.state[3] = (uint16_t)(c->width_ticks >> 16);
    st_told.state[4] = (uint16_t)c->width_ticks;
    st_port_events_on();
}

static uint16_t st_field(uint8_t at)
{
    uint16_t count;
    if (at < ST_TELL_STATE) {
        return st_told.state[at];
    }
    st_port_events_off();
    count = st_the_core.count[at - ST_TELL_STATE];
    st_port_events_on();
    return count;
}

static uint8_t st_hex(uint8_t nibble)
{
    nibble &= 0xFU;
    return (uint8_t)(nibble + ((nibble < 10U) ? 48U : 55U)); /* '0'.. and 'A'.. */
}

static uint8_t st_tail(uint8_t place)
{
    if (place == 0U) {
        return 42U; /* '*' */
    }
    if (place < 3U) {
        return st_hex((place == 1U) ? (uint8_t)(st_told.sum >> 4) : st_told.sum);
    }
    return (place == 3U) ? 13U : 10U; /* carriage return, line feed */
}

static uint8_t st_character(void)
{
    if (st_told.head < sizeof st_heading) {
        return ST_FLASH_U8(&st_heading[st_told.head]);
    }
    if (st_told.at >= ST_TELL_FIELDS) {
        return st_tail(st_told.digit);
    }
    return (st_told.digit == 0U) ? 44U : st_hex((uint8_t)(st_told.field >> 12)); /* ',' */
}

static void st_advance(uint8_t sent)
{
    bool const last = st_told.at >= ST_TELL_FIELDS;
    if (st_told.head < sizeof st_heading) {
        st_told.head++;
        st_told.sum = (uint8_t)((st_told.head == 1U) ? 0U : (st_told.sum ^ sent));
        return;
    }
    if (!last) {
        st_told.sum = (uint8_t)(st_told.sum ^ sent);
        st_told.field = (uint16_t)((st_told.digit == 0U) ? st_field(st_told.at) : (st_told.field << 4));
    }
    st_told.digit++;
    if (st_told.digit == 5U) {
        st_told.digit = 0U;
        st_told.at++;
        if (last) {
            st_told.at = 0U;
            st_told.head = 0U;
            st_told.wait = ST_CFG_TELL_HEARTBEATS;
        }
    }
}

void st_tell_wait(uint8_t heartbeats)
{
    st_told.wait = (heartbeats < st_told.wait) ? (uint16_t)(st_told.wait - heartbeats) : 0U;
}

ST_LOOP_PART void st_tell(void)
{
    uint8_t character;
    if (st_told.wait != 0U) {
        return;
    }
    if (st_told.head == 0U) {
        st_snapshot();
    }
    character = st_character();
    if (st_port_send(character)) {
        st_advance(character);
    }
}
