"""The front door: every command stands in the README with options that exist, and every file it names is there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import pytest
import typer

from forcekit.cli import app

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^ *```sh\n(.*?)^ *```", README, re.S | re.M)
LINES = [
    line.strip()
    for block in BLOCKS
    for line in block.replace("\\\n", " ").splitlines()
    if line.strip().startswith("forcekit ")
]


def commands() -> dict[str, Any]:
    """Every command of the program by its words."""
    found: dict[str, Any] = {}
    for name, command in typer.main.get_command(app).commands.items():  # type: ignore[attr-defined]
        for inner, one in getattr(command, "commands", {"": command}).items():
            found[f"{name} {inner}".strip()] = one
    return found


COMMANDS = commands()


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_stands_there(name: str) -> None:
    """Somebody who only reads the README knows that the command exists."""
    if name in ("athlete list", "athlete change", "athlete weigh"):
        name = "athlete add"  # its help lists its neighbours
    last = name.split()[-1]
    assert f"forcekit {name}" in README or f"`{last}" in README


@pytest.mark.parametrize("line", LINES)
def test_examples_use_what_there_is(line: str) -> None:
    """Command and options of each example exist."""
    words = shlex.split(line, comments=True)[1:]
    name = next(n for n in (" ".join(words[:2]), words[0]) if n in COMMANDS)
    known = {option for param in COMMANDS[name].params for option in param.opts + param.secondary_opts}
    used = {w.split("=")[0] for w in words if re.match(r"--?[a-z]", w)}

    assert used <= known


def test_there_are_examples() -> None:
    """The lines above were found at all: the two commands, the three users, own recordings."""
    assert len(LINES) >= 12
    assert ".venv/bin/forcekit demo --plot lift.png" in README
    assert ".venv/bin/python -m pytest -n 2" in README


def test_every_file_it_shows_or_names_is_there() -> None:
    """Pictures, folders and files in links and in code."""
    shown = re.findall(r"\]\(([^)#:]+)\)|src=\"([^\"]+)\"", README)
    named = re.findall(r"`((?:sample_signals|notebooks|firmware_notes|tests|forcekit)/[\w./]*)`", README)
    missing = [p for pair in shown for p in pair if p and not (ROOT / p).exists()]
    missing += [p for p in named if not (ROOT / p).exists()]

    assert [] == missing


def test_pictures_have_words_and_are_small() -> None:
    """Every picture has a text alternative, and none makes a clone heavy."""
    pictures = re.findall(r"!\[([^\]]*)\]\(([^)]+)\)", README)
    pictures += [(alt, src) for src, alt in re.findall(r"<img src=\"([^\"]+)\"[^>]*alt=\"([^\"]*)\"", README)]

    assert len(pictures) >= 4
    for words, path in pictures:
        assert len(words) > 30, path
        assert (ROOT / path).stat().st_size < 200_000, path
