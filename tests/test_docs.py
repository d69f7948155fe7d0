"""If this fails: a document names what does not exist, or shows what no command produces now."""

from __future__ import annotations

import importlib
import json
import re
import shlex
import subprocess
import sys
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

import click
import pytest

from sparktick.examples.fitting import engine_for
from sparktick.gen.cli import COMMANDS, cli
from sparktick.gen.pipeline import generate

ROOT = Path(__file__).parents[1]
PLOVER = ROOT / "examples" / "plover.toml"
DOCUMENTS = sorted(
    path
    for path in [*ROOT.glob("*.md"), *ROOT.glob("docs/*.md"), *ROOT.glob("host_sim/**/*.md")]
    if path.name != "LICENSE"
)
README = (ROOT / "README.md").read_text(encoding="utf-8")
BENCH = (ROOT / "docs" / "bench.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
MAKEFILE = (ROOT / "Makefile").read_text(encoding="utf-8")
FOLDERS = r"(?:gen|host_sim|boards|templates_c|examples|tests|benchmarks|docs|tools|\.ci)"


def indented(text: str, word: str) -> list[list[str]]:
    """Words of every shell line of a document's code blocks that begins with ``word``."""
    found = re.findall(rf"^(?:    |\$ )({word} [^#\n]*)", text, re.MULTILINE)
    found += re.findall(rf"`({word} [^`]*)`", text)
    return [shlex.split(line.replace('ARGS="', "'ARGS=").replace('"', "'")) for line in found]


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_links_lead_somewhere(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#\s]+)[^)]*\)", text)
    inside = [link for link in links if not re.match(r"[a-z]+:", link)]
    missing = [link for link in inside if not (path.parent / link).exists()]
    assert missing == []


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_named_files_exist(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    named = re.findall(rf"`({FOLDERS}/[\w./-]*)`", text)
    missing = [name for name in named if not (ROOT / name).exists()]
    assert missing == []


def symbol(dotted: str) -> Any:
    """Return what a dotted name below ``sparktick`` stands for; AttributeError when nothing."""
    parts = dotted.split(".")
    for length in range(len(parts), 0, -1):
        try:
            found = importlib.import_module(".".join(["sparktick", *parts[:length]]))
        except ModuleNotFoundError:
            continue
        for name in parts[length:]:
            found = getattr(found, name)
        return found
    raise AttributeError(dotted)


def test_named_symbols_exist() -> None:
    named = set(re.findall(r"`((?:gen|host_sim)\.[\w.]+)`", DEVELOPERS))
    assert len(named) > 20
    for dotted in sorted(named):
        symbol(dotted)


def test_named_classes_and_functions_exist() -> None:
    source = "\n".join(
        path.read_text(encoding="utf-8")
        for folder in ("gen", "host_sim", "tests")
        for path in (ROOT / folder).rglob("*.py")
    )
    named = set(re.findall(r"`([A-Z]\w+)(?:\.\w+)?`", DEVELOPERS))
    for name in sorted(named - {"Makefile"}):
        assert re.search(rf"^(?:class )?{name}\b", source, re.MULTILINE), name
    for name in re.findall(r"`[A-Z]\w+\.(\w+)`", DEVELOPERS):
        assert f"def {name}(" in source, name


def test_every_folder_is_on_the_map() -> None:
    lines = (ROOT / ".gitignore").read_text(encoding="utf-8").splitlines()
    ignored = [line.strip("/") for line in lines if not line.startswith("#")] + [".git"]
    folders = (path.name for path in ROOT.iterdir() if path.is_dir())
    tops = {name for name in folders if not any(fnmatch(name, rule) for rule in ignored)}
    packages = {f"host_sim/{p.parent.name}" for p in (ROOT / "host_sim").glob("*/__init__.py")}
    on_map = set(re.findall(r"^\| `([\w./]+?)/?` \|", DEVELOPERS, re.MULTILINE))
    on_map |= {name.split("/")[0] for name in on_map}
    assert (tops | packages) - on_map == set()


@pytest.mark.parametrize("line", indented(README + BENCH, "sparktick"), ids=" ".join)
def test_commands_of_the_documents_are_commands(line: list[str]) -> None:
    name = line[1]
    if name == "COMMAND":
        return
    assert name in COMMANDS
    found = cli.get_command(click.Context(cli), name)
    assert found is not None
    options = {option for param in found.params for option in param.opts}
    given = {word for word in line[2:] if word.startswith("-")}
    assert given <= options | {"--help"}


def test_every_command_is_there() -> None:
    assert cli.list_commands(click.Context(cli)) == list(COMMANDS)


@pytest.mark.parametrize(
    "line", indented(README, "make") + indented(DEVELOPERS, "make"), ids=" ".join
)
def test_targets_are_in_the_makefile(line: list[str]) -> None:
    target = line[1]
    assert re.search(rf"^{target}:.*## ", MAKEFILE, re.MULTILINE)


def test_the_readme_begins_with_the_job_and_two_commands() -> None:
    job, commands = README.split("\n\n")[1:3]
    assert len(job.split()) > 60
    assert [line.split("#")[0].strip() for line in commands.splitlines()] == [
        "make demo",
        "make test",
    ]


def test_blocks_are_what_their_commands_write() -> None:
    check = "import sys; sys.path.insert(0, 'tools'); import make_docs; "
    check += "text = make_docs.README.read_text(encoding='utf-8'); "
    check += "sys.exit(text != make_docs.fill(text, make_docs.QUICK))"
    done = subprocess.run([sys.executable, "-c", check], cwd=ROOT, check=False)
    assert done.returncode == 0, "README.md is out of date: make docs"
    assert set(re.findall(r"<!-- (\w+): tools/make_docs\.py -->", README)) == {
        "boards",
        "images",
        "commands",
        "check",
        "emulate",
    }


def test_noise_page_holds_its_tables() -> None:
    """`make docs` fills them; their figures take minutes, so that they are not made here."""
    page = (ROOT / "docs" / "noise.md").read_text(encoding="utf-8")
    assert set(re.findall(r"<!-- (\w+): tools/make_docs\.py -->\n\n\|", page)) == {
        "noise_layers",
        "noise_campaign",
        "noise_bound",
    }


def test_the_pipeline_picture_is_what_its_script_draws() -> None:
    code = "import sys; sys.path.insert(0, 'tools'); import pipeline_picture as p; "
    code += "sys.stdout.write(p.pipeline_svg())"
    drawn = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, check=True)
    assert (ROOT / "docs" / "pipeline.svg").read_bytes() == drawn.stdout


def keys_of(value: Any, prefix: str = "") -> set[str]:
    """Dotted keys of a document; lists of objects as ``key[]``."""
    if isinstance(value, dict) and value:
        return {
            key
            for name, inner in value.items()
            for key in keys_of(inner, f"{prefix}.{name}" if prefix else name)
        }
    if isinstance(value, list) and value and isinstance(value[0], dict):
        return keys_of(value[0], f"{prefix}[]")
    return {prefix}


def test_the_manifest_page_lists_the_manifest(tmp_path: Path) -> None:
    manifest: dict[str, Any] = {}
    for name in ("avocet", "plover"):  # the one with two coils and a measured supply as well
        generate(ROOT / "examples" / f"{name}.toml", tmp_path / name)
        manifest |= json.loads((tmp_path / name / "manifest.json").read_text())
    # Slow handlers; a filter that samples seldom; a UF2 file.
    for name in ("tiny85-16mhz", "pill-103c8", "pico-rp2040"):
        (tmp_path / f"{name}.toml").write_text(engine_for(name))
        generate(tmp_path / f"{name}.toml", tmp_path / name)
        manifest |= json.loads((tmp_path / name / "manifest.json").read_text())
    manifest["sizes"] = {"flash_bytes": 1, "ram_bytes": 1}  # as `sparktick build` fills it
    page = (ROOT / "docs" / "manifest.md").read_text(encoding="utf-8")
    rows = [line.split("|")[1] for line in page.splitlines() if line.startswith("| `")]
    listed = {name for row in rows for name in re.findall(r"`([\w.\[\]]+)`", row)}
    assert listed == keys_of(manifest)


def test_the_gate_installs_what_tests_ask_for() -> None:
    gate = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    extra = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    tests = "\n".join(
        path.read_text(encoding="utf-8")
        for path in (ROOT / "tests").rglob("*.py")
        if path.name not in ("test_needs_system.py", Path(__file__).name)
    )
    packages = re.search(r"PACKAGES=\((.*?)\n\)", gate, re.DOTALL)
    assert packages is not None
    installed = set(re.sub(r"#.*", "", packages[1]).split())
    for wanted in re.findall(r'"apt-get install ([^"]+)"', tests):
        assert set(wanted.split()) <= installed
    for wanted in re.findall(r'"pip install ([\w-]+)[^"]*"', tests):
        assert f'"{wanted.lower()}' in extra.lower()


def test_the_gate_hides_nothing() -> None:
    gate = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "|| true" not in gate
    assert gate.splitlines()[0] == "#!/usr/bin/env bash"
    assert "\nset -Eeuo pipefail\n" in gate
    assert "SPARKTICK_REQUIRE_ALL=1" in gate
    for target in ("test", "demo", "check"):
        assert re.search(rf"^ *make {target}\b", gate, re.MULTILINE)
