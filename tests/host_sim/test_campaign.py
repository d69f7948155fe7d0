"""If this fails, a campaign's figures depend on how it was run, or a lost layer goes unnoticed."""

from __future__ import annotations

import json
import re
import shlex
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from vcd.reader import TokenKind, tokenize

import sparktick.examples
from sparktick.gen.cli import cli
from sparktick.gen.errors import FolderError, RunError
from sparktick.gen.pipeline import generate
from sparktick.host_sim.campaign import (
    LAYERS,
    Block,
    Score,
    Source,
    default_speeds,
    failures_of,
    families_of,
    plan_blocks,
    read_source,
    run_block,
    score_from,
    total,
    with_handlers,
    without,
)
from sparktick.host_sim.campaign_run import BLOCKS_FILE, Store, Where, run_blocks
from sparktick.host_sim.manifest import read_manifest
from sparktick.host_sim.noise_bound import bounds_of

EXAMPLES = Path(next(iter(sparktick.examples.__path__)))


@pytest.fixture(scope="module")
def source(plover: Path) -> Source:
    return read_source(plover)


def run_one(source: Source, block: Block) -> Score:
    return score_from(run_block(source, block))


FEW = plan_blocks(("ringing", "iec-100k", "stuck"), (1.0,), (2000.0, 7000.0), (1, 2), 200)


def finished(source: Source, folder: Path, where: Where | None = None) -> bytes:
    run_blocks(source, Store(folder, source, FEW), where)
    return (folder / BLOCKS_FILE).read_bytes()


def test_one_core_and_two_give_the_same_bytes(source: Source, tmp_path: Path) -> None:
    one = finished(source, tmp_path / "one")
    assert one == finished(source, tmp_path / "two", Where(jobs=2))
    assert one.count(b"\n") == len(FEW) + 1


def test_interrupted_and_resumed_gives_the_same_bytes(source: Source, tmp_path: Path) -> None:
    whole = finished(source, tmp_path / "whole")

    def stop(done: int, of: int) -> None:
        if done == 5:
            raise KeyboardInterrupt

    place = tmp_path / "stopped"
    with pytest.raises(KeyboardInterrupt):
        run_blocks(source, Store(place, source, FEW), None, stop)
    path = place / BLOCKS_FILE
    path.write_bytes(path.read_bytes() + b'{"block": {"family": "rin')  # killed while writing
    again = Store(place, source, FEW)
    assert len(again.waiting) == len(FEW) - 5
    run_blocks(source, again)
    assert path.read_bytes() == whole


def test_other_firmware_or_blocks_are_not_mixed(source: Source, tmp_path: Path) -> None:
    finished(source, tmp_path)
    other = without(source, ("gate",))
    with pytest.raises(FolderError, match="another campaign"):
        Store(tmp_path, other, FEW)
    with pytest.raises(FolderError, match="another campaign"):
        Store(tmp_path, source, FEW[:2])
    assert Store(tmp_path, other, FEW, restart=True).waiting == list(FEW)


def test_building_a_folder_does_not_make_it_another_firmware(plover: Path, tmp_path: Path) -> None:
    shutil.copytree(plover, tmp_path / "fw")
    before = read_source(tmp_path / "fw").digest
    place = tmp_path / "fw" / "manifest.json"
    built = {**json.loads(place.read_text()), "compiler": "a", "sizes": {"flash_bytes": 1}}
    place.write_text(json.dumps(built))
    assert read_source(tmp_path / "fw").digest == before
    place.write_text(json.dumps({**built, "dwell_us": 1.0}))
    assert read_source(tmp_path / "fw").digest != before


def test_full_disk_keeps_what_was_finished(source: Source, tmp_path: Path) -> None:
    store = Store(tmp_path, source, FEW)

    def fill(done: int, of: int) -> None:
        if done == 2:
            store.path = Path("/dev/full")

    with pytest.raises(FolderError, match=r"No space left.*\n.*goes on from there"):
        run_blocks(source, store, None, fill)
    assert len(Store(tmp_path, source, FEW).done) == 2


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"families": ("wind",)}, "no such family"),
        ({"levels": (-1.0,)}, "0 to 100"),
        ({"levels": (float("nan"),)}, "0 to 100"),
        ({"speeds_rpm": (0.0,)}, "10 to 60000"),
        ({"seeds": ()}, "one or more"),
        ({"seeds": (-1,)}, "one or more"),
        ({"turns": 0}, "10 to 1000000"),
        ({"turns": 40_000, "speeds_rpm": (200.0, 9000.0)}, "Take up to 33333 turns"),
        ({"seeds": range(10**12)}, "at most 1000000 are allowed"),
    ],
)
def test_nonsense_is_refused(change: dict[str, object], said: str) -> None:
    given: dict[str, object] = {
        "families": ("hum",),
        "levels": (1.0,),
        "speeds_rpm": (1000.0,),
        "seeds": (1,),
        "turns": 100,
    }
    with pytest.raises(RunError, match=said):
        plan_blocks(**{**given, **change})  # type: ignore[arg-type]


def test_what_is_named_twice_is_counted_once() -> None:
    blocks = plan_blocks(("hum", "hum"), (1.0, 1.0), (3000.0, 3000.0), (1, 1), 100)
    assert blocks == (Block("hum", 1.0, 3000.0, 1, 100),)


def test_workers_end_when_the_campaign_is_killed(plover: Path, tmp_path: Path) -> None:
    """Left alone they would wait for blocks for ever, one for each core, after every kill."""
    begin = "from sparktick.gen.cli import main; main()"
    run = [sys.executable, "-c", begin, "campaign", str(plover), "--family", "hum"]
    few = ["--turns", "50000", "--seeds", "20", "--jobs", "2", "--quiet", "--out", str(tmp_path)]
    with subprocess.Popen([*run, *few]) as process:
        wait_for(lambda: (tmp_path / BLOCKS_FILE).read_bytes().count(b"\n") > 2, tmp_path)
        workers = children(process.pid)
        process.kill()
    assert len(workers) >= 2
    wait_for(lambda: not any(Path(f"/proc/{pid}").exists() for pid in workers), tmp_path)


def children(parent: int) -> list[int]:
    found = Path(f"/proc/{parent}/task/{parent}/children").read_text()
    return [int(pid) for pid in found.split()]


def wait_for(true: Callable[[], bool], folder: Path) -> None:
    for _ in range(600):
        if (folder / BLOCKS_FILE).exists() and true():
            return
        time.sleep(0.05)
    raise AssertionError("nothing happened within 30 s")


def test_without_noise_every_spark_is_kept(source: Source) -> None:
    for family in ("ringing", "iec-5k", "hum", "missing", "double", "bounce", "stuck"):
        found = run_one(source, Block(family, 0.0, 3000.0, 1, 300))
        assert (found.within, found.lost, found.added, found.early) == (found.sparks, 0, 0, 0)
        assert found.sparks >= 297


def test_default_families_keep_the_bars_in_a_short_campaign(plover: Path, source: Source) -> None:
    """The whole one is `make campaign`; ringing and IEC bursts: 99.9 % within 1 deg."""
    manifest = read_manifest(plover)
    blocks = plan_blocks(families_of(manifest), (1.0,), default_speeds(manifest), (1,), 3000)
    rows = [(block, run_one(source, block)) for block in blocks]
    assert failures_of(rows, manifest) == []
    hurt = {block.family for block, one in rows if one.within < one.sparks or one.lost}
    assert {"stuck", "chatter", "storm", "missing", "double", "bounce"} <= hurt


def test_angles_are_judged_up_to_the_severe_level(plover: Path, source: Source) -> None:
    """Four times severe, hum swings the line through its thresholds: it is the pickup's signal."""
    manifest = read_manifest(plover)
    block = Block("hum", 4.0, 3000.0, 1, 400)
    score = replace(run_one(source, block), early=1, furthest_deg_btdc=40.0)
    assert failures_of([(block, score)], manifest) == []
    assert failures_of([(replace(block, level=1.0), score)], manifest) != []


def test_noise_that_imitates_the_magnet_may_move_one_spark_in_five_thousand(
    plover: Path, source: Source
) -> None:
    manifest = read_manifest(plover)
    block = Block("double", 1.0, 3000.0, 1, 400)
    score = replace(run_one(source, block), told=10_000, early=2, furthest_deg_btdc=90.0)
    assert failures_of([(block, score)], manifest) == []
    (failure,) = failures_of([(block, replace(score, early=3))], manifest)
    assert "3 sparks beyond 31 deg BTDC, the furthest at 90.00, 2 allowed" in failure.what


def test_no_family_brings_a_spark_forward(plover: Path, source: Source) -> None:
    """At severe levels, imitations of the magnet included: none beyond the greatest advance."""
    manifest = read_manifest(plover)
    for family in families_of(manifest):
        blocks = [Block(family, 1.0, rpm, 1, 3000) for rpm in default_speeds(manifest)]
        found = total(run_one(source, block) for block in blocks)
        assert (family, found.early) == (family, 0)
        assert (found.furthest_deg_btdc < 31.0, found.invariants) == (True, 0)


def test_more_noise_does_more_harm(source: Source) -> None:
    kept = [run_one(source, Block("missing", x, 3000.0, 1, 1500)).share for x in (0.1, 1.0, 5.0)]
    assert kept[0] > kept[1] > kept[2]


def test_bound_holds_for_pulses_in_the_gate(plover: Path, source: Source) -> None:
    """What `double` does once locked stays under the figure printed for that speed.

    Slower, a doubted pulse costs the lock, and what comes before the next lock has no bound.
    """
    manifest = read_manifest(plover)
    for bound in bounds_of(source, manifest, (2500.0, 4500.0, 8100.0)):
        found = run_one(source, Block("double", 4.0, bound.rpm, 1, 3000))
        assert found.furthest_deg_btdc < bound.furthest_deg_btdc
        assert bound.pulse_us > bound.edge_us
        curve_deg = float(np.interp(bound.rpm, *zip(*manifest.curve, strict=True)))
        assert bound.edge_deg_btdc == pytest.approx(curve_deg + 360.0 * 160 / 65536)
    assert bounds_of(source, manifest, (400.0,)) == []


def test_a_charge_that_begins_while_lock_is_being_given_up_breaks_nothing(tmp_path: Path) -> None:
    """The compare matches while the handler that takes the order back still runs: no invariant."""
    generate(EXAMPLES / "avocet.toml", tmp_path / "fw")
    found = run_one(read_source(tmp_path / "fw"), Block("chatter", 1.0, 1123.0, 4, 600))
    assert found.sparks > 1000
    assert found.invariants == 0


def test_a_lock_that_comes_back_is_in_time(tmp_path: Path) -> None:
    """With the trend of before a bad line each edge was missed: sparks 40 deg early, for ever."""
    generate(EXAMPLES / "teal.toml", tmp_path / "teal")
    teal = read_source(tmp_path / "teal")
    for block in (Block("stuck", 1.0, 4377.0, 1, 8400), Block("chatter", 1.0, 4085.0, 1, 8400)):
        assert run_one(teal, block).early == 0


# ---- Layers: one guard each, which the firmware passes and one without the layer fails ----------


@dataclass(frozen=True)
class Guard:
    """A block and what must hold of its score."""

    block: Block
    holds: Callable[[Score], bool]
    fast_chip: bool = False


GUARDS = {
    "hold": Guard(Block("background", 1.0, 4547.0, 1, 2000), lambda s: s.share > 0.999),
    "gate": Guard(Block("double", 4.0, 4547.0, 1, 3000), lambda s: s.share > 0.9995),
    "doubt": Guard(Block("double", 3.0, 2542.0, 1, 3000), lambda s: s.early == 0),
    "early": Guard(Block("double", 1.0, 2616.0, 1, 8400), lambda s: s.early == 0),
    "half": Guard(Block("double", 1.0, 477.0, 1, 3000), lambda s: s.early == 0),
    "narrow": Guard(Block("double", 1.0, 4613.0, 1, 8400), lambda s: s.early == 0),
    "unjudged": Guard(Block("double", 3.0, 1483.0, 1, 20000), lambda s: s.early == 0),
    "early-lock": Guard(Block("chatter", 1.0, 8134.0, 5, 8400), lambda s: s.early == 0),
    "bridge": Guard(Block("missing", 1.0, 4547.0, 1, 3000), lambda s: s.lost <= 20),
    "storm": Guard(Block("storm", 20.0, 4547.0, 1, 2000), lambda s: s.share > 0.85),
    "nearer": Guard(Block("bounce", 1.0, 8134.0, 1, 2000), lambda s: s.share > 0.5),
    "lock": Guard(Block("chatter", 4.0, 1483.0, 1, 8000), lambda s: s.share > 0.96),
    "width": Guard(Block("bounce", 1.0, 8134.0, 1, 2000), lambda s: s.share > 0.8),
    "confirm": Guard(Block("iso-1", 1.0, 1421.0, 1, 1000), lambda s: s.share > 0.999, True),
}

# The same by hand in the core's C: file, what stands there, what stands there instead.
MUTATIONS = {
    "hold": ("st_belief.c", "(active != lead)", "((active != lead) && (c == 0))"),
    "gate": (
        "st_gate.c",
        "within = st_scale_q16(interval, notes.gate_q16);",
        "within = interval >> 1;",
    ),
    "doubt": (
        "st_sync.c",
        "void st_pulse_doubted(st_core *c)\n{\n",
        "void st_pulse_doubted(st_core *c)\n{\n    if (c != 0) {\n        return;\n    }\n",
    ),
    "bridge": (
        "st_sync.c",
        "    st_count(c, ST_N_MISSING);\n",
        "    st_count(c, ST_N_MISSING);\n    if (c != 0) {\n        st_lose_lock(c);\n"
        "        return;\n    }\n",
    ),
    "storm": ("st_belief.c", "(c->false_edges < ST_CFG_FALSE_EDGES_MOST)", "(c != 0)"),
    "nearer": (
        "st_belief.c",
        "    return st_running(c) && (c->seek",
        "    return (c == 0) && st_running(c) && (c->seek",
    ),
    "early": (
        "st_sync.c",
        "    c->early = st_before(c->edge_at[0], c->soonest_at);",
        "    c->early = st_before(c->edge_at[0], c->soonest_at) && (c == 0);",
    ),
    "half": (
        "st_sync.c",
        "    return width >= (c->width_ticks >> 1);",
        "    return (c != 0) || (width == 0U);",
    ),
    "narrow": ("st_gate.c", "(c->early ? (slack >> 1) : slack)", "slack"),
    "unjudged": ("st_belief.c", "gone && !c->early && st_passed", "gone && st_passed"),
    "early-lock": (
        "st_sync.c",
        "        if (!c->lock_before) {\n            c->lock_count = 0U;\n            return;\n"
        "        }\n",
        "        if (!c->lock_before) {\n            c->early = false;\n        }\n",
    ),
    "width": ("st_sync.c", "(size > most)", "(size > (most | 0xFFFFU))"),
    "lock": (
        "st_sync.c",
        "    return st_apart(c, interval) <= "
        "st_scale_q16(c->s.period_ticks, ST_CFG_LOCK_TOLERANCE_Q16);",
        "    return (c != 0) || (interval != 0U);",
    ),
}


def guarded(source: Source, name: str) -> bool:
    guard = GUARDS[name]
    return guard.holds(
        run_one(with_handlers(source, 0.05 if guard.fast_chip else 1.0), guard.block)
    )


@pytest.mark.parametrize("name", GUARDS)
def test_the_whole_firmware_keeps_each_layers_guard(source: Source, name: str) -> None:
    assert guarded(source, name)


@pytest.mark.parametrize("name", MUTATIONS)
def test_a_core_without_a_layer_is_found_out(source: Source, name: str) -> None:
    file, old, new = MUTATIONS[name]
    files = dict(source.files)
    assert files[f"src/{file}"].count(old) == 1, f"{file} has changed: mend the mutation {name}"
    files[f"src/{file}"] = files[f"src/{file}"].replace(old, new)
    assert not guarded(Source(tuple(files.items())), name)


def test_confirmation_matters_where_handlers_are_fast(source: Source) -> None:
    """On the 16 MHz chip its handlers' own time covers it: only a faster one shows its worth."""
    assert not guarded(without(source, ("confirm",)), "confirm")


# ---- The phase sensor of an engine with two coils ------------------------------------------------


@pytest.fixture(scope="module")
def twin(tmp_path_factory: pytest.TempPathFactory) -> Source:
    folder = tmp_path_factory.mktemp("twin") / "avocet"
    generate(EXAMPLES / "avocet.toml", folder)
    return read_source(folder)


def test_noise_on_the_phase_line_sparks_in_no_wrong_cylinder(twin: Source) -> None:
    block = Block("phase", 4.0, 4862.0, 1, 3000)
    kept = run_one(twin, block)
    assert (kept.within, kept.added, kept.early) == (kept.sparks, 0, 0)
    assert 0 < kept.lost < 0.01 * kept.told
    files = dict(twin.files)
    old = "(second == c->s.second)"
    assert files["src/st_sync.c"].count(old) == 1
    files["src/st_sync.c"] = files["src/st_sync.c"].replace(old, "(second > 1U)")
    careless = run_one(Source(tuple(files.items())), block)
    assert careless.within < careless.sparks


def test_phase_noise_only_adds_to_a_phase_line(twin: Source, source: Source) -> None:
    quiet = run_one(twin, Block("phase", 0.0, 3000.0, 1, 300))
    assert (quiet.within, quiet.lost, quiet.added) == (quiet.sparks, 0, 0)
    assert "phase" in families_of(read_manifest(twin.folder()))
    assert "phase" not in families_of(read_manifest(source.folder()))
    with pytest.raises(RunError, match="only an engine with two coils"):
        run_block(source, Block("phase", 1.0, 3000.0, 1, 300))


@pytest.mark.parametrize("name", LAYERS)
def test_each_layer_can_be_switched_off(source: Source, name: str) -> None:
    bare = dict(without(source, (name,)).files)
    changed = [file for file, text in source.files if bare[file] != text]
    assert "src/config.h" in changed
    assert changed == ["src/config.h"] or name == "capture-filter"


def test_an_edited_config_is_not_guessed_at(source: Source) -> None:
    files = dict(source.files)
    files["src/config.h"] = files["src/config.h"].replace("ST_CFG_GATE ", "ST_CFG_GATES ")
    with pytest.raises(FolderError, match="ST_CFG_GATE stands there 0 times"):
        without(Source(tuple(files.items())), ("gate",))


# ---- The command --------------------------------------------------------------------------------


def campaign(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["campaign", *map(str, arguments)])


def test_command_ends_well_and_leaves_results(plover: Path, tmp_path: Path) -> None:
    few = ("--family", "ringing", "--rpm", 3000, "--turns", 200, "--seeds", 1, "--jobs", 1)
    done = campaign(plover, *few, "--out", tmp_path / "c", "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.output)
    assert document["schema"] == 1 and document["command"] == "campaign"
    assert document["turns"] == 5 * 200 and document["passed"] is True
    assert document == json.loads((tmp_path / "c" / "campaign.json").read_text())
    assert (tmp_path / "c" / "campaign.svg").read_text().startswith("<?xml")
    text = campaign(plover, *few, "--out", tmp_path / "c")
    assert "every limit was kept" in text.output


def test_failure_names_a_command_that_fails_again(plover: Path, tmp_path: Path) -> None:
    """Without the edge's confirmation on a fast chip the standard's pulses move sparks."""
    done = campaign(
        *(plover, "--family", "iso-1", "--level", 1, "--rpm", 1421, "--turns", 1000),
        *("--without", "confirm", "--handlers", 0.05, "--jobs", 1, "--quiet"),
        *("--out", tmp_path / "a place"),
    )
    assert done.exit_code == 1
    assert re.search(r": (1 limit was|\d+ limits were) not kept", done.output)
    replay = next(line for line in done.output.splitlines() if "--first-seed" in line)
    again = campaign(*shlex.split(replay)[3:])
    assert again.exit_code == 1
    worst = re.compile(r"worst block: ([\d.]+) %")
    assert worst.findall(again.output)[0] == worst.findall(done.output)[0]
    told = json.loads((tmp_path / "a place" / "campaign.json").read_text())["failures"][0]
    with Path(told["trace"]).open("rb") as stream:
        tokens = list(tokenize(stream))
    ends_ns = [t.data for t in tokens if t.kind is TokenKind.CHANGE_TIME]
    assert 0.0 < told["at_ms_in_trace"] < 1e-6 * ends_ns[-1]
    kinds = [token.kind for token in tokens]
    assert kinds.count(TokenKind.CHANGE_SCALAR) > 12  # pin and coil, three turns each way


def test_layer_table_shows_what_each_was_worth(plover: Path, tmp_path: Path) -> None:
    done = campaign(
        *(plover, "--layers", "--family", "double", "--rpm", 2542, "--turns", 1500, "--seeds", 1),
        *("--jobs", 1, "--out", tmp_path, "--json"),
    )
    assert done.exit_code == 0, done.output
    rows = {row["layer"]: row for row in json.loads(done.output)["layers"]}
    assert set(rows) == {"", *LAYERS}
    assert rows["gate"]["moved_per_100000"] > 2 * rows[""]["moved_per_100000"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--level", "x"), "not a valid float"),
        (("--level", "-2"), "level -2"),
        (("--seeds", "0"), "0 is not in the range"),
        (("--seeds", "1000000"), "at most 1000000 are allowed"),
        (("--first-seed", "-1"), "-1 is not in the range"),
        (("--family", "wind"), "no such family"),
        (("--without", "luck"), "no such layer"),
        (("--handlers", "0"), "handlers 0"),
        (("--cluster", "nowhere"), "no Dask scheduler answers"),
    ],
)
def test_bad_input_ends_with_2(
    plover: Path, tmp_path: Path, arguments: tuple[str, ...], said: str
) -> None:
    done = campaign(plover, *arguments, "--turns", 20, "--out", tmp_path)
    assert done.exit_code == 2, done.output
    assert said in done.output
    assert not isinstance(done.exception, (OSError, ValueError))


def test_the_same_seed_is_the_same_and_another_is_not(source: Source) -> None:
    block = Block("storm", 1.0, 3000.0, 1, 1000)
    assert run_one(source, block) == run_one(source, block)
    assert run_one(source, block) != run_one(source, replace(block, seed=2))
    assert np.isfinite(run_one(source, block).busy_share)
