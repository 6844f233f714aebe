"""Time stamps of every sort become strictly rising seconds."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from forcekit.acquire.csv_clock import make_clock
from forcekit.acquire.csv_file import read_csv
from forcekit.errors import InputError
from forcekit.model import FloatArray, Stream, TimeAxis
from tests.acquire.tables import one_column_device, write_stamps

RNG = np.random.default_rng(11)
FORCE = 700.0 + RNG.normal(0.0, 3.0, 4000)


def read_stamps(folder: Path, stamps: FloatArray, force: FloatArray | None = None, unit: str = "s") -> Stream:
    """Write stamps beside noisy forces and read them."""
    path = write_stamps(folder / "a.csv", list(stamps), list(FORCE[: stamps.size] if force is None else force))
    return read_csv(path, one_column_device(time=TimeAxis(column="t", unit=unit)))  # type: ignore[arg-type]


@pytest.mark.parametrize(("unit", "factor"), [("s", 1.0), ("ms", 1e3), ("us", 1e6)])
def test_unit_and_start_do_not_matter(tmp_path: Path, unit: str, factor: float) -> None:
    """Times are seconds from the first sample, whatever the unit and wherever the file's clock starts."""
    true = np.arange(1000) / 500.0
    stream = read_stamps(tmp_path, (true + 37.5) * factor, unit=unit)

    assert np.allclose(true, stream.t_s, atol=1e-9)
    assert stream.notes == ()


@pytest.mark.parametrize(("rate_hz", "tick_s"), [(600, 1e-3), (1050, 1e-3), (1000, 1e-2), (2000, 1e-3), (333, 1e-3)])
@pytest.mark.parametrize("rounding", [np.floor, np.round])
def test_rounded_stamps_are_put_on_an_even_clock(
    tmp_path: Path, rate_hz: float, tick_s: float, rounding: np.ufunc
) -> None:
    """Stamps rounded to a tick come back within that tick, evenly spaced, with a note."""
    true = np.arange(4000) / rate_hz
    stream = read_stamps(tmp_path, rounding(true / tick_s + 1e-9) * tick_s)

    assert np.ptp(stream.t_s - true) < tick_s
    assert np.ptp(np.diff(stream.t_s)) < 1e-9
    # The slope through 4000 stamps is known to about tick · √12 / n^1.5 / step, here far below 1e-4.
    assert np.isclose(rate_hz, 1.0 / (stream.t_s[1] - stream.t_s[0]), rtol=1e-4)
    assert "rounded" in stream.notes[-1]


def test_lost_samples_are_not_mistaken_for_rounding(tmp_path: Path) -> None:
    """Single samples lost at random from millisecond stamps at 1 kHz stay gaps at their true times."""
    lost = np.sort(RNG.choice(np.arange(10, 3900), 40, replace=False))
    true = np.delete(np.arange(4000.0), lost) / 1000.0
    stream = read_stamps(tmp_path, np.round(true, 3))

    assert np.allclose(true, stream.t_s, atol=1e-9)
    assert "gaps in the time stamps" in stream.notes[-1]


def test_a_gap_stays_and_is_noted(tmp_path: Path) -> None:
    """A hole of 0.25 s keeps the times after it and is named with place and length."""
    true = np.concatenate((np.arange(1000), np.arange(1250, 2000))) / 1000.0
    stream = read_stamps(tmp_path, true)

    assert np.allclose(true, stream.t_s, atol=1e-9)
    assert stream.notes == ("1 gap in the time stamps, the first after 0.999 s, the longest 251 ms.",)


def test_repeated_rows_are_left_out(tmp_path: Path) -> None:
    """A row written twice, stamp and data, is left out once and noted with its line."""
    index = np.sort(np.concatenate((np.arange(1000), [200, 700, 701])))
    stream = read_stamps(tmp_path, index / 1000.0, FORCE[index])

    assert np.array_equal(FORCE[:1000], stream.raw["F"])
    assert np.allclose(np.arange(1000) / 1000.0, stream.t_s)
    assert stream.notes == ("3 repeated rows left out, the first in line 203.",)


def test_every_row_twice_is_halved(tmp_path: Path) -> None:
    """A logger that writes each row twice gives each sample once."""
    index = np.repeat(np.arange(1000), 2)
    stream = read_stamps(tmp_path, index / 1000.0, FORCE[index])

    assert np.array_equal(FORCE[:1000], stream.raw["F"])


def test_equal_stamps_with_other_data_are_kept(tmp_path: Path) -> None:
    """A stamp that stuck once (0 1 2 2 4) loses no sample: it is spread to the next stamp."""
    stamps = np.arange(500.0)
    stamps[[100, 300]] -= 1.0
    stream = read_stamps(tmp_path, stamps / 1000.0)

    assert np.array_equal(FORCE[:500], stream.raw["F"])
    assert np.allclose(np.arange(500) / 1000.0, stream.t_s, atol=1e-9)
    assert "2 samples with the time stamp of the one before" in stream.notes[0]


def test_coarse_clock_over_a_still_signal_keeps_every_sample(tmp_path: Path) -> None:
    """Equal stamps with equal data are no repeats where the clock is coarse and the plate stands at zero."""
    force = FORCE[:3000].copy()
    force[1000:2000] = 0.0
    true = np.arange(3000) / 1000.0
    stream = read_stamps(tmp_path, np.floor(true / 0.01 + 1e-9) * 0.01, force)

    assert stream.t_s.size == 3000
    assert np.ptp(stream.t_s - true) < 0.01


def test_rare_equal_stamps_over_a_still_signal_keep_every_sample(tmp_path: Path) -> None:
    """At 1050 Hz one in twenty millisecond stamps repeats; on an empty plate written as 0 that proves no copy."""
    force = FORCE[:3000].copy()
    force[1000:2000] = 0.0
    true = np.arange(3000) / 1050.0
    stream = read_stamps(tmp_path, np.floor(true / 1e-3 + 1e-9) * 1e-3, force)

    assert stream.t_s.size == 3000
    assert np.ptp(np.diff(stream.t_s)) < 1e-9


@pytest.mark.parametrize("seed", range(20))
def test_times_always_rise(seed: int) -> None:
    """Whatever happens to stamps that do not run backwards, the times rise strictly from 0 and keep their span."""
    rng = np.random.default_rng(seed)
    steps = rng.choice([0.0, 0.001, 0.001, 0.002, 0.05], 400, p=[0.1, 0.5, 0.2, 0.15, 0.05])
    stamps = np.concatenate(([rng.normal()], steps)).cumsum()
    clock = make_clock(stamps, 1.0, [rng.normal(size=stamps.size)], "x", lambda i: i)

    assert clock.t_s[0] == 0.0
    assert (np.diff(clock.t_s) > 0.0).all()
    assert clock.t_s.size == clock.keep.sum()
    assert abs(clock.t_s[-1] - (stamps[-1] - stamps[0])) < 0.06


def test_clock_set_back_is_refused(tmp_path: Path) -> None:
    """A time that runs backwards is refused with its line and both times."""
    stamps = np.concatenate((np.arange(300), np.arange(300))) / 1000.0
    with pytest.raises(InputError, match=r"backwards in line 302, from 0\.299 to 0 .*cut the file there"):
        read_stamps(tmp_path, stamps)


@pytest.mark.parametrize(
    ("step", "unit", "hint"), [(1.0, "s", 'unit = "ms"'), (0.001, "ms", 'unit = "s"'), (1000.0, "ms", 'unit = "us"')]
)
def test_a_wrong_time_unit_is_recognised(tmp_path: Path, step: float, unit: str, hint: str) -> None:
    """A rate outside 20 to 20000 Hz is refused and the unit that would make sense is named."""
    with pytest.raises(InputError, match=hint):
        read_stamps(tmp_path, np.arange(200) * step, unit=unit)
