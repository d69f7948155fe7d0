"""If this fails: a predictor that may be asked for gives an image that does not compile."""

from __future__ import annotations

from pathlib import Path

import pytest

from sparktick.gen import pipeline, toolchain

EXAMPLES = Path(__file__).parents[2] / "examples"


@pytest.mark.parametrize("example", ["plover", "teal"])
@pytest.mark.parametrize("predictor", ["last", "trend", "same-stroke"])
def test_every_predictor_builds_for_the_chip(tmp_path: Path, example: str, predictor: str) -> None:
    text = (EXAMPLES / f"{example}.toml").read_text()
    description = tmp_path / "engine.toml"
    description.write_text(f'{text}\n[prediction]\npredictor = "{predictor}"\n')
    pipeline.generate(description, tmp_path / "firmware")
    built = toolchain.build(tmp_path / "firmware")
    print(example, predictor, built.flash_bytes)
    assert 0 < built.flash_bytes <= built.flash_free_bytes
