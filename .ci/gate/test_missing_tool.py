"""Fails on purpose where SPARKTICK_REQUIRE_ALL=1: a missing tool must not be passed over."""

from __future__ import annotations

import pytest


@pytest.mark.needs_system("no-such-tool-anywhere", "this is on purpose")
def test_missing_tool() -> None:
    pass
