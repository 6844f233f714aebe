"""What is installed: each file of the package that is no code is named in pyproject.toml, or an install lacks it."""

from __future__ import annotations

import tomllib
from pathlib import Path

import forcekit

PACKAGE = Path(forcekit.__file__).parent
ROOT = PACKAGE.parent


def test_every_file_of_the_package_is_packed() -> None:
    """Templates, device files, samples and pages match a pattern of package-data."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    patterns = settings["tool"]["setuptools"]["package-data"]["forcekit"]
    packed = {path for pattern in patterns for path in PACKAGE.glob(pattern)}
    files = {p for p in PACKAGE.rglob("*") if p.is_file() and p.suffix not in (".py", ".pyc")}

    assert files, "the package holds samples and the cue book at least"
    assert [] == sorted(str(p.relative_to(PACKAGE)) for p in files - packed)
