"""Sentences of the terminal summary: what happened, with its uncertainty and its direction."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

import forcekit
from forcekit.results import Lift, Measure
from forcekit.show.words import bar_beside, headline

SAMPLES = Path(__file__).parents[2] / "sample_signals"


@cache
def lift() -> Lift:
    """Give a clean jerk of the club's plate."""
    analysis = forcekit.analyze(
        forcekit.read(
            SAMPLES / "oda_60_kg.csv", device=SAMPLES / "club_plate.toml", card=SAMPLES / "oda_60_kg.card.toml"
        )
    )
    return analysis[0]


def with_measures(**values: tuple[float, float]) -> Lift:
    """Give the same lift with other values and half-widths (SI)."""
    changed = {
        name: Measure(name, lift()[name].unit, value, value - half, value + half)
        for name, (value, half) in values.items()
    }
    return replace(lift(), measures={**lift().measures, **changed})


@pytest.mark.parametrize(
    ("dip", "drive", "told"),
    [
        ((-0.0121, 0.0011), (0.0677, 0.0003), "1.2 ± 0.1 cm back in the dip, then 6.8 cm forward in the drive."),
        ((0.0004, 0.0021), (-0.0002, 0.0003), "0.0 ± 0.2 cm in the dip, then 0.0 cm in the drive."),
        ((0.0006, 0.0021), (-0.0006, 0.0021), "0.1 ± 0.2 cm forward in the dip, then 0.1 ± 0.2 cm back in the drive."),
    ],
)
def test_pressure_moves_with_its_uncertainty(dip: tuple[float, float], drive: tuple[float, float], told: str) -> None:
    """A shift carries its ± where it can be seen, and what is zero as written has no direction."""
    assert headline(with_measures(shift_in_dip=dip, shift_in_drive=drive)).endswith(f"pressure moved {told}")


def test_the_bar_is_told_only_where_it_was_measured() -> None:
    """Without a sensor on the bar there is no sentence on it; with one, how it lay and where it went."""
    path = {"bar_forward_in_dip": (0.004, 0.002), "bar_forward_in_drive": (0.051, 0.002)}
    load = "At its lightest in the dip the bar pressed on the shoulders with 0.44 ± 0.01 × its weight"
    assert bar_beside(lift()) == ""
    assert bar_beside(with_measures(bar_least_rack_load=(0.44, 0.006))) == f"{load}."
    assert bar_beside(with_measures(bar_least_rack_load=(-0.001, 0.006))) == (
        "At its lightest in the dip the bar did not press on the shoulders (0.00 ± 0.01 × its weight)."
    )
    assert bar_beside(with_measures(bar_least_rack_load=(0.44, 0.006), **path)) == (
        f"{load}; it moved 0.4 ± 0.2 cm forward in the dip, then 5.1 ± 0.2 cm forward in the drive."
    )
