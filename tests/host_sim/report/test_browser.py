"""If this fails: a browser shows the page empty or complaining, or loads something for it."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path
from urllib.parse import urlsplit

import matplotlib.image
import numpy as np
import pytest

CHROMIUM = [
    "chromium",
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--enable-logging=stderr",
    "--host-resolver-rules=MAP * ~NOTFOUND",
]
# What the browser asks for by itself.
ITS_OWN = {"clients2.google.com", "update.googleapis.com", "accounts.google.com"}

pytestmark = pytest.mark.needs_system("chromium", "apt-get install chromium")


class Shown:
    """One page in the browser: console messages, hosts it asked for, picture (h, w, 3)."""

    def __init__(self, file: Path, folder: Path, *options: str) -> None:
        folder.mkdir()
        log, picture = folder / "net.json", folder / "shot.png"
        command = [*CHROMIUM, f"--user-data-dir={folder / 'profile'}", f"--log-net-log={log}"]
        command += [f"--screenshot={picture}", "--window-size=1000,3000", *options, file.as_uri()]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
        self.console = re.findall(r":CONSOLE:\d+\] (.*)", done.stderr)
        found = re.findall(r'"url":"([^"]*)"', log.read_text(encoding="utf-8", errors="replace"))
        self.hosts = {urlsplit(json.loads(f'"{url}"')).hostname for url in found} - ITS_OWN - {None}
        self.picture = matplotlib.image.imread(picture)[..., :3]


@pytest.fixture(scope="module")
def file(page: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    written = tmp_path_factory.mktemp("browser") / "report.html"
    written.write_text(page, encoding="utf-8")
    return written


def test_control_a_bad_page_is_noticed(tmp_path: Path) -> None:
    bad = tmp_path / "bad.html"
    bad.write_text(
        '<!DOCTYPE html><img src="http://127.0.0.1:9/x.png"><script>console.error("oops")</script>'
    )
    shown = Shown(bad, tmp_path / "bad")
    assert "127.0.0.1" in shown.hosts
    assert any("oops" in line for line in shown.console)


def test_the_page_loads_quietly(file: Path, tmp_path: Path) -> None:
    empty = tmp_path / "empty.html"
    empty.write_text("<!DOCTYPE html><title>x</title><p>x")
    by_itself = Shown(empty, tmp_path / "empty").hosts
    shown = Shown(file, tmp_path / "page")
    assert shown.console == []
    assert shown.hosts - by_itself == set()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_ink_on_paper(file: Path, tmp_path: Path, scheme: str) -> None:
    """Mostly ground with some ink, bright or dark as asked; coloured marks are there."""
    option = f"--blink-settings=preferredColorScheme={1 if scheme == 'light' else 0}"
    grey = Shown(file, tmp_path / scheme, option).picture.mean(axis=2)
    ground = float(np.median(grey))
    assert (ground > 0.95) if scheme == "light" else (ground < 0.12)
    inked = np.abs(grey - ground) > 0.5
    assert 0.01 < inked.mean() < 0.2


def test_it_prints(file: Path, tmp_path: Path) -> None:
    printed = tmp_path / "report.pdf"
    command = [*CHROMIUM, f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={printed}"]
    subprocess.run([*command, file.as_uri()], capture_output=True, timeout=120, check=True)
    raw = printed.read_bytes()
    assert raw.startswith(b"%PDF-")
    assert 8 <= len(re.findall(rb"/Type\s*/Page\b", raw)) <= 30
