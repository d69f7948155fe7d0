/* Template: how constants in flash are read.  On chips that see flash as ordinary memory, as here. */
#ifndef ST_PORT_FLASH_H
#define ST_PORT_FLASH_H

#define ST_FLASH
#define ST_FLASH_U8(address) (*(address))
#define ST_FLASH_U16(address) (*(address))
#define ST_FLASH_U32(address) (*(address))
#define ST_FLASH_I32(address) (*(address))
#define ST_APART
#define ST_STATE_CLEARED 0
#define ST_LOOP_PART
#define ST_STACK_HOME() ((void)0)
#define ST_ROUND

#endif
