"""The emulated chip at the clock's own pace, its serial port behind a name like a real one's."""

from __future__ import annotations

import contextlib
import os
import pty
import tty
from collections.abc import Iterator
from pathlib import Path

from sparktick.gen.errors import FolderError

from ..manifest import Manifest
from ..run import Motion
from ..train import pickup_train
from . import simavr
from .base import ChipRun
from .folder import chip_job


@contextlib.contextmanager
def serial_link(name: Path) -> Iterator[int]:
    """Make a pseudo-terminal and ``name`` a link to its near end; yield its far end.

    Raises FolderError when the name is taken.
    """
    far, near = pty.openpty()
    try:
        tty.setraw(near)
        os.set_blocking(far, False)
        try:
            name.symlink_to(os.ttyname(near))
        except OSError as error:
            raise FolderError(f"{name}: cannot be made: {error.strerror}") from None
        yield far
    finally:
        name.unlink(missing_ok=True)
        os.close(near)
        os.close(far)


def run_live(manifest: Manifest, motion: Motion, end_s: float, far: int) -> ChipRun:
    """Run a built folder's image through a motion; it takes ``end_s`` seconds of the real time."""
    train = pickup_train(motion, manifest, end_s)
    return simavr.run(chip_job(manifest, train), live_end=far)
