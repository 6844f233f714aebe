"""Own limits from the store: from how many reps, at which load, with what margin."""

from __future__ import annotations

import numpy as np
import pytest
from reps import DAY_S, START, add
from scipy import stats

from forcekit.analysis.findings import load_cue_book
from forcekit.analysis.own_limits import with_limits
from forcekit.history.attempts import add_attempt
from forcekit.history.own_limits import LEAST_REPS_LIMIT, own_limits
from forcekit.history.people import add_athlete
from forcekit.history.store import Store
from forcekit.model import AttemptCard
from forcekit.results import Measure

DEPTHS = 0.10 + 0.004 * np.random.default_rng(2).standard_normal(12)


@pytest.fixture
def ina(lite: Store) -> Store:
    """Twelve reps at 80 kg, one a day, and two far deeper ones that were missed."""
    add_athlete(lite, "Ina")
    for day, depth in enumerate(DEPTHS):
        add(lite, day=day, dip_depth_of_stature=float(depth), shift_in_dip_of_foot=float(depth) - 0.1)
    for day in (20, 21):
        add(lite, day=day, outcome="missed forward", dip_depth_of_stature=0.16, shift_in_dip_of_foot=0.2)
    return lite


def test_ends_of_the_99_percent_range_with_the_margin(ina: Store) -> None:
    """Limit = end of the t-based range of the reps without a miss, and half the usual interval (1 % here)."""
    found = own_limits(ina, "Ina", load_kg=80.0)
    half = float(stats.t.ppf(0.995, 11)) * DEPTHS.std(ddof=1) * np.sqrt(1 + 1 / 12)
    margin = 0.01 * np.median(DEPTHS)

    assert found["too_deep"][0] == pytest.approx(DEPTHS.mean() + half + margin)
    assert found["too_shallow"][0] == pytest.approx(DEPTHS.mean() - half - margin)
    assert "at 80 kg (99 %, 12 reps without a miss)" in found["too_deep"][1]
    assert "down to" in found["too_shallow"][1]


def test_reps_without_intervals_give_no_limit(lite: Store) -> None:
    """How much the measuring itself adds is not known of values without an interval."""
    add_athlete(lite, "Eva")
    for day, depth in enumerate(DEPTHS):
        add_attempt(
            lite, "Eva", [Measure("dip_depth_of_stature", "", float(depth))], card=AttemptCard(load_kg=80.0),
            definitions="1", at=START + day * DAY_S,
        )  # fmt: skip

    assert own_limits(lite, "Eva", load_kg=80.0) == {}


def test_a_signed_measure_gives_the_cue_books_sign(ina: Store) -> None:
    """The limit toward the heels is a positive number in the cue book, the range's lower end is negative."""
    found = own_limits(ina, "Ina", load_kg=80.0)
    book = with_limits(load_cue_book(), found)

    assert found["toward_heels"][0] > 0.0
    assert "goes down to −" in book["toward_heels"].limit_source
    assert set(found) == {"too_deep", "too_shallow", "forward_in_dip", "toward_heels"}


def test_too_few_reps_another_load_or_no_load_give_no_limit(ina: Store) -> None:
    """Fewer than 8 reps before the lift, a load never lifted, or an unknown load: common practice stays."""
    early = START + (LEAST_REPS_LIMIT - 1.5) * DAY_S

    assert own_limits(ina, "Ina", load_kg=80.0, until=early) == {}
    assert set(own_limits(ina, "Ina", load_kg=80.0, until=early + DAY_S)) != set()
    assert own_limits(ina, "Ina", load_kg=110.0) == {}
    assert own_limits(ina, "Ina", load_kg=None) == {}
