/* Flash is part of the one address space, and there is plenty of it. */
#ifndef ST_PORT_FLASH_H
#define ST_PORT_FLASH_H

#define ST_FLASH
#define ST_FLASH_U8(address) (*(address))
#define ST_FLASH_U16(address) (*(address))
#define ST_FLASH_U32(address) (*(address))
#define ST_FLASH_I32(address) (*(address))
#define ST_APART
#define ST_STATE_CLEARED 0
/* Inlined into the endless loop, the parts would leave addresses in registers for good, where a flipped
 * bit stays. */
#define ST_LOOP_PART __attribute__((noinline))
#define ST_STACK_HOME() ((void)0)
#define ST_ROUND

#endif
