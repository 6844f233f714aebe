"""The public face: what is promised is there, and nothing else is promised."""

from __future__ import annotations

import importlib
import re
from pathlib import Path

import pytest

import forcekit

PACKAGE = Path(forcekit.__file__).parent
MODULES = sorted(
    ".".join(("forcekit", *path.relative_to(PACKAGE).with_suffix("").parts))
    for path in PACKAGE.rglob("*.py")
    if path.name not in ("__init__.py", "__main__.py")
)


@pytest.mark.parametrize("name", forcekit.__all__)
def test_every_public_name_can_be_had(name: str) -> None:
    """`__all__` promises nothing that is not there."""
    assert getattr(forcekit, name) is not None


def test_all_is_exactly_what_can_be_imported() -> None:
    """The lazy table, `__all__` and the version are one list."""
    assert set(forcekit.__all__) == set(forcekit._PLACES) | {"__version__"}


def test_what_editors_see_is_what_can_be_had() -> None:
    """The imports written for type checkers name the places of the lazy table."""
    text = (PACKAGE / "__init__.py").read_text(encoding="utf-8")
    named = {name: place for place, name in re.findall(r"from (forcekit\.\S+) import \w+ as (\w+)", text)}
    assert named == forcekit._PLACES


def test_the_docstring_lists_the_names() -> None:
    """The table of contents at the top names every public name."""
    assert forcekit.__doc__ is not None
    missing = [n for n in forcekit.__all__ if n != "__version__" and not re.search(rf"^{n}\b", forcekit.__doc__, re.M)]
    assert missing == []


def test_an_unknown_name_is_an_attribute_error() -> None:
    """A name that is not there says so."""
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        forcekit.nonsense  # noqa: B018


@pytest.mark.parametrize("module", MODULES)
def test_all_of_every_module_exists(module: str) -> None:
    """No module promises in `__all__` what it does not have; modules of an extra not installed are left to it."""
    try:
        found = importlib.import_module(module)
    except ModuleNotFoundError as e:
        if e.name is None or e.name.startswith("forcekit"):
            raise
        return
    assert [n for n in getattr(found, "__all__", ()) if not hasattr(found, n)] == []
