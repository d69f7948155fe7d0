"""If this fails: an interrupted or refused write leaves a broken or half-written file."""

from __future__ import annotations

from pathlib import Path

import pytest

from sparktick.gen.errors import FolderError
from sparktick.gen.files import write_file


def test_written_whole_and_untouched_when_equal(tmp_path: Path) -> None:
    file = tmp_path / "a" / "b.txt"
    assert write_file(file, "one") is True
    before = file.stat().st_mtime_ns, file.stat().st_ino
    assert write_file(file, b"one") is False
    assert (file.stat().st_mtime_ns, file.stat().st_ino) == before
    assert write_file(file, "two") is True
    assert file.read_text() == "two"
    assert [path.name for path in file.parent.iterdir()] == ["b.txt"]


def test_mode_follows_the_umask(tmp_path: Path) -> None:
    plain, ours = tmp_path / "plain", tmp_path / "ours"
    plain.write_text("x")
    write_file(ours, "x")
    assert ours.stat().st_mode == plain.stat().st_mode


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_interrupted_write_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    file = tmp_path / "b.txt"
    file.write_text("old")

    def broken(self: Path, target: Path) -> None:
        raise error

    monkeypatch.setattr(Path, "replace", broken)
    wanted = FolderError if isinstance(error, OSError) else KeyboardInterrupt
    with pytest.raises(wanted):
        write_file(file, "new")
    assert file.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["b.txt"]


def test_refusals_name_the_file(tmp_path: Path) -> None:
    file = tmp_path / "b.txt"
    file.write_text("old")
    with pytest.raises(FolderError, match=r"b\.txt: exists already"):
        write_file(file, "new", overwrite=False)
    with pytest.raises(FolderError, match="cannot be written"):
        write_file(file / "below.txt", "new")
    with pytest.raises(FolderError, match="cannot be written"):
        write_file(tmp_path, "new")
    assert file.read_text() == "old"
