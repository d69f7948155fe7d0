"""If this fails, streamed runs pay for fresh pages again in every block."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

# In a process of its own: what malloc does by default depends on what was freed before.
COUNT_FAULTS = """
import resource, numpy as np
from sparktick.host_sim.memory import keep_freed_memory
assert keep_freed_memory()
np.ones(1 << 17)
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(50):
    np.ones(1 << 17)
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other C libraries have no mallopt")
def test_arrays_of_a_megabyte_come_from_memory_that_is_there() -> None:
    done = subprocess.run(
        [sys.executable, "-c", COUNT_FAULTS], capture_output=True, text=True, check=True
    )
    assert int(done.stdout) < 50  # 256 pages an array else
