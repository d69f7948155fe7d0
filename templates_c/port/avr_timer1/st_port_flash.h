/* Constant tables stay in flash, read with LPM; in plain const they would be copied to RAM. */
#ifndef ST_PORT_FLASH_H
#define ST_PORT_FLASH_H

#include <avr/io.h>
#include <avr/pgmspace.h>

#define ST_FLASH PROGMEM
#define ST_FLASH_U8(address) pgm_read_byte(address)
#define ST_FLASH_U16(address) pgm_read_word(address)
#define ST_FLASH_U32(address) pgm_read_dword(address)
#define ST_FLASH_I32(address) ((int32_t)pgm_read_dword(address))

/* Copies of a function in every place that calls it cost more flash than the calls. */
#define ST_APART __attribute__((noinline))
#define ST_LOOP_PART

/* Between rounds of the main loop the stack holds nothing but the address main was called from: a stack
 * pointer that an upset has moved is put back.  st_round keeps no register of main's, which has none to
 * lose and, so, no frame. */
#define ST_STACK_HOME() SP = (uint16_t)(RAMEND - ((FLASHEND > 0x1FFFFUL) ? 3U : 2U))
#define ST_ROUND __attribute__((noinline, OS_task))

/* Start-up clears the core's state: another loop that clears memory is one more that code can run into
 * astray, and then clear all of RAM. */
#define ST_STATE_CLEARED 1

#endif
