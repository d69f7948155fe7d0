"""Firmware of the Plover, generated and built once for all tests of the C."""

from __future__ import annotations

from pathlib import Path

import pytest

from sparktick.gen import pipeline, toolchain
from sparktick.host_sim.manifest import Manifest, read_manifest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def plover_image(tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    folder = tmp_path_factory.mktemp("image") / "plover"
    pipeline.generate(ROOT / "examples" / "plover.toml", folder)
    toolchain.build(folder)
    return read_manifest(folder)
