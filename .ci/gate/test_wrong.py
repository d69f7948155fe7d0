"""Fails on purpose: .ci/run proves with it that a failing test stops the run."""

from __future__ import annotations


def test_wrong() -> None:
    assert 1 + 1 == 3
