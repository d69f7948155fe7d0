/* A stand-in for the timing core: it writes down every event and orders what a script says.
 *
 * The test reaches `words` as an array of 32-bit numbers: [0] entries in the log, [1] next script
 * line, then SCRIPT lines of five, then LOG entries of four.  Line n is ordered after event n
 * (line 0 after start): coil order and its distance from now, capture order, alarm on and distance.
 */
#ifndef ST_CORE_H
#define ST_CORE_H

#include <stdbool.h>
#include <stdint.h>

#define ST_CORE_VERSION 1
#define PROBE_SCRIPT 32
#define PROBE_LOG 512
#define PROBE_NOTHING 255U /* leave that order as it is */

typedef uint32_t st_ticks;

typedef enum {
    ST_STOPPED = 0,
    ST_WARM = 1,
    ST_FIRST = 2,
    ST_START = 3,
    ST_LOCKING = 4,
    ST_RUN = 5
} st_mode;

typedef enum { ST_PH_CLOSED = 0, ST_PH_LOOK = 1, ST_PH_HOLD = 2, ST_PH_STORM = 3 } st_phase;
typedef enum { ST_N_PULSE = 0, ST_N_SPARK = 1, ST_N_COUNT = 2 } st_counter;
typedef enum { ST_COIL_IDLE = 0, ST_COIL_ON_AT = 1, ST_COIL_OFF_AT = 2 } st_coil_order;
typedef enum { ST_CAPTURE_MASKED = 0, ST_CAPTURE_LEAD = 1, ST_CAPTURE_TRAIL = 2 } st_capture;

typedef struct {
    st_ticks coil_at;
    st_ticks alarm_at;
    uint8_t coil;
    uint8_t capture;
    bool coil_fresh;
    bool alarm_on;
    bool alarm_fresh;
    bool capture_fresh;
} st_orders;

typedef struct {
    uint32_t resets;
} st_retained;

typedef struct {
    uint8_t mode;
    uint8_t missing; /* never: no pulse is bridged */
} st_sealed;

typedef struct {
    uint32_t words[2 + (PROBE_SCRIPT * 5) + (PROBE_LOG * 4)];
    st_sealed s;
    uint8_t phase;
    uint8_t to_settle; /* never: all is ordered at once */
    st_orders orders;
    uint16_t count[ST_N_COUNT];
} st_core;

void st_init(st_core *c, st_ticks now, st_retained *kept, bool power_on);
void st_on_capture(st_core *c, st_ticks at, st_ticks now);
void st_on_alarm(st_core *c, st_ticks now, bool active);
void st_on_coil(st_core *c, st_ticks at, bool on);
void st_on_forced_off(st_core *c, st_ticks at);
void st_on_poll(st_core *c, st_ticks now, bool active);
void st_settle(st_core *c);
void st_keep(const st_core *c, st_retained *kept);

#endif
