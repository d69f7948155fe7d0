"""Source folders of the example engines' firmware, generated once a session."""

from __future__ import annotations

from pathlib import Path

import pytest

from sparktick.gen.pipeline import generate

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.fixture(scope="session", params=["plover", "teal"])
def sources(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return ``src`` of a firmware folder; not to be changed."""
    folder = tmp_path_factory.mktemp("sources") / request.param
    generate(EXAMPLES / f"{request.param}.toml", folder)
    return folder / "src"
