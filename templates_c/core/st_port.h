/* The contract between the core and a port.  Two halves.
 *
 * A port is one folder: st_port_flash.h, st_port.c (registers, interrupt handlers) and, where the
 * chip needs it, start-up code.  It owns the timer, the pins and the watchdog, and nothing else.
 * st_port_flash.h tells how constants are kept and read (ST_FLASH*), what marks a function that is not
 * to be copied into its callers (ST_APART; empty where flash is plenty) or a part of the main loop
 * (ST_LOOP_PART; noinline where the compiler would keep its addresses in registers for good, where a
 * flipped bit stays), whether start-up has cleared the state before st_init (ST_STATE_CLEARED; else
 * st_init does), and what puts the stack pointer back to where it lies between two rounds of the main
 * loop (ST_STACK_HOME, with ST_ROUND for the function that is a round; empty where the port does not).
 *
 * Event handlers of a port, all at one interrupt level so that they never nest:
 *   capture   -> st_on_capture(core, captured instant, now)
 *   alarm     -> st_on_alarm(core, now, st_port_active())
 *   compare   -> st_on_coil(core, ordered instant, switched on?)
 * each followed by st_port_apply(core), st_settle(core), st_port_apply(core).  A compare that has
 * already matched is told before any other event, so that the core never works on a coil state that
 * is out of date.  An alarm that finds an edge waiting to be told, after it has read the level, is
 * dropped: the edge goes first and orders an alarm of its own.
 */
#ifndef ST_PORT_H
#define ST_PORT_H

#include "st_core.h"

/* ---- The port implements -------------------------------------------------------------------- */

/* Outputs safe, clocks, timer, watchdog on; interrupts still off.  Main context, once. */
void st_port_init(void);

/* True when the reset was a power-on: kept RAM holds nothing.  Never true once started. */
bool st_port_power_on(void);

/* Start-up is over: let events in.  Code that an upset has thrown into start-up, without a reset, may
 * be halted here instead. */
void st_port_started(void);

/* The RAM that start-up leaves alone. */
st_retained *st_port_retained(void);

/* Let events in, or hold them off; main context.  Held for microseconds only. */
void st_port_events_on(void);
void st_port_events_off(void);

/* The tick counter now, 32 bit; events held off. */
st_ticks st_port_now(void);

/* Pickup level, true = magnet there; majority of three reads.  Any context, never blocks. */
bool st_port_active(void);

#if ST_CFG_TWO_COILS
/* Level of the phase sensor, true = second cylinder's pulse; majority of three reads.  Read just
 * before each st_on_alarm into core->second_there (the core's main loop does it before st_on_poll). */
bool st_port_second(void);
#endif

#if ST_CFG_DWELL_POINTS
/* Supply in 10 bits of the measuring range: the conversion finished last; begins the next.  Main
 * context, about once a millisecond, never blocks. */
uint16_t st_port_supply(void);
#endif

/* Arm capture, alarm and coil as ordered; clears the *_fresh flags.  Events held off.  With two coils
 * the select output follows orders.second, changed only while the coil output is off. */
void st_port_apply(st_core *core);

/* Write direction, output, timer and mask registers again; events held off. */
void st_port_refresh(void);

/* Restart the watchdog.  Called from the main loop only, when both halves proved alive. */
void st_port_feed_watchdog(void);

/* Heartbeats since the last call (about one a millisecond, counted by an interrupt). */
uint8_t st_port_heartbeats(void);

/* Put one byte into the serial transmitter if it is free; false if not.  Never blocks. */
bool st_port_send(uint8_t byte);

/* True once after the port's independent guard has forced the coil off.  Events held off. */
bool st_port_forced_off(void);

/* Light for static timing. */
void st_port_lamp(bool on);

/* Stop for good with the outputs safe until the watchdog resets the chip. */
void st_port_halt(void);

/* ---- The core implements -------------------------------------------------------------------- */

/* The one state struct; the port's handlers pass it to the event functions. */
extern st_core st_the_core;

/* A text line about counters and speed, a byte a call; see st_tell.c.  Main context. */
void st_tell(void);

#endif
