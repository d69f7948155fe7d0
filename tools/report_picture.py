"""The picture of a report in README.md: a real report, photographed by a browser without window."""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

from sparktick.gen.files import write_file

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
WINDOW = (1100, 1500)
SCALE, COLOURS = 0.6, 48
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--hide-scrollbars",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def write_report_picture(description: Path, picture: Path) -> None:
    """Write the upper part of an engine's report as a small PNG; needs chromium."""
    browser = next(filter(None, map(shutil.which, BROWSERS)), None)
    if browser is None:
        sys.exit("the report's picture needs chromium: apt-get install chromium")
    with tempfile.TemporaryDirectory() as temporary:
        page, shot = Path(temporary, "report.html"), Path(temporary, "shot.png")
        run = "from sparktick.gen.cli import main; main()"
        told = [sys.executable, "-c", run, "report", str(description), "--output", str(page)]
        subprocess.run(told, check=True, stdout=subprocess.DEVNULL)
        size = f"--window-size={WINDOW[0]},{WINDOW[1]}"
        command = [browser, *FLAGS, size, f"--screenshot={shot}", page.as_uri()]
        subprocess.run(command, check=True, capture_output=True)
        with Image.open(shot) as image:
            small = image.convert("RGB").resize(
                (round(WINDOW[0] * SCALE), round(WINDOW[1] * SCALE)), Image.Resampling.LANCZOS
            )
        data = io.BytesIO()
        small.quantize(COLOURS).save(data, "PNG", optimize=True)
    write_file(picture, data.getvalue())
