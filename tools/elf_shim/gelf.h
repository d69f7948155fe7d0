/* The class-independent names live in libelf.h of this shim. */
#include "libelf.h"
