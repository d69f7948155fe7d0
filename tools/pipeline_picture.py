"""The picture of the pipeline in README.md, as SVG drawn from the list below."""

from __future__ import annotations

from dataclasses import dataclass
from xml.sax.saxutils import escape

WIDTH, HEIGHT = 920, 330
BOX_HEIGHT = 58
INK, LINE, PAPER = "#1f2a33", "#5b6b78", "#ffffff"
FILLS = {"yours": "#fdf3d8", "computed": "#e4eef7", "files": "#e9f3e4", "proof": "#f6e6ea"}


@dataclass(frozen=True)
class Box:
    """A box: centre, width, one bold line, one small line, and what kind of thing it is."""

    x: int
    y: int
    width: int
    name: str
    text: str
    kind: str


BOXES = {
    "toml": Box(95, 60, 150, "engine.toml", "what you own and want", "yours"),
    "design": Box(290, 60, 150, "design", "physics, SI units", "computed"),
    "plan": Box(485, 60, 150, "plan", "whole timer ticks", "computed"),
    "folder": Box(740, 60, 220, "firmware folder", "C, numbers, manifest.json", "files"),
    "host": Box(560, 170, 190, "host library", "the same C on your computer", "proof"),
    "chip": Box(800, 170, 190, "chip image", "runs on an emulated chip", "proof"),
    "crank": Box(210, 170, 260, "exact crank motion", "the same pulses for both", "proof"),
    "verdict": Box(560, 280, 190, "verdict", "degrees against limits", "proof"),
    "report": Box(210, 280, 260, "terminal, JSON, report", "exit code 0, 1 or 2", "files"),
    "flash": Box(800, 280, 190, "board", "you upload the image", "yours"),
}
ARROWS = (
    ("toml", "design", ""),
    ("design", "plan", ""),
    ("plan", "folder", ""),
    ("folder", "host", "cc"),
    ("folder", "chip", "avr-gcc"),
    ("crank", "host", ""),
    ("host", "verdict", ""),
    ("chip", "verdict", ""),
    ("chip", "flash", ""),
    ("verdict", "report", ""),
)


def _border(box: Box, other: Box) -> tuple[float, float]:
    """Where the line between two boxes' centres leaves the first one."""
    dx, dy = other.x - box.x, other.y - box.y
    scale = min(
        box.width / 2 / abs(dx) if dx else 9.0,
        BOX_HEIGHT / 2 / abs(dy) if dy else 9.0,
    )
    return box.x + dx * scale, box.y + dy * scale


def _box(box: Box) -> str:
    left, top = box.x - box.width // 2, box.y - BOX_HEIGHT // 2
    return (
        f'<rect x="{left}" y="{top}" width="{box.width}" height="{BOX_HEIGHT}" rx="8" '
        f'fill="{FILLS[box.kind]}" stroke="{LINE}"/>\n'
        f'<text x="{box.x}" y="{box.y - 4}" font-weight="bold">{escape(box.name)}</text>\n'
        f'<text x="{box.x}" y="{box.y + 16}" font-size="13">{escape(box.text)}</text>'
    )


def _arrow(begin: str, end: str, label: str) -> str:
    x1, y1 = _border(BOXES[begin], BOXES[end])
    x2, y2 = _border(BOXES[end], BOXES[begin])
    line = (
        f'<line x1="{x1:.0f}" y1="{y1:.0f}" x2="{x2:.0f}" y2="{y2:.0f}" stroke="{LINE}" '
        'stroke-width="1.5" marker-end="url(#head)"/>'
    )
    if not label:
        return line
    x, y = (x1 + x2) / 2 + 8, (y1 + y2) / 2 + 4
    words = f'<text x="{x:.0f}" y="{y:.0f}" font-size="12" text-anchor="start">{label}</text>'
    return f"{line}\n{words}"


def pipeline_svg() -> str:
    """Return the picture; the same text every time."""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'width="{WIDTH}" height="{HEIGHT}" font-family="sans-serif" font-size="16" '
        f'text-anchor="middle" fill="{INK}" role="img" '
        'aria-label="From engine.toml over design and plan to the firmware folder, from there to '
        'host library and chip image, both driven by the same crank motion, to the verdict">',
        '<defs><marker id="head" viewBox="0 0 8 8" refX="8" refY="4" markerWidth="8" '
        f'markerHeight="8" orient="auto"><path d="M0 0 8 4 0 8z" fill="{LINE}"/></marker></defs>',
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="{PAPER}"/>',
        *(_arrow(*arrow) for arrow in ARROWS),
        *(_box(box) for box in BOXES.values()),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"
