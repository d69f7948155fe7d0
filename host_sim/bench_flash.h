/* Flash access for the host: tables lie in ordinary memory.
 *
 * Given to the compiler before every core file, so that its guard keeps the chip's own header out.
 */
#ifndef ST_PORT_FLASH_H
#define ST_PORT_FLASH_H

#define ST_FLASH
#define ST_FLASH_U8(p) (*(p))
#define ST_FLASH_U16(p) (*(p))
#define ST_FLASH_U32(p) (*(p))
#define ST_FLASH_I32(p) (*(p))
#define ST_APART
#define ST_STATE_CLEARED 0
#define ST_LOOP_PART
#define ST_STACK_HOME() ((void)0)
#define ST_ROUND

#endif
