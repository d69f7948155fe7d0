"""Shared by the report's tests: the data of both examples, run once; no emulator."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

import sparktick.examples
from sparktick.gen.engine import Engine
from sparktick.gen.magnet_place import Placement, place_magnet
from sparktick.gen.pipeline import make_plan, write_product
from sparktick.host_sim.report.data import Description, ReportData, describe, gather
from sparktick.host_sim.report.page import render_page

EXAMPLES = Path(next(iter(sparktick.examples.__path__)))


@pytest.fixture(scope="session", autouse=True)
def _magnet_placed_once() -> Iterator[None]:
    """Place an engine's magnet once for all reports of it; its own tests place it anew."""
    known: dict[str, Placement] = {}

    def placed(engine: Engine) -> Placement:
        key = engine.model_dump_json()
        if key not in known:
            known[key] = place_magnet(engine)
        return known[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sparktick.host_sim.report.motion.place_magnet", placed)
        yield


@pytest.fixture(scope="session")
def described() -> Description:
    """Plover, with its electrical side."""
    return describe(make_plan(EXAMPLES / "plover.toml"), "plover.toml")


@pytest.fixture(scope="session")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Plover's firmware folder, not built."""
    folder = tmp_path_factory.mktemp("report") / "plover"
    write_product(make_plan(EXAMPLES / "plover.toml"), folder)
    return folder


@pytest.fixture(scope="session")
def data(firmware: Path, described: Description) -> ReportData:
    return gather(firmware, described, emulators=())


@pytest.fixture(scope="session")
def teal(tmp_path_factory: pytest.TempPathFactory) -> ReportData:
    """Teal: two-stroke twin, driven starter, ballast, another clock."""
    folder = tmp_path_factory.mktemp("report") / "teal"
    product = make_plan(EXAMPLES / "teal.toml")
    write_product(product, folder)
    return gather(folder, describe(product, "teal.toml"), emulators=())


@pytest.fixture(scope="session")
def bare(firmware: Path) -> ReportData:
    """Plover's folder without its description."""
    return gather(firmware, emulators=())


@pytest.fixture(scope="session")
def page(data: ReportData) -> str:
    return render_page(data)


@pytest.fixture
def own_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """Make an empty folder the current one."""
    monkeypatch.chdir(tmp_path)
    yield tmp_path
