"""Which reader, which device file: a recording is put together from its files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from forcekit.acquire.device_file import save_device
from forcekit.acquire.source import READERS, read
from forcekit.errors import InputError
from forcekit.model import AttemptCard, BarSensor, Channel, DeviceFile, TimeAxis
from tests.acquire.tables import CELLS, Dialect, cell_device, one_column_device, quiet_stance, write_table

NAMES = ("Time", *CELLS)
BAR = DeviceFile(
    name="sensor",
    kind="bar",
    time=TimeAxis(column="Time"),
    channels=tuple(Channel(name=c, unit="m/s2") for c in ("FL", "FR", "RL")),
    bar=BarSensor(accel=("FL", "FR", "RL")),
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with a plate and a bar recording and no device file."""
    for name in ("kim_70.csv", "kim_70_bar.csv"):
        write_table(tmp_path / name, NAMES, quiet_stance(), Dialect())
    return tmp_path


def test_the_device_file_named_after_the_recording_comes_first(folder: Path) -> None:
    """``NAME.device.toml`` is preferred to ``device.toml``, which serves all other files of the folder."""
    save_device(cell_device(), folder / "device.toml")
    save_device(one_column_device(time=TimeAxis(rate_hz=100.0), channel=Channel(name="F", column=2)),
                folder / "kim_70.device.toml")  # fmt: skip

    assert read(folder / "kim_70.csv").plate.device.name == "one column"  # type: ignore[union-attr]
    assert read(folder / "kim_70_bar.csv").plate.device.name == "four cells"  # type: ignore[union-attr]


def test_plate_bar_and_card_make_one_recording(folder: Path) -> None:
    """Each stream keeps its own device file; the card is read from its file."""
    save_device(cell_device(), folder / "device.toml")
    save_device(BAR, folder / "bar.device.toml")
    (folder / "card.toml").write_text('athlete = "Kim"\n')
    recording = read(folder / "kim_70.csv", bar=folder / "kim_70_bar.csv", card=folder / "card.toml")

    assert recording.plate is not None
    assert recording.bar is not None
    assert (recording.plate.device.kind, recording.bar.device.kind) == ("plate", "bar")
    assert recording.card == AttemptCard(athlete="Kim")
    assert np.array_equal(recording.plate.raw["FL"], recording.bar.raw["FL"])


def test_a_bar_recording_may_stand_alone(folder: Path) -> None:
    """A file whose device file describes a bar sensor becomes the bar of the recording."""
    recording = read(folder / "kim_70_bar.csv", BAR)

    assert recording.plate is None
    assert recording.bar is not None


def test_exchanged_files_are_noticed(folder: Path) -> None:
    """A bar given as plate, or a plate given as bar, is refused."""
    with pytest.raises(InputError, match="exchange the two files"):
        read(folder / "kim_70_bar.csv", BAR, bar=folder / "kim_70.csv", bar_device=cell_device())
    with pytest.raises(InputError, match="describes a plate"):
        read(folder / "kim_70.csv", cell_device(), bar=folder / "kim_70_bar.csv", bar_device=cell_device())


def test_without_a_device_file_the_proposal_is_named(folder: Path) -> None:
    """The sentence says which files were looked for and which command writes one."""
    with pytest.raises(InputError, match=r"kim_70\.device\.toml nor device\.toml .*forcekit propose kim_70\.csv"):
        read(folder / "kim_70.csv")


def test_an_unknown_suffix_names_the_known_ones(folder: Path) -> None:
    """A spreadsheet is refused with the list of what can be read."""
    (folder / "a.xlsx").write_bytes(b"PK\x03\x04")
    with pytest.raises(InputError) as caught:
        read(folder / "a.xlsx", cell_device())

    assert all(suffix in str(caught.value) for suffix in READERS)
