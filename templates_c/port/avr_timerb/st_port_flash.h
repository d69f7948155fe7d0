/* Constant tables stay in flash, read with LPM; in plain const they would be copied to RAM. */
#ifndef ST_PORT_FLASH_H
#define ST_PORT_FLASH_H

#include <avr/pgmspace.h>

#define ST_FLASH PROGMEM
#define ST_FLASH_U8(address) pgm_read_byte(address)
#define ST_FLASH_U16(address) pgm_read_word(address)
#define ST_FLASH_U32(address) pgm_read_dword(address)
#define ST_FLASH_I32(address) ((int32_t)pgm_read_dword(address))

/* Copies of a function in every place that calls it cost more flash than the calls. */
#define ST_APART __attribute__((noinline))
#define ST_LOOP_PART
#define ST_STACK_HOME() ((void)0)
#define ST_ROUND

/* Start-up clears the core's state: another loop that clears memory is one more that code can run into
 * astray, and then clear all of RAM. */
#define ST_STATE_CLEARED 1

#endif
