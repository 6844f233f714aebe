"""Memory that numpy hands out before anything was written to it has no say in a result."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from forcekit.acquire.source import read
from forcekit.analysis.pipeline import analyze
from forcekit.show.as_json import analysis_dict

SAMPLES = Path(__file__).parents[2] / "sample_signals"
SIGNALLING = 0x7FF0000000000001
"""Bits of a number that makes every sum and quotient it enters a floating-point fault (IEEE 754, signalling NaN)."""


@pytest.mark.parametrize("name", ["lost_in_front", "session_of_oda"])
def test_no_number_rests_on_memory_nobody_wrote(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With every fresh array full of signalling NaNs the numbers are the same, and numpy warns of nothing.

    Plate and bar of one lift, and three lifts of the plate alone. A warning fails the test, as in every other.
    """
    plate = "club_plate_1000_hz.toml" if name == "lost_in_front" else "club_plate.toml"
    bar = (
        {"bar": SAMPLES / f"{name}.bar.csv", "bar_device": SAMPLES / "club_bar.toml"}
        if plate.endswith("hz.toml")
        else {}
    )

    def analysed() -> str:
        recording = read(SAMPLES / f"{name}.csv", device=SAMPLES / plate, card=SAMPLES / f"{name}.card.toml", **bar)
        return json.dumps(analysis_dict(analyze(recording), ""))

    usual = analysed()
    real = np.empty

    def poisoned(*args: Any, **kwargs: Any) -> Any:
        out = real(*args, **kwargs)
        if out.dtype in (np.float64, np.complex128) and out.flags.c_contiguous:
            out.view(np.int64)[...] = SIGNALLING
        return out

    monkeypatch.setattr(np, "empty", poisoned)
    assert analysed() == usual
