"""Keep the memory that one block of a run gives back for the next."""

from __future__ import annotations

import ctypes
import functools

# malloc.h of the GNU C library; mallopt(3).
M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3
KEPT_BYTES = 32 << 20


@functools.cache
def keep_freed_memory() -> bool:
    """Let this process keep up to 32 MiB of freed memory; False where the C library cannot.

    By default arrays of 128 KiB and more go back to the kernel, sometimes, and come again page by
    page: a sixth of the time of a streamed run, and another share in every run.
    """
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError, TypeError):  # musl, macOS, Windows
        return False
    done = mallopt(M_MMAP_THRESHOLD, KEPT_BYTES) and mallopt(M_TRIM_THRESHOLD, KEPT_BYTES)
    return bool(done)
