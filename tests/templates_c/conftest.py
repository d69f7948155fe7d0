"""Firmware of the example engines, generated (and the Plover's built) once a session."""

from __future__ import annotations

from pathlib import Path

import pytest

from sparktick.gen import toolchain
from sparktick.gen.pipeline import generate
from sparktick.host_sim.manifest import Manifest, read_manifest

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(scope="session", params=["plover", "teal"])
def sources(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return ``src`` of a firmware folder; not to be changed."""
    folder = tmp_path_factory.mktemp("sources") / request.param
    generate(EXAMPLES / f"{request.param}.toml", folder)
    return folder / "src"


@pytest.fixture(scope="session")
def plover_image(tmp_path_factory: pytest.TempPathFactory) -> Manifest:
    """Return the manifest of the Plover's firmware, built for the chip."""
    folder = tmp_path_factory.mktemp("image") / "plover"
    generate(EXAMPLES / "plover.toml", folder)
    toolchain.build(folder)
    return read_manifest(folder)
