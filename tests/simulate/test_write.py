"""What is written is what was recorded: CSV in many dialects, device file, card, truth."""

from __future__ import annotations

import csv
import io
import itertools
import json
import tomllib
from pathlib import Path

import msgspec
import numpy as np
import pytest

from forcekit.acquire.csv_file import read_csv
from forcekit.acquire.device_file import load_card, load_device
from forcekit.model import AttemptCard, DeviceFile, Stream
from forcekit.simulate.lifter import LiftPlan, simulate_lift
from forcekit.simulate.sensors import PlateSensor, record_plate
from forcekit.simulate.write import CsvDialect, write_card, write_device, write_stream, write_truth

MOTION = simulate_lift(LiftPlan(hold_s=0.3), 1)

DIALECTS = {
    "plain": CsvDialect(),
    "comma": CsvDialect(delimiter=";", decimal=",", units_row=True, byte_order_mark=True, line_end="\r\n"),
    "bare": CsvDialect(delimiter="\t", header=False, time_unit=None, decimals=2),
    "named": CsvDialect(
        names={"time": "Zeit", "cell_1": "Zelle vorn links"}, time_unit="ms", time_decimals=1,
        extra_columns={"Bemerkung": "7"}, comments=("quarry lane", "made up"),
    ),
    "unstated": CsvDialect(delimiter=";", time_unit="us", time_decimals=0, state_layout=False),
}  # fmt: skip


def recorded(**changes: object) -> Stream:
    """Record the motion with the default plate at 200 Hz."""
    stream = record_plate(MOTION, PlateSensor(rate_hz=200.0, **changes), 1).plate  # type: ignore[arg-type]
    assert stream is not None
    return stream


@pytest.mark.parametrize("name", DIALECTS)
def test_every_dialect_is_read_back(name: str, tmp_path: Path) -> None:
    """The project's own reader gives times and numbers back to half the last digit written."""
    dialect, stream = DIALECTS[name], recorded()
    write_device(write_stream(stream, tmp_path / "lift.csv", dialect), tmp_path / "plate.toml")
    back = read_csv(tmp_path / "lift.csv", load_device(tmp_path / "plate.toml"))
    assert np.max(np.abs(back.t_s - stream.t_s)) < 1e-9
    for channel, values in stream.raw.items():
        assert np.max(np.abs(back.raw[channel] - values)) <= 0.5 * 10.0**-dialect.decimals + 1e-9


def test_plain_csv_is_what_any_reader_expects(tmp_path: Path) -> None:
    """The standard library's reader finds the header and the numbers."""
    stream = recorded()
    write_stream(stream, tmp_path / "lift.csv", CsvDialect())
    rows = list(csv.DictReader(io.StringIO((tmp_path / "lift.csv").read_text(encoding="utf-8"))))
    assert len(rows) == stream.t_s.size
    assert float(rows[100]["cell_3"]) == pytest.approx(stream.raw["cell_3"][100], abs=5e-4)


def test_counts_are_written_as_whole_numbers(tmp_path: Path) -> None:
    """A plate that counts gives a file of integers that is read back exactly."""
    stream = recorded(step_n=0.25, count_offset=8000.0, saturation_n=4000.0)
    write_device(write_stream(stream, tmp_path / "a.csv", CsvDialect(decimals=0)), tmp_path / "a.toml")
    back = read_csv(tmp_path / "a.csv", load_device(tmp_path / "a.toml"))
    assert all(np.array_equal(back.raw[k], stream.raw[k]) for k in stream.raw)


@pytest.mark.parametrize("kind", ["cells", "components", "pressure", "vertical"])
@pytest.mark.parametrize("two", [False, True])
def test_device_file_says_the_same_after_writing(kind: str, two: bool, tmp_path: Path) -> None:
    """Every field of the device comes back; what has its default value is left out of the text."""
    stream = recorded(kind=kind, two_plates=two, z_axis="down", step_n=0.1, saturation_n=5000.0)
    write_device(stream.device, tmp_path / "plate.toml", comments=("a comment",))
    text = (tmp_path / "plate.toml").read_text(encoding="utf-8")
    assert msgspec.convert(tomllib.loads(text), DeviceFile) == stream.device
    assert load_device(tmp_path / "plate.toml") == stream.device
    assert "sign" not in text


def test_card_says_the_same_after_writing(tmp_path: Path) -> None:
    """An attempt card comes back as it was."""
    card = AttemptCard(
        athlete="Tamo Velling", movement="jerk", load_kg=80.0, foot_length_m=0.271, note='he said "fine"'
    )
    write_card(card, tmp_path / "card.toml")
    assert load_card(tmp_path / "card.toml") == card


def test_truth_is_written_with_seven_digits(tmp_path: Path) -> None:
    """Every measure of every lift stands in the truth file."""
    write_truth(MOTION, tmp_path / "truth.json")
    lifts = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))["lifts"]
    assert len(lifts) == 1
    assert lifts[0]["measures"] == pytest.approx(dict(MOTION.truths[0].measures), rel=1e-6)


def test_doubled_rows_are_there(tmp_path: Path) -> None:
    """With `duplicate_every` some rows stand twice, one after the other."""
    stream = recorded()
    write_stream(stream, tmp_path / "a.csv", CsvDialect(duplicate_every=100))
    rows = (tmp_path / "a.csv").read_text(encoding="utf-8").splitlines()[1:]
    twice = sum(a == b for a, b in itertools.pairwise(rows))
    assert twice == len([i for i in range(stream.t_s.size) if i % 100 == 1])


def test_lost_samples_need_a_time_column(tmp_path: Path) -> None:
    """A rate alone cannot tell where samples are missing."""
    with pytest.raises(ValueError, match="needs a time column"):
        write_stream(recorded(drop_probability=0.05), tmp_path / "a.csv", CsvDialect(time_unit=None))


def test_delimiter_and_decimal_sign_must_differ(tmp_path: Path) -> None:
    """Nobody could read such a table."""
    with pytest.raises(ValueError, match="must differ"):
        write_stream(recorded(), tmp_path / "a.csv", CsvDialect(decimal=","))
