"""The notebooks: kept without outputs and places, and run from top to bottom."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
NAMES = [path.stem for path in NOTEBOOKS]


def read(path: Path) -> Any:
    """A notebook, valid in its format."""
    import nbformat

    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    return notebook


def test_there_are_the_five() -> None:
    """The three users, how a lift is measured, and how far to trust it."""
    assert {
        "athlete_season", "coach_session", "how_a_lift_is_measured", "how_far_to_trust_it", "scientist_batch",
    } == set(NAMES)  # fmt: skip


@pytest.mark.parametrize("path", NOTEBOOKS, ids=NAMES)
def test_it_is_kept_clean(path: Path) -> None:
    """No output, no count of runs, no place of anyone's machine, a title first."""
    notebook = read(path)
    text = path.read_text(encoding="utf-8")

    assert notebook.cells[0].cell_type == "markdown"
    assert notebook.cells[0].source.startswith("# ")
    for cell in notebook.cells:
        assert not cell.get("outputs")
        assert cell.get("execution_count") is None
    assert {"kernelspec", "language_info"} == set(notebook.metadata)
    assert not re.search(r"/(?:home|root|tmp|work|Users)\b|[A-Z]:\\\\", text)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=NAMES)
def test_it_runs(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every cell runs in a fresh kernel, without a warning, and figures are drawn where they are asked for."""
    from nbclient import NotebookClient

    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setenv("FORCEKIT_DATA", str(tmp_path / "no history"))
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "ipython"))
    notebook = read(path)
    NotebookClient(notebook, timeout=120, resources={"metadata": {"path": str(path.parent)}}).execute()
    outputs = [out for cell in notebook.cells for out in cell.get("outputs", ())]
    pictures = [out for out in outputs if "image/png" in out.get("data", {})]

    assert [] == [out for out in outputs if out.output_type == "stream" and out.name == "stderr"]
    assert pictures or path.stem == "how_far_to_trust_it"
