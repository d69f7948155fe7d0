"""Writing files so that nothing half-written is ever left behind."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from .errors import FolderError


def write_file(path: str | Path, content: str | bytes, *, overwrite: bool = True) -> bool:
    """Write a file through a temporary one in the same folder; return whether it changed.

    A file that already holds the content is left untouched.  Raises FolderError when it exists
    and ``overwrite`` is false, or when it cannot be written.
    """
    path = Path(path)
    raw = content.encode() if isinstance(content, str) else content
    try:
        if path.exists():
            if not overwrite:
                raise FolderError(
                    f"{path}: exists already, nothing was written\n"
                    "    Choose another name, or --force to replace it."
                )
            if path.read_bytes() == raw:
                return False
        path.parent.mkdir(parents=True, exist_ok=True)
        _replace(path, raw)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise FolderError(f"{path}: cannot be written: {reason}") from error
    return True


def _replace(path: Path, raw: bytes) -> None:
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".tmp", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(raw)
        umask = os.umask(0)
        os.umask(umask)
        Path(name).chmod(0o666 & ~umask)
        Path(name).replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(name).unlink()
        raise
