"""What decides the numbers beside the recordings: the code that runs and the libraries it computes with."""

from __future__ import annotations

import functools
import hashlib
import platform
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import forcekit
from forcekit.errors import InputError

__all__ = ["check_identity", "identity", "versions"]

FOLDERS = ("acquire", "analysis", "mechanics", "batch")
"""Whose code decides the numbers, with the modules that belong to no folder."""
LIBRARIES = ("numpy", "scipy", "pandas", "pyarrow")


@functools.cache
def code_hash() -> str:
    """Sixteen hex digits that change when anything changes that decides the numbers, the cue book included."""
    root = Path(forcekit.__file__).parent
    files = sorted(p for p in root.glob("*.py") if not p.name.startswith(("cli", "__")))
    for folder in FOLDERS:
        files += sorted(p for p in (root / folder).iterdir() if p.suffix in (".py", ".toml"))
    total = hashlib.sha256()
    for path in files:
        total.update(path.name.encode() + b"\0" + path.read_bytes())
    return total.hexdigest()[:16]


@functools.cache
def versions() -> dict[str, str]:
    """Versions by name, for the manifest."""
    out = {"forcekit": forcekit.__version__, "code": code_hash()}
    out["python"] = platform.python_version()
    for name in LIBRARIES:
        try:
            out[name] = version(name)
        except PackageNotFoundError:
            out[name] = "not installed"
    return out


@functools.cache
def identity() -> str:
    """One line that differs wherever numbers might."""
    return " ".join(f"{name}={v}" for name, v in versions().items())


def check_identity(wanted: str) -> None:
    """Raise an InputError if other code or libraries run here than where the batch was started."""
    if identity() == wanted:
        return
    here, there = dict(p.split("=", 1) for p in identity().split(" ")), dict(p.split("=", 1) for p in wanted.split(" "))
    differ = [f"{n} {here.get(n)} instead of {there.get(n)}" for n in there if here.get(n) != there.get(n)]
    raise InputError(
        f"a worker on {platform.node()} has {', '.join(differ)}; install the same versions on all computers of the "
        "cluster, or the numbers could depend on who worked."
    )
