"""Every spark of a recording as a row of CSV."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np

from sparktick.gen.files import write_file

from .measure import RULE_RUN
from .trace import TraceResult

COLUMNS = (
    "time_s",
    "pulse",
    "speed_rpm",
    "spark_deg_btdc",
    "plan_deg_btdc",
    "off_deg",
    "allowed_deg",
    "dwell_us",
    "running",
)


def write_table(path: Path, result: TraceResult) -> None:
    """Write one row a spark and one a missed pulse, in time; whole or not at all.

    A stray spark has no pulse, a missed pulse no spark: those cells are empty.  ``pulse`` counts
    from 0 at the recording's begin.
    """
    m = result.measurement
    own = m.pulse >= 0
    columns = [
        (m.spark_s, "%.7f"),
        (np.where(own, m.pulse, np.nan), "%.0f"),
        (m.rpm, "%.2f"),
        (m.angle_deg_btdc, "%.4f"),
        (np.where(own, m.wanted_deg, np.nan), "%.4f"),
        (np.where(own, m.error_deg, np.nan), "%.4f"),
        (np.where(own, m.allowed_deg, np.nan), "%.4f"),
        (m.dwell_us, "%.2f"),
        (np.where(own, m.rule == RULE_RUN, np.nan), "%.0f"),
    ]
    sparks = np.column_stack([values for values, _ in columns])
    missed = np.full((len(m.missed), len(COLUMNS)), np.nan)
    missed[:, 0], missed[:, 1] = m.pulses.at_s[m.missed], m.missed
    missed[:, 2] = m.pulses.rpm[m.missed]
    rows = np.concatenate((sparks, missed))
    stream = io.StringIO()
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    np.savetxt(stream, rows, fmt=[form for _, form in columns], delimiter=",")
    text = ",".join(COLUMNS) + "\n" + stream.getvalue().replace("nan", "")
    write_file(path, text)
