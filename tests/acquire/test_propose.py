"""A proposal for an unknown table names the right columns, marks its guesses and can be used."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from forcekit.acquire.csv_file import read_csv
from forcekit.acquire.device_file import load_device
from forcekit.acquire.propose import propose_device
from forcekit.constants import UNITS
from forcekit.errors import InputError
from forcekit.model import DeviceFile, FloatArray, Stream
from tests.acquire.tables import CELLS, Dialect, dialects, quiet_stance, write_table

OPEN_DATA = Path(__file__).parents[2].parent / "shared" / "open_data"
open_data = pytest.mark.skipif(not OPEN_DATA.is_dir(), reason="open data folder absent")
RNG = np.random.default_rng(5)
N = 1500
T = np.arange(N) / 500.0
WEIGHT_N = 735.0


def jump() -> FloatArray:
    """Vertical force of a jump of 75 kg: empty plate, stance, dip, drive, flight, landing, stance (1 N of noise)."""
    force = np.full(N, WEIGHT_N)
    force[:200] = 0.0
    dip = np.linspace(0.0, 1.0, 200)
    force[700:900] = WEIGHT_N * (1.0 - 0.7 * np.sin(np.pi * dip))
    force[900:1050] = WEIGHT_N * (1.0 + 1.2 * np.sin(np.pi * np.linspace(0.0, 1.0, 150)))
    force[1050:1250] = 0.0
    force[1250:1300] = 3.0 * WEIGHT_N
    return force + RNG.normal(0.0, 1.0, N)


def six(origin_z_m: float = 0.0) -> dict[str, FloatArray]:
    """Six components of a jump about an origin below the surface, and the pressure on the surface."""
    fz = jump()
    x, y = 0.05 + 0.02 * np.sin(T), 0.01 * np.cos(T)
    fx, fy = 20.0 * np.sin(3.0 * T), 10.0 * np.cos(5.0 * T)
    mx, my = y * fz - origin_z_m * fy, -x * fz + origin_z_m * fx
    return {"Fx": fx, "Fy": fy, "Fz": fz, "Mx": mx, "My": my, "Mz": 0.1 * fx, "COPx": x, "COPy": y}


def propose(folder: Path, names: Sequence[str], columns: Sequence[FloatArray], header: str = "plain") -> str:
    """Write a table and propose a device file for it."""
    return propose_device(write_table(folder / "a.csv", names, columns, Dialect(header=header)))


def said(text: str) -> str:
    """Text of a proposal with its wrapped comments on one line each."""
    return text.replace("\n#   ", " ")


def use(folder: Path, text: str) -> tuple[DeviceFile, Stream]:
    """Load a proposal and read the table with it."""
    (folder / "a.device.toml").write_text(text)
    device = load_device(folder / "a.device.toml")
    return device, read_csv(folder / "a.csv", device)


def newtons(stream: Stream, name: str) -> FloatArray:
    """One channel in SI units."""
    channel = stream.device.channel(name)
    return (stream.raw[name] - channel.offset) * channel.sign * channel.scale * UNITS[channel.unit][1]


def test_every_dialect_can_be_proposed_loaded_and_read(tmp_path: Path) -> None:
    """Four cells in any dialect are found as cells of the right columns; without header by their numbers."""
    columns = quiet_stance()
    wrong = []
    for dialect in dialects()[::7]:
        path = write_table(tmp_path / "a.csv", ("Time", *CELLS), columns, dialect)
        device, stream = use(tmp_path, propose_device(path))
        total = sum(newtons(stream, cell.channel) for cell in device.plates[0].cells)
        if not np.allclose(sum(columns[1:]), total) or not np.allclose(columns[0], stream.t_s, atol=1e-9):
            wrong.append((dialect, device))

    assert wrong == []


def test_cells_get_no_invented_positions(tmp_path: Path) -> None:
    """Where the cells stand is not in the file, so the proposal asks for it and no pressure is computed."""
    text = propose(tmp_path, ("Time", *CELLS), quiet_stance())
    device, _ = use(tmp_path, text)

    assert [cell.channel for cell in device.plates[0].cells] == [
        "cell_front_left", "cell_front_right", "cell_rear_left", "cell_rear_right",
    ]  # fmt: skip
    assert {cell.x_m for cell in device.plates[0].cells} == {None}
    assert 'cell_front_left" },  # CHECK: add x_m = +..., y_m = +...' in text


@pytest.mark.parametrize(
    ("header", "factor", "unit", "is_sure"),
    [
        ("Fz [N]", 1.0, "N", True),
        ("Fz(N)", 1.0, "N", True),
        ("Force_kN", 1e-3, "kN", True),
        ("GRFv", 1.0, "N", False),
        ("Load kg", 1.0 / 9.80665, "kgf", True),
        ("force", 1e-3, "kN", False),
        ("vertical", 1.0 / 9.80665, "kgf", False),
        ("Kanal", 1.0, "N", False),
    ],
)
def test_units_of_a_single_force(tmp_path: Path, header: str, factor: float, unit: str, is_sure: bool) -> None:
    """The unit in the header is taken; without one it is what makes a person of the load, marked CHECK."""
    text = propose(tmp_path, ("Time", header), [T, jump() * factor])
    device, stream = use(tmp_path, text)
    line = next(line for line in text.splitlines() if line.startswith(f'unit = "{unit}"'))

    assert device.plates[0].kind == "vertical"
    assert ("CHECK" not in line) == is_sure
    # Standing force is known to 1 N of noise over the square root of 400 samples, 6 decimals of kN aside.
    assert np.isclose(WEIGHT_N, newtons(stream, "force_z")[250:650].mean(), atol=0.5)


@pytest.mark.parametrize(
    ("header", "stamps", "unit"),
    [
        ("Time[s]", T, "s"),
        ("t_ms", T * 1e3, "ms"),
        ("Time (us)", T * 1e6, "us"),
        ("Time", T, "s"),
        ("t", T * 1e3, "ms"),
    ],
)
def test_time_columns(tmp_path: Path, header: str, stamps: FloatArray, unit: str) -> None:
    """The time column is found under its usual names, its unit from the header or from the rate it means."""
    device, stream = use(tmp_path, propose(tmp_path, (header, "Fz"), [stamps, jump()]))

    assert (device.time.column, device.time.unit) == (header, unit)
    assert np.allclose(T, stream.t_s)


@pytest.mark.parametrize("header", ["Sample", "frame", "Time", "n"])
def test_a_rate_is_never_guessed(tmp_path: Path, header: str) -> None:
    """A column that counts by one may be samples or milliseconds: the rate is asked for, loading says so."""
    path = write_table(tmp_path / "a.csv", (header, "Fz [N]"), [np.arange(float(N)), jump()], Dialect())
    text = propose_device(path)

    assert "# rate_hz = ..." in text
    with pytest.raises(InputError, match="rate_hz"):
        use(tmp_path, text)
    device, stream = use(tmp_path, propose_device(path, rate_hz=500.0))

    assert np.isclose(stream.t_s[-1], T[-1])
    assert device.channel("force_z").column == "Fz [N]"


def test_a_rate_above_the_table_is_used(tmp_path: Path) -> None:
    """A line "Rate,1000" among the metadata is taken as the rate and quoted."""
    text = propose(tmp_path, ("Fz", "Note"), [jump(), np.zeros(N)], header="metadata")
    device, _ = use(tmp_path, text)

    assert device.time.rate_hz == 1000.0
    assert 'from the line "Rate,1000"' in text


def test_numbers_that_fall_under_load_are_turned(tmp_path: Path) -> None:
    """A force that is negative under load gets sign = -1; one with an offset gets its empty level."""
    device, stream = use(tmp_path, propose(tmp_path, ("Time", "Fz [N]"), [T, 40.0 - jump()]))

    assert device.channel("force_z").sign == -1
    assert np.isclose(40.0, device.channel("force_z").offset, atol=0.5)
    assert np.isclose(WEIGHT_N, newtons(stream, "force_z")[250:650].mean(), atol=1.0)


def test_raw_counts_ask_for_a_scale(tmp_path: Path) -> None:
    """Converter counts with a large offset get the offset of the empty plate and a scale to fill in."""
    columns = [T, *(np.round(8_388_608.0 + 900.0 * share * jump()) for share in (0.2, 0.3, 0.25, 0.25))]
    text = propose(tmp_path, ("Time", "ch1", "ch2", "ch3", "ch4"), columns)
    device, stream = use(tmp_path, text)

    assert text.count("scale = 1.0  # CHECK") == 4
    total = sum(newtons(stream, cell.channel) for cell in device.plates[0].cells)
    # The offsets are rounded to 0.01 % of the load.
    assert abs(total[20:180].mean()) < 4 * 1e-4 * 900.0 * WEIGHT_N
    assert np.isclose(900.0 * WEIGHT_N, total[250:650].mean(), rtol=0.01)


def test_six_components_with_the_pressure_as_witness(tmp_path: Path) -> None:
    """Moments about the surface agree with the ready pressure: components, no shift of the origin."""
    data = six()
    names = [*(f"{name} [{'N' if name[0] == 'F' else 'Nm' if name[0] == 'M' else 'm'}]" for name in data)]
    text = propose(tmp_path, ("Time", *names), [T, *data.values()])
    device, _ = use(tmp_path, text)

    assert device.plates[0].kind == "components"
    assert device.plates[0].surface_from_origin_m == (0.0, 0.0, 0.0)
    assert "equals -My/Fz and Mx/Fz" in said(text)


def test_an_origin_below_the_surface_is_found_from_the_pressure(tmp_path: Path) -> None:
    """Moments about a point 41 mm below the surface: the depth is fitted, and marked as such."""
    data = six(0.041)
    text = propose(tmp_path, ("Time", *data), [T, *data.values()])
    device, _ = use(tmp_path, text)

    assert np.allclose((0.0, 0.0, 0.041), device.plates[0].surface_from_origin_m, atol=0.001)
    assert "CHECK: fitted" in text


def test_six_columns_without_a_header(tmp_path: Path) -> None:
    """Six numbers of which the third carries the weight are taken for Fx Fy Fz Mx My Mz."""
    data = six()
    columns = [T, *(data[name] for name in ("Fx", "Fy", "Fz", "Mx", "My", "Mz"))]
    device, stream = use(tmp_path, propose(tmp_path, ["c"] * 7, columns, header="none"))

    assert device.plates[0].kind == "components"
    assert np.allclose(data["Fz"], newtons(stream, "force_z"), atol=1e-5)
    assert np.allclose(data["My"], newtons(stream, "moment_y"), atol=1e-5)


def test_y_up_is_turned_to_z_up(tmp_path: Path) -> None:
    """With X forward, Y up and Z to the right, z is Y and y is -Z, so that the axes stay right-handed."""
    data = six()
    names = ("Time", "GRF_X", "GRF_Y", "GRF_Z")
    device, stream = use(tmp_path, propose(tmp_path, names, [T, data["Fx"], data["Fz"], -data["Fy"]]))

    assert device.channel("force_z").column == "GRF_Y"
    assert np.allclose(data["Fx"], newtons(stream, "force_x"), atol=1e-5)
    assert np.allclose(data["Fy"], newtons(stream, "force_y"), atol=1e-5)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("Left Fz [N]", "Right Fz [N]"),
        ("LFz", "RFz"),
        ("Fz1", "Fz2"),
        ("Plate 1 force", "Plate 2 force"),
        ("fzl", "fzr"),
    ],
)
def test_two_plates(tmp_path: Path, first: str, second: str) -> None:
    """Two plates are told apart by side or number; the left one comes first and stands at larger y."""
    force = jump()
    device, stream = use(tmp_path, propose(tmp_path, ("Time", first, second), [T, 0.45 * force, 0.55 * force]))
    left, right = device.plates

    assert left.centre_m[1] > right.centre_m[1]
    assert np.allclose(0.45 * force, newtons(stream, left.force_z or ""), atol=1e-5)
    assert np.allclose(0.55 * force, newtons(stream, right.force_z or ""), atol=1e-5)


def test_the_sum_of_two_plates_is_not_counted_twice(tmp_path: Path) -> None:
    """Left, right and total: two plates, the total is left out and the sum confirmed."""
    force = jump()
    names = ("Time", "Force right", "Force left", "Force total")
    text = propose(tmp_path, names, [T, 0.5 * force + 10, 0.5 * force - 10, force])
    device, _ = use(tmp_path, text)

    assert [device.channel(plate.force_z or "").column for plate in device.plates] == ["Force left", "Force right"]
    assert "is the sum of the two" in said(text)


@pytest.mark.parametrize(
    ("names", "g", "unit"),
    [
        (("acc_x", "acc_y", "acc_z", "gyro_x", "gyro_y", "gyro_z"), 9.81, "m/s2"),
        (("ax", "ay", "az", "gx", "gy", "gz"), 1.0, "g"),
        (("AccX [mg]", "AccY [mg]", "AccZ [mg]", "GyrX [dps]", "GyrY [dps]", "GyrZ [dps]"), 1000.0, "mg"),
        (None, 1.0, "g"),
    ],
)
def test_a_bar_sensor(tmp_path: Path, names: tuple[str, ...] | None, g: float, unit: str) -> None:
    """Three accelerations whose size is gravity, and three rates of turn, make a bar sensor."""
    accel = np.array([0.1, -0.2, 0.97])[:, None] * g + RNG.normal(0.0, 0.01 * g, (3, N))
    gyro = RNG.normal(0.0, 30.0, (3, N))
    header = "plain" if names else "none"
    device, stream = use(tmp_path, propose(tmp_path, ("t_ms", *(names or "abcdef")), [T * 1e3, *accel, *gyro], header))

    assert device.kind == "bar"
    assert device.bar is not None
    assert device.bar.gyro is not None
    assert {device.channel(name).unit for name in device.bar.accel} == {unit}
    assert np.allclose(accel[2], stream.raw[device.bar.accel[2]], atol=1e-6)
    assert {device.channel(name).unit for name in device.bar.gyro} == {"deg/s"}


def test_plate_and_bar_in_one_file(tmp_path: Path) -> None:
    """The plate is proposed and the columns of the sensor are named; on request the bar is proposed."""
    accel = np.array([0.1, -0.2, 0.97])[:, None] + RNG.normal(0.0, 0.01, (3, N))
    names = ("Time", "Fz", "acc_x", "acc_y", "acc_z")
    path = write_table(tmp_path / "a.csv", names, [T, jump(), *accel], Dialect())

    assert "Columns 3, 4, 5 look like an accelerometer" in said(propose_device(path))
    assert use(tmp_path, propose_device(path, kind="bar"))[0].kind == "bar"


@open_data
@pytest.mark.parametrize(
    ("name", "rate_hz", "mass_kg"),
    [
        # jump_force/SOURCE.md states the rates (300 Hz is its inference); masses are not stated there, so only the
        # range of a person is asked of them.
        ("jump_force/jump_300hz_a.txt", 300.0, None),
        ("jump_force/jump_450hz_a.txt", None, None),
        ("jump_force/jump_600hz.txt", 600.0, None),
        # balance_cop/published_values.csv and stance_two_plates/published_values.csv: weight on the scale; the two
        # differ from the plate by up to 1.1 kg (SOURCE.md of both).
        ("balance_cop/BDS00001.txt", None, 54.2),
        ("balance_cop/BDS00028.txt", None, 63.4),
        ("balance_cop/BDS00055.txt", None, 56.45),
        ("stance_two_plates/PDS13CR1grf.txt", None, 65.35),
        ("stance_two_plates/PDS13OR1grf.txt", None, 65.35),
    ],
)
def test_open_recordings(tmp_path: Path, name: str, rate_hz: float | None, mass_kg: float | None) -> None:
    """Real laboratory files get a device file under which the plate reads the person's weight."""
    path = OPEN_DATA / name
    (tmp_path / "a.toml").write_text(propose_device(path, rate_hz=rate_hz))
    device = load_device(tmp_path / "a.toml")
    stream = read_csv(path, device)
    force = sum(newtons(stream, plate.force_z or "") for plate in device.plates)
    found_kg = float(np.median(np.asarray(force)[np.asarray(force) > 100.0])) / 9.80665

    assert 50.0 < found_kg < 100.0
    assert mass_kg is None or abs(found_kg - mass_kg) < 1.2


@open_data
def test_open_two_plate_axes(tmp_path: Path) -> None:
    """In the open two-plate file (X forward, Y up, Z right) the left pressure comes out at larger y than the right."""
    path = OPEN_DATA / "stance_two_plates/PDS13CR1grf.txt"
    (tmp_path / "a.toml").write_text(propose_device(path))
    device = load_device(tmp_path / "a.toml")
    stream = read_csv(path, device)
    left, right = (float(newtons(stream, plate.pressure_y or "").mean()) for plate in device.plates)
    forward = [100.0 * float(newtons(stream, plate.pressure_x or "").mean()) for plate in device.plates]

    assert left > right
    # SOURCE.md: mean CoP_X of CR1, right 20.86 and left 24.18 cm.
    assert np.allclose((24.18, 20.86), forward, atol=0.005)


@open_data
@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("stance_two_plates/PDS13static.txt", "no column looks like a load"),
        ("accel_force_pairs/force_rows.csv", "one signal per row"),
        ("accel_force_pairs/info_rows.csv", "only 3 rows"),
    ],
)
def test_open_files_that_are_no_recordings(name: str, words: str) -> None:
    """Marker positions, signals lying on their side and a list of trials are refused with the reason."""
    with pytest.raises(InputError, match=words):
        propose_device(OPEN_DATA / name)
