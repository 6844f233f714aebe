"""Who may import whom, who may print, and what a light start may load: read from the files, not from habit."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import forcekit

PACKAGE = Path(forcekit.__file__).parent
FLOORS = {
    "errors": 0, "constants": 0, "model": 0, "numbers": 0, "results": 0, "registry": 0, "terminal": 0, "threads": 0,
    "__init__": 0,
    "mechanics": 1, "simulate": 1,
    "acquire": 2, "analysis": 2,
    "history": 3,
    "show": 4,
    "batch": 5, "session": 5, "live": 5,
    "cli": 6, "__main__": 7,
}  # fmt: skip
"""Floor of each module or folder; those of one floor do not use each other, except on floor 0."""
ALLOWED_SIDEWAYS = {("acquire/virtual.py", "simulate")}
"""The virtual device plays the simulator; nothing else of acquire does."""
FACE = "__init__.py"
FILES = sorted(PACKAGE.rglob("*.py"))
HEAVY = {"matplotlib", "pandas", "sqlalchemy", "bleak", "serial", "scipy"}
NOT_AT_START = ("numpy", "scipy", "pandas", "matplotlib", "msgspec")


def name_of(path: Path) -> str:
    """Path inside the package, with slashes."""
    return path.relative_to(PACKAGE).as_posix()


def part_of(name: str) -> str:
    """Folder or module on the first level; the files of the command line, cli.py and cli_*.py, are one part."""
    part = name.split("/")[0].removesuffix(".py")
    return "cli" if part.startswith("cli_") else part


def imports(tree: ast.AST) -> list[tuple[int, str]]:
    """Line and full module name of every import, wherever it stands; names imported from a package count as modules."""
    found: list[tuple[int, str]] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            found.append((node.lineno, "." * node.level + (node.module or "")))
            if node.module == "forcekit":
                found += [(node.lineno, f"forcekit.{alias.name}") for alias in node.names]
    return found


def test_every_part_of_the_package_has_a_floor() -> None:
    """A new folder or module must be given its place."""
    parts = {part_of(name_of(path)) for path in FILES}
    assert parts - set(FLOORS) == set()


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_imports_go_downward(path: Path) -> None:
    """No import upward or sideways, none relative."""
    name = name_of(path)
    own = part_of(name)
    wrong = []
    for line, module in imports(ast.parse(path.read_text(encoding="utf-8"))):
        assert not module.startswith("."), f"{name}:{line} imports relatively"
        if not module.startswith("forcekit."):
            continue
        other = part_of(module.split(".")[1])
        if other == own or other not in FLOORS or name == FACE or (name, other) in ALLOWED_SIDEWAYS:
            continue
        below = FLOORS[other] < FLOORS[own] or FLOORS[other] == FLOORS[own] == 0
        # Results draw and tabulate themselves when asked; that import waits inside the method.
        if not below and not (name == "results.py" and other == "show"):
            wrong.append(f"{name}:{line} imports {module}")
    assert wrong == []


def test_the_analysis_never_sees_the_simulator() -> None:
    """What judges the analysis shares no code with it, and only the virtual devices and the demo use it."""
    users = {
        name_of(path)
        for path in FILES
        for _, module in imports(ast.parse(path.read_text(encoding="utf-8")))
        if module.startswith("forcekit.simulate") and part_of(name_of(path)) != "simulate"
    }
    assert {name for name in users if part_of(name) in ("mechanics", "analysis", "history", "show")} == set()
    used = {
        module.split(".")[1]
        for path in FILES
        for _, module in imports(ast.parse(path.read_text(encoding="utf-8")))
        if part_of(name_of(path)) == "simulate" and module.startswith("forcekit.")
    }
    assert used - {"simulate"} <= {"constants", "model", "errors"}


@pytest.mark.parametrize("path", FILES, ids=name_of)
def test_only_the_command_line_prints(path: Path) -> None:
    """`print` is called in cli.py and cli_*.py alone."""
    calls = [
        node.lineno
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]
    assert part_of(name_of(path)) == "cli" or calls == []


@pytest.mark.parametrize("path", [p for p in FILES if part_of(name_of(p)) == "show"], ids=name_of)
def test_show_computes_nothing_and_takes_no_analysis(path: Path) -> None:
    """What a person sees is made of results: show imports neither acquire nor analysis nor mechanics."""
    used = {module.split(".")[1] for _, module in imports(ast.parse(path.read_text(encoding="utf-8"))) if "." in module}
    assert used & {"acquire", "analysis", "mechanics", "simulate"} == set()


def loaded_by(*command: str) -> set[str]:
    """Top-level packages a fresh interpreter imports for a command."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", *command], capture_output=True, text=True, check=True, timeout=60
    )
    return {line.rsplit("|", 1)[1].strip().split(".")[0] for line in done.stderr.splitlines() if "|" in line}


@pytest.mark.parametrize("path", [p for p in FILES if p.name.startswith("cli_")], ids=name_of)
def test_commands_load_late(path: Path) -> None:
    """A file that adds commands imports at its top nothing that a light start may not load, nor do their options."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    adds = any(isinstance(node, ast.FunctionDef) and node.name == "register" for node in tree.body)
    if not adds and path.name != "cli_options.py":
        return
    every = {m for node in tree.body if not isinstance(node, ast.If) for m in top_imports(node)}
    at_top = {m.split(".")[0] for m in every - {"forcekit.cli_options"}}
    assert at_top & ({"forcekit", "rich"} | HEAVY | set(NOT_AT_START)) == set()


def top_imports(node: ast.stmt) -> list[str]:
    """Modules that one statement at the top of a file imports."""
    return [m for _, m in imports(node)] if isinstance(node, ast.Import | ast.ImportFrom) else []


def test_help_loads_no_numpy() -> None:
    """`forcekit --help` is instant: of the heavy libraries nothing is loaded."""
    loaded = loaded_by("-m", "forcekit", "--help")
    assert "typer" in loaded
    assert loaded & set(NOT_AT_START) == set()


def test_importing_forcekit_is_light() -> None:
    """`import forcekit` loads none of the heavy libraries, not even numpy."""
    loaded = loaded_by("-c", "import forcekit")
    assert "forcekit" in loaded
    assert loaded & (HEAVY | set(NOT_AT_START)) == set()


def test_analysis_loads_no_plotting_or_tables() -> None:
    """Reading and analysing needs numpy and msgspec; scipy, pandas and matplotlib wait until asked for."""
    loaded = loaded_by("-c", "import forcekit; forcekit.analyze; forcekit.MEASURES; forcekit.AttemptCard")
    assert "numpy" in loaded
    assert loaded & HEAVY == set()
