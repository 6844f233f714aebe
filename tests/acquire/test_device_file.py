"""Device files and attempt cards: what is written is read back, what contradicts itself is refused."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forcekit.acquire.device_file import device_text, load_card, load_device, save_device
from forcekit.errors import InputError
from forcekit.model import AttemptCard, BarSensor, Channel, DeviceFile, Plate, Site, Stand, Table, TimeAxis
from tests.acquire.tables import cell_device

TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=12)
NUMBERS = st.floats(-1e6, 1e6)


@st.composite
def devices(draw: st.DrawFn) -> DeviceFile:
    """Any sound plate with a ready centre of pressure."""
    names = draw(st.lists(TEXTS.filter(str.strip), min_size=4, max_size=4, unique=True))
    channels = tuple(
        Channel(
            name=name,
            column=draw(st.none() | st.just(100 + i)),
            unit=unit,
            scale=draw(NUMBERS.filter(bool)),
            offset=draw(NUMBERS),
            sign=draw(st.sampled_from([1, -1])),
        )
        for i, (name, unit) in enumerate(zip(names, ("kN", "cm", "mm", "N"), strict=True))
    )
    return DeviceFile(
        name=draw(TEXTS),
        kind="plate",
        serial=draw(TEXTS),
        table=Table(delimiter=draw(st.sampled_from([None, ";", "tab"])), decimal=draw(st.sampled_from([None, "."]))),
        time=TimeAxis(rate_hz=draw(st.floats(20.0, 20000.0))),
        channels=channels,
        plates=(Plate(kind="pressure", force_z=names[0], pressure_x=names[1], pressure_y=names[2]),),
        stand=draw(st.none() | st.builds(Stand, heel_line_m=st.floats(-1.0, 1.0))),
        site=draw(st.builds(Site, latitude_deg=st.none() | st.floats(-90.0, 90.0))),
    )


@settings(max_examples=40, deadline=None, derandomize=True)
@given(device=devices())
def test_written_device_files_are_read_back(tmp_path_factory: pytest.TempPathFactory, device: DeviceFile) -> None:
    """Loading what was saved gives the same device file, whatever its names hold."""
    path = tmp_path_factory.mktemp("device") / "device.toml"
    save_device(device, path, ["written by a test", "of two lines"])

    assert load_device(path) == device


def test_defaults_are_not_written() -> None:
    """The text holds only what differs from the defaults, and comments at the top."""
    text = device_text(cell_device(), ["look"])

    assert text.startswith("# look\n")
    assert "scale" not in text
    assert "[stand]" not in text
    assert '{channel = "FL", x_m = 0.2, y_m = 0.2}' in text


def test_a_failed_save_leaves_the_old_file(tmp_path: Path) -> None:
    """A device that contradicts itself is not written, and no half file stays behind."""
    path = tmp_path / "device.toml"
    save_device(cell_device(), path)
    before = path.read_bytes()
    with pytest.raises(InputError, match="no \\[\\[plates\\]\\]"):
        save_device(msgspec.structs.replace(cell_device(), plates=()), path)
    with pytest.raises(InputError, match="could not be written"):
        save_device(cell_device(), tmp_path / "nowhere" / "device.toml")

    assert path.read_bytes() == before
    assert os.listdir(tmp_path) == ["device.toml"]


def test_an_attempt_card_is_read(tmp_path: Path) -> None:
    """Every key of a card reaches its field."""
    path = tmp_path / "card.toml"
    path.write_text(
        'athlete = "Mira"\nmovement = "push press"\nload_kg = 70\noutcome = "made"\nfoot_length_m = 0.251\n'
    )
    card = AttemptCard(athlete="Mira", movement="push press", load_kg=70.0, outcome="made", foot_length_m=0.251)

    assert load_card(path) == card


def test_byte_order_mark_and_windows_line_ends(tmp_path: Path) -> None:
    """A device file saved by a simple editor is read all the same."""
    path = tmp_path / "device.toml"
    path.write_bytes(b"\xef\xbb\xbf" + device_text(cell_device()).replace("\n", "\r\n").encode())

    assert load_device(path) == cell_device()


def plate_text(**changes: object) -> str:
    """Text of a six-component device file with some settings of its plate changed."""
    channels = "".join(
        f'[[channels]]\nname = "{name}"\nunit = "{unit}"\n'
        for name, unit in [("fx", "N"), ("fy", "N"), ("fz", "N"), ("mx", "N m"), ("my", "N m"), ("px", "mm")]
    )
    plate: dict[str, Any] = {
        "kind": '"components"',
        "force_z": '"fz"',
        "moment_x": '"mx"',
        "moment_y": '"my"',
    } | changes
    keys = "".join(f"{key} = {value}\n" for key, value in plate.items() if value is not None)
    return f'name = "p"\nkind = "plate"\n[time]\nrate_hz = 1000\n{channels}[[plates]]\n{keys}'


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"moment_y": None}, "needs moment_y"),
        ({"force_z": '"gone"'}, 'no channel "gone"'),
        ({"force_z": '"mx"', "moment_x": None, "kind": '"vertical"'}, r'unit is "N m", but a force is needed'),
        ({"moment_x": '"fz"'}, r'unit is "N", but a moment is needed'),
        ({"force_x": '"fz"'}, "named twice"),
        ({"surface_from_origin_m": "[0, 0, 0.04]"}, "needs force_x too"),
        ({"surface_from_origin_m": "[0, 0, 40]", "force_x": '"fx"', "force_y": '"fy"'}, "0.5 metres"),
        ({"gain_u": "-0.01"}, "gain_u is -0.01"),
        ({"kind": '"pressure"'}, "needs pressure_x"),
        ({"kind": '"cells"'}, "needs cells"),
        ({"cells": '[{channel = "fx"}]'}, "it has cells"),
        ({"kind": '"cells"', "cells": '[{channel = "fx", x_m = 0.1}]', "force_z": None}, "x_m or y_m is missing"),
    ],
)
def test_a_plate_that_cannot_work_is_refused(tmp_path: Path, changes: dict[str, Any], sentence: str) -> None:
    """Each kind of plate needs its channels, of the right quantity, once each, with sensible numbers."""
    path = tmp_path / "device.toml"
    path.write_text(plate_text(**changes))
    with pytest.raises(InputError, match=sentence):
        load_device(path)


@pytest.mark.parametrize(
    ("positions", "sentence"),
    [
        ([(0.2, 0.2), (0.2, -0.2)], "at least 3"),
        ([(0.2, 0.2), (0.0, 0.0), (-0.2, -0.2)], "straight line"),
        ([(200, 200), (200, -200), (-200, 0)], "allowed is -2 to 2 metres"),
    ],
)
def test_cells_that_cannot_tell_the_pressure_are_refused(
    tmp_path: Path, positions: list[tuple[float, float]], sentence: str
) -> None:
    """Three cells that span an area, in metres, are the least for a centre of pressure."""
    cells = ", ".join(
        f'{{channel = "{c}", x_m = {x}, y_m = {y}}}' for c, (x, y) in zip(("fx", "fy", "fz"), positions, strict=False)
    )
    path = tmp_path / "device.toml"
    path.write_text(plate_text(kind='"cells"', cells=f"[{cells}]", force_z=None, moment_x=None, moment_y=None))
    with pytest.raises(InputError, match=sentence):
        load_device(path)


def test_cells_without_positions_are_allowed(tmp_path: Path) -> None:
    """Cells whose places nobody measured still give force."""
    path = tmp_path / "device.toml"
    cells = '[{channel = "fx"}, {channel = "fy"}]'
    path.write_text(plate_text(kind='"cells"', cells=cells, force_z=None, moment_x=None, moment_y=None))

    assert load_device(path).plates[0].cells[0].x_m is None


def test_a_bar_sensor_needs_three_axes(tmp_path: Path) -> None:
    """A bar sensor with one accelerometer axis named twice is refused, with three it is read."""
    channels = tuple(Channel(name=a, unit="g") for a in "abc")
    sound = DeviceFile(
        name="b", kind="bar", time=TimeAxis(rate_hz=200.0), channels=channels, bar=BarSensor(accel=("a", "b", "c"))
    )
    save_device(sound, tmp_path / "bar.toml")
    with pytest.raises(InputError, match="named twice"):
        save_device(msgspec.structs.replace(sound, bar=BarSensor(accel=("a", "b", "b"))), tmp_path / "bar.toml")

    assert load_device(tmp_path / "bar.toml") == sound


MATRIX = "[bar.calibration]\naccel_matrix = [[{}, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]]\n"


def bar_text(**changes: object) -> str:
    """Text of a bar's device file, with lines put into its [bar] and [bar.calibration]."""
    channels = "".join(f'[[channels]]\nname = "{n}"\nunit = "m/s2"\n' for n in "abc")
    head = 'name = "b"\nkind = "bar"\n[time]\nrate_hz = 200\n'
    return f'{head}{channels}[bar]\naccel = ["a", "b", "c"]\n' + "".join(f"{k} = {v}\n" for k, v in changes.items())


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (bar_text() + MATRIX.format("nan"), "is nan; a finite"),
        (bar_text() + MATRIX.format("0.0"), "three axes into fewer"),
        (bar_text() + "[bar.calibration]\naccel_noise = -0.1", "accel_noise is -0.1; allowed is 0 to 10"),
        (bar_text(shaft_axis='"x"', up_axis='"-x"'), "but the shaft lies level"),
    ],
)  # fmt: skip
def test_a_bar_calibration_that_cannot_be_is_refused(tmp_path: Path, text: str, sentence: str) -> None:
    """Numbers that are none, a matrix that loses an axis, negative noise and a standing shaft are named."""
    (tmp_path / "bar.toml").write_text(text)
    with pytest.raises(InputError, match=sentence):
        load_device(tmp_path / "bar.toml")


def test_a_link_to_a_device_file_stays_a_link(tmp_path: Path) -> None:
    """Saving through a link changes the file it leads to."""
    (tmp_path / "kept").mkdir()
    true = tmp_path / "kept" / "device.toml"
    save_device(cell_device(), true)
    link = tmp_path / "device.toml"
    link.symlink_to(true)

    changed = msgspec.structs.replace(cell_device(), serial="8")
    save_device(changed, link)

    assert link.is_symlink()
    assert changed == load_device(true)


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    """Saving where there is no folder says that, not that a file is missing."""
    with pytest.raises(InputError, match="could not be written; there is no such folder"):
        save_device(cell_device(), tmp_path / "gone" / "device.toml")
