"""If this fails: a firmware folder is not what its description says, or files get lost."""

from __future__ import annotations

import itertools
import json
import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from sparktick.gen.cli import cli
from sparktick.gen.errors import FolderError
from sparktick.gen.pipeline import generate, make_plan
from sparktick.gen.render import core_names, read_manifest, render_files, write_folder

ROOT = Path(__file__).parents[2]
EXAMPLES = ROOT / "examples"
GOLDEN = ROOT / "tests" / "golden"
PLOVER = EXAMPLES / "plover.toml"


def run(*args: str | Path) -> tuple[int, str, str]:
    result = CliRunner().invoke(cli, [str(arg) for arg in args])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def near(found: Any, wanted: Any) -> bool:
    """Equal, floats within what another NumPy or SciPy may round otherwise."""
    if isinstance(wanted, dict):
        return list(found) == list(wanted) and all(near(found[k], wanted[k]) for k in wanted)
    if isinstance(wanted, list):
        return len(found) == len(wanted) and all(map(near, found, wanted))
    if isinstance(wanted, float):
        return bool(found == pytest.approx(wanted, rel=1e-6, abs=1e-6))
    return bool(found == wanted)


@pytest.mark.parametrize("name", ["avocet", "plover", "teal"])
def test_golden_numbers(name: str, made_folders: dict[str, Path]) -> None:
    """`make golden` writes them again; read the difference before you commit it."""
    made, golden = made_folders[name], GOLDEN / name
    assert (made / "src" / "config.h").read_text() == (golden / "config.h").read_text()
    wanted = json.loads((golden / "manifest.json").read_text())
    assert near(read_manifest(made), wanted), "manifest.json differs: make golden; git diff"


def test_every_example_has_golden_numbers() -> None:
    examples = {path.stem for path in EXAMPLES.glob("*.toml")}
    assert {path.name for path in GOLDEN.iterdir()} == examples


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_same_description_gives_the_same_bytes(
    tmp_path: Path, made_folders: dict[str, Path]
) -> None:
    """Also in another process, with other hash seeds, from another layout of the description."""
    other = tmp_path / "other.toml"
    other.write_text("# moved\n\n" + PLOVER.read_text().replace("bore_mm = 33.0", "bore_mm=33"))
    code = (
        "import sys; from pathlib import Path; from sparktick.gen.pipeline import generate;"
        "generate(Path(sys.argv[1]), Path(sys.argv[2]))"
    )
    subprocess.run(
        [sys.executable, "-c", code, str(other), str(tmp_path / "again")],
        check=True,
        env={**os.environ, "PYTHONHASHSEED": "1", "LC_ALL": "C", "TZ": "Asia/Tokyo"},
    )
    assert contents(tmp_path / "again") == contents(made_folders["plover"])


def test_folder_is_complete_and_names_no_place(made_folders: dict[str, Path]) -> None:
    files = contents(made_folders["plover"])
    templates = ROOT / "templates_c"
    folders = ("core", "port/avr_timer1", "port/shared")
    sources = [path for folder in folders for path in templates.glob(f"{folder}/*.[ch]")]
    assert set(files) == {f"src/{path.name}" for path in sources} | {
        "src/config.h",
        "src/unused_flash.ld",
        "Makefile",
        "README.md",
        "platformio.ini",
        "platformio_link.py",
        "manifest.json",
    }
    for name, raw in files.items():
        text = raw.decode()
        assert str(Path.home()) not in text, name
        assert str(ROOT) not in text, name
        assert not re.search(r"[ \t]+$", text, re.MULTILINE), f"{name}: blanks at a line's end"
        assert text.endswith("\n"), name
        assert not re.search(r"\bNone\b|\{\{|\{%|nan\b|inf\b", text), name
    for path in sources:
        assert files[f"src/{path.name}"] == path.read_bytes()


@pytest.mark.parametrize("name", ["plover", "teal"])
def test_readme_tells_pins_counters_and_dangers(name: str, made_folders: dict[str, Path]) -> None:
    text = (made_folders[name] / "README.md").read_text()
    board = make_plan(EXAMPLES / f"{name}.toml").design.board
    not_wired = {"coil_select", "phase", "supply"}  # neither example has a use for them
    for use, pin in board.pins.named().items():
        if use in not_wired:
            continue
        assert re.search(rf"^\| {pin.printed} \| {pin.chip_name}", text, re.MULTILINE)
    for number, counter, _ in core_names("st_counter", "ST_N_"):
        assert re.search(rf"^\| {number + 6} \| \*\*{counter}\*\*: ", text, re.MULTILINE)
    for fuse in board.fuse:
        assert f"fuse:w:0x{fuse.value:02X}:m" in text
    for way in board.upload:
        assert f"make flash-{way.name}" in text
        assert f"pio run -e {way.name} " in text
    for word in ("high voltage", "propeller", "fuel vapour", "local rules", "brown-out"):
        assert word in text.lower()


def test_readme_has_no_row_outside_a_table(made_folders: dict[str, Path]) -> None:
    """A row right after a paragraph, or a table cut by a blank line, is not shown as a table."""
    lines = (made_folders["plover"] / "README.md").read_text().splitlines()
    for before, line in itertools.pairwise(lines):
        if line.startswith("|") and not before.startswith("|"):
            assert before == ""
    separators = [i for i, line in enumerate(lines) if re.fullmatch(r"\|(-+\|)+", line)]
    heads = [
        i
        for i, line in enumerate(lines)
        if line.startswith("|") and not lines[i - 1].startswith("|")
    ]
    assert [i + 1 for i in heads] == separators


def test_core_names_are_all_found() -> None:
    header = (ROOT / "templates_c" / "core" / "st_core.h").read_text()
    count = re.search(r"ST_N_COUNT = (\d+)", header)
    assert count is not None
    assert [number for number, _, _ in core_names("st_counter", "ST_N_")] == list(
        range(int(count[1]))
    )
    assert core_names("st_mode", "ST_")[-1][:2] == (5, "run")


def test_never_overwritten_without_force(tmp_path: Path, made_folders: dict[str, Path]) -> None:
    folder = Path(shutil.copytree(made_folders["plover"], tmp_path / "fw"))
    (folder / "src" / "st_coil.c").write_text("mine")
    before = contents(folder)
    code, _, err = run("generate", PLOVER, folder)
    assert code == 2
    assert "--force" in err
    assert contents(folder) == before
    assert run("generate", PLOVER, folder, "--force")[0] == 0
    assert contents(folder) == contents(made_folders["plover"])


def test_force_keeps_what_is_not_ours(folder: Path) -> None:
    (folder / ".git").mkdir()
    (folder / ".git" / "HEAD").write_text("ref")
    (folder / "notes.txt").write_text("mine")
    (folder / "link").symlink_to("notes.txt")
    (folder / "build").mkdir()
    (folder / "build" / "firmware.hex").write_text("old")
    generate(PLOVER, folder, force=True)
    assert (folder / ".git" / "HEAD").read_text() == "ref"
    assert (folder / "notes.txt").read_text() == "mine"
    assert (folder / "link").is_symlink()
    assert not (folder / "build").exists(), "an image of other sources must not stay"


@pytest.mark.parametrize("kind", ["files", "foreign manifest", "file"])
def test_force_does_not_replace_what_is_no_firmware_folder(tmp_path: Path, kind: str) -> None:
    place = tmp_path / "work"
    if kind == "file":
        place.write_text("thesis")
    else:
        place.mkdir()
        (place / "thesis.txt").write_text("years")
        if kind == "foreign manifest":
            (place / "manifest.json").write_text('{"schema": 1, "name": "web page"}')
    before = contents(tmp_path)
    code, _, err = run("generate", PLOVER, place, "--force")
    assert code == 2
    assert "not a firmware folder" in err
    assert contents(tmp_path) == before


def test_empty_folder_is_filled_with_force(tmp_path: Path) -> None:
    place = tmp_path / "work"
    place.mkdir()
    assert run("generate", PLOVER, place, "--force")[0] == 0
    assert (place / "manifest.json").exists()


@pytest.mark.parametrize("inside", [".", "src"])
def test_the_current_folder_is_not_pulled_away(
    folder: Path, monkeypatch: pytest.MonkeyPatch, inside: str
) -> None:
    monkeypatch.chdir(folder / inside)
    code, _, err = run("generate", PLOVER, folder, "--force")
    assert code == 2
    assert "cd" in err
    assert (folder / "manifest.json").exists()


@pytest.mark.parametrize("place", ["below/a/file", "file"])
def test_place_that_cannot_be_written(tmp_path: Path, place: str) -> None:
    (tmp_path / "below").write_text("a file")
    (tmp_path / "file").write_text("a file")
    code, _, err = run("generate", PLOVER, tmp_path / place)
    assert code == 2
    assert str(tmp_path / place) in err
    assert "Traceback" not in err
    assert sorted(contents(tmp_path)) == ["below", "file"]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can take rights away from itself")
def test_folder_without_the_right_to_write(tmp_path: Path, made_folders: dict[str, Path]) -> None:
    """As another user: root may write everywhere."""
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o755)
    for path in (tmp_path, *tmp_path.parents):
        if path.stat().st_uid == os.getuid() and path.stat().st_mode & 0o777 == 0o700:
            path.chmod(0o755)
    code = (
        "import os, sys; from pathlib import Path; from sparktick.gen.render import write_folder;"
        "from sparktick.gen.errors import FolderError; os.setuid(65534)\n"
        "try: write_folder({'a': ''}, Path(sys.argv[1]), force=False)\n"
        "except FolderError as error: print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(closed / "fw")],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == f"{closed / 'fw'}: cannot be written: Permission denied\n"
    assert list(closed.iterdir()) == []


@pytest.mark.parametrize("there", [False, True], ids=["new", "replaced"])
@pytest.mark.parametrize("moment", range(1, 24, 4))
def test_interrupt_leaves_nothing_half_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moment: int, there: bool
) -> None:
    """Interrupted at any write or rename: the old folder, or none; never a mixture."""
    place = tmp_path / "fw"
    old = {"manifest.json": json.dumps({"kind": "sparktick manifest"}), "src/a.c": "old"}
    new = {**old, **{f"src/{k}.c": "new" for k in range(9)}}
    if there:
        write_folder(old, place, force=False)
    before = contents(tmp_path)
    calls = 0

    def counted(real: Any) -> Any:
        def wrapper(*args: Any, **kwargs: Any) -> Any:
            nonlocal calls
            calls += 1
            if calls == moment:
                os.kill(os.getpid(), signal.SIGINT)
            return real(*args, **kwargs)

        return wrapper

    for name in ("write_text", "rename", "mkdir"):
        monkeypatch.setattr(Path, name, counted(getattr(Path, name)))
    try:
        write_folder(new, place, force=True)
    except KeyboardInterrupt:
        assert contents(tmp_path) == before
    else:
        assert calls < moment
        assert sorted(contents(place)) == sorted(new)
    assert [path.name for path in tmp_path.iterdir()] == (["fw"] if place.exists() else [])


def test_failed_rename_puts_the_old_folder_back(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = contents(folder)
    real = Path.rename

    def broken(self: Path, target: Path) -> Path:
        if self.name == "fresh":
            raise OSError(28, "No space left on device")
        return real(self, target)

    product = make_plan(PLOVER)
    files = render_files(product.design, product.plan)
    monkeypatch.setattr(Path, "rename", broken)
    with pytest.raises(FolderError, match="No space left"):
        write_folder(files, folder, force=True)
    assert contents(folder) == before


@pytest.mark.parametrize("text", ["", "[]", '{"schema": 2}', "\udc80"])
def test_broken_manifest_is_a_message(folder: Path, text: str) -> None:
    (folder / "manifest.json").write_bytes(text.encode(errors="surrogateescape"))
    code, _, err = run("build", folder)
    assert code == 2
    assert "manifest.json" in err
