"""The moment of a campaign's failure as a trace: pin and coil some turns around an instant."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from .bench import Bench
from .campaign import Block, Source, scene_of
from .library import load
from .manifest import read_manifest
from .run import Run, Train
from .vcd import write_vcd

AROUND_TURNS = 3.0


def write_moment(path: Path, source: Source, block: Block, at_s: float) -> float:
    """Run a block again and write pin and coil around an instant as VCD, time 0 at its begin.

    Return that begin, in s of the run.
    """
    folder = source.folder()
    scene = scene_of(read_manifest(folder), block)
    around_s = AROUND_TURNS * 60.0 / block.rpm
    begin_s, end_s = max(0.0, at_s - around_s), at_s + around_s
    bench = Bench(load(folder), scene.chip, scene.disturbed.coil)
    bench.record_line(begin_s)
    run = bench.run(scene.disturbed.train)
    line_s, level = bench.line()
    write_vcd(path, *cut_moment(run, scene.clean, line_s, level, begin_s, end_s), scene.manifest)
    return begin_s


def cut_moment(
    run: Run,
    clean: Train,
    line_s: NDArray[np.float64],
    level: NDArray[np.uint8],
    begin_s: float,
    end_s: float,
) -> tuple[Train, Run]:
    """Return the part of a run between two instants, its begin at 0."""
    kept = (line_s >= begin_s) & (line_s < end_s)
    coil = (run.coil_s >= begin_s) & (run.coil_s < end_s)
    line_s, level = line_s[kept] - begin_s, level[kept]
    if len(level) and level[0] == 0:  # it was active when the moment began
        line_s, level = np.insert(line_s, 0, 0.0), np.insert(level, 0, np.uint8(1))
    marks = np.zeros(len(line_s), np.uint8)
    train = Train(line_s, level, marks, end_s - begin_s, clean.motion)
    part = Run(
        source=run.source,
        tick_hz=run.tick_hz,
        timer_phase_s=run.timer_phase_s,
        coil_s=run.coil_s[coil] - begin_s,
        coil_on=run.coil_on[coil],
        coil_channel=run.coil_channel[coil],
    )
    return train, part
