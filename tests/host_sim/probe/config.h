/* Numbers the bench itself needs; the probe has no plan. */
#ifndef ST_CONFIG_H
#define ST_CONFIG_H

#include <stdint.h>

#define ST_CFG_HARD_LIMIT_TICKS UINT32_C(2000)
#define ST_CFG_GUARD_TICKS UINT32_C(100)

#endif
