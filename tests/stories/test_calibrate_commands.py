"""Accuracy from the command line: what was put into a plate or a sensor comes out, and bad ones are refused."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest

from forcekit.acquire.capture import Capture
from forcekit.acquire.check_file import read_checks
from forcekit.acquire.device_file import load_device, save_device
from forcekit.acquire.receive import Receiver, receive
from forcekit.acquire.replay import replay
from forcekit.acquire.source import read
from forcekit.acquire.virtual import VirtualSerial
from forcekit.acquire.wire import Command, CommandCode, encode_description, encode_samples
from forcekit.constants import local_gravity
from forcekit.mechanics.bar_readings import bar_settings
from forcekit.mechanics.plate_calibration import AIR_BUOYANCY
from forcekit.mechanics.still_loads import Placement, grid_plan, still_loads
from forcekit.model import BarSensor, Cell, Channel, DeviceFile, FloatArray, Link, Plate, Site, TimeAxis
from tests.acquire.waiting import wait_until
from tests.stories.in_process import run

CELLS = np.array([[0.25, -0.2], [0.25, 0.2], [-0.25, -0.2], [-0.25, 0.2]])
GAINS = np.array([0.0125, 0.0118, 0.0131, 0.0127])
ZERO = np.array([812.0, -90.0, 120.0, 455.0])
SITE = Site(latitude_deg=52.4, height_m=95.0)
G = local_gravity(52.4, 95.0)
RATE = 100.0
NAMES = ("fr", "fl", "br", "bl")
MASSES = (20.0, 60.0)
Rows = list[tuple[float, float, float]]


Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def forcekit(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Give `run` with its fixtures filled in."""
    return lambda *words: run(capsys, monkeypatch, *words)


# ------------------------------------------------------------------------------------------------------ a plate


def plate_device(gain: float = 0.0125, gain_u: float = 0.02) -> DeviceFile:
    """Describe a plate whose gains are known to 2 % only."""
    return DeviceFile(
        name="shed plate",
        kind="plate",
        serial="3",
        time=TimeAxis(column="t"),
        channels=tuple(Channel(name=n, scale=gain) for n in NAMES),
        plates=(
            Plate(
                kind="cells",
                cells=tuple(Cell(channel=n, x_m=x, y_m=y) for n, (x, y) in zip(NAMES, CELLS.tolist(), strict=True)),
                gain_u=gain_u,
            ),
        ),
        site=SITE,
    )


def counts_of(mass: float, x: float, y: float, twist: float = 0.0) -> FloatArray:
    """Numbers of the four cells under a mass on a rigid plate; `twist` is the part that statics leaves open."""
    weight = mass * G * AIR_BUOYANCY
    rows = np.vstack([np.ones(4), CELLS.T])
    force = np.linalg.pinv(rows) @ (weight * np.array([1.0, x, y])) + twist * weight * np.array([1.0, -1.0, -1.0, 1.0])
    return ZERO + force / GAINS


def write_session(path: Path, rows: Rows, seed: int, *, nudge: bool = False) -> None:
    """Write a recording in which each load (or, with 0 kg, the empty plate) stands for 3 s, hands moving in between."""
    rng = np.random.default_rng(seed)
    parts = []
    for i, (mass, x, y) in enumerate(rows):
        level = counts_of(mass, x + rng.normal(0.0, 0.001), y + rng.normal(0.0, 0.001), rng.normal(0.0, 0.02))
        part = level + rng.normal(0.0, 8.0, (300, 4))
        if nudge and i == 4:
            part[140:160] += 3000.0  # somebody leans on it for a moment
        parts += [part, level + rng.normal(0.0, 4000.0, (60, 4))]
    counts = np.rint(np.concatenate(parts[:-1]))
    t = np.arange(counts.shape[0]) / RATE
    table = "\n".join(f"{a:.2f},{b:.0f},{c:.0f},{d:.0f},{e:.0f}" for a, (b, c, d, e) in zip(t, counts, strict=True))
    path.write_text("t,fr,fl,br,bl\n" + table + "\n")


def with_empties(plan: tuple[Placement, ...]) -> Rows:
    """Put the empty plate before, after and between places."""
    rows: Rows = [(0.0, 0.0, 0.0)]
    for i, p in enumerate(plan):
        if i and (p.x_m, p.y_m) != (plan[i - 1].x_m, plan[i - 1].y_m):
            rows.append((0.0, 0.0, 0.0))
        rows.append((p.mass_kg, p.x_m, p.y_m))
    return [*rows, (0.0, 0.0, 0.0)]


@pytest.fixture
def plate(tmp_path: Path) -> Path:
    """Write the device file of the plate and give its path."""
    save_device(plate_device(), tmp_path / "shed.toml")
    return tmp_path / "shed.toml"


def test_gains_come_back_from_a_recording(forcekit: Run, tmp_path: Path, plate: Path) -> None:
    """Masses on the grid, knocked once, give the true gains within ±95 %; the new device file is used as it is."""
    recording, new = tmp_path / "masses.csv", tmp_path / "new.toml"
    write_session(recording, with_empties(grid_plan(MASSES, CELLS)), 1, nudge=True)

    code, out, err = forcekit(
        "calibrate-plate", recording, "--masses", "20,60", "--device", plate, "-o", new
    )  # fmt: skip

    assert (0, "") == (code, err)
    made = load_device(new)
    found = np.array([c.sign * c.scale for c in made.channels])
    # Twice the uncertainty that the file states, which is the largest of the four.
    assert np.all(np.abs(found / GAINS - 1.0) < 2.0 * made.plates[0].gain_u)
    assert made.plates[0].gain_u < 0.003
    for word in ("linearity", "hysteresis", "repeatability", "return to zero", "pressure", "condition", "verdict", "±"):
        assert word in out
    assert "good" in out

    before = new.read_bytes()
    code, _, err = forcekit("calibrate-plate", recording, "--masses", "20,60", "--device", plate, "-o", new)
    assert 2 == code
    assert "there is such a file already" in err
    assert before == new.read_bytes()


def test_a_plan_file_and_readings_by_hand_agree(forcekit: Run, tmp_path: Path, plate: Path) -> None:
    """The same placements as TOML plan, CSV plan and table of readings give the same gains."""
    plan = grid_plan(MASSES, CELLS)
    rows = with_empties(plan)
    write_session(tmp_path / "masses.csv", rows, 2)
    (tmp_path / "plan.toml").write_text(
        "place_u_m = 0.001\n"
        + "".join(f"[[placed]]\nmass_kg = {p.mass_kg}\nx_m = {p.x_m}\ny_m = {p.y_m}\n" for p in plan)
    )
    (tmp_path / "plan.csv").write_text("mass_kg,x_m,y_m\n" + "".join(f"{p.mass_kg},{p.x_m},{p.y_m}\n" for p in plan))
    data = np.loadtxt(tmp_path / "masses.csv", delimiter=",", skiprows=1)[:, 1:]
    means = [data[360 * i + 20 : 360 * i + 280].mean(axis=0) for i in range(len(rows))]
    (tmp_path / "by_hand.csv").write_text(
        "fr,fl,br,bl,mass_kg,x_m,y_m\n"
        + "".join(f"{','.join(map(str, m))},{a},{b},{c}\n" for m, (a, b, c) in zip(means, rows, strict=True))
    )

    for name, source, words in (
        ("a", "masses.csv", ["--masses", tmp_path / "plan.toml"]),
        ("b", "masses.csv", ["--masses", tmp_path / "plan.csv"]),
        ("c", "by_hand.csv", []),
    ):
        done = forcekit(
            "calibrate-plate", tmp_path / source, *words, "--device", plate, "-o", tmp_path / f"{name}.toml"
        )
        assert (0, "") == (done[0], done[2])
    a, b, c = (np.array([x.scale for x in load_device(tmp_path / f"{n}.toml").channels]) for n in "abc")
    # Only the stated uncertainty of a place differs, and for the readings the samples at the ends.
    assert b == pytest.approx(a, rel=2e-4)
    assert c == pytest.approx(a, rel=2e-4)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda rows: rows[:11] + rows[12:], "26 loads stand still in it, the plan has 27 placements"),
        (lambda rows: rows[:-1], "does not end with the empty plate"),
        (lambda rows: [(m, -x, y) for m, x, y in rows], "the calibration is refused"),
        (lambda rows: [(30.0 if (m, x) == (20.0, 0.0) else m, x, y) for m, x, y in rows], "the calibration is refused"),
    ],
    ids=["one load is missing", "no empty plate at the end", "places turned round", "another mass than said"],
)
def test_a_bad_session_is_refused(
    forcekit: Run, tmp_path: Path, plate: Path, change: Callable[[Rows], Rows], told: str
) -> None:
    """One sentence with the reason, exit code 2, and no device file."""
    write_session(tmp_path / "masses.csv", change(with_empties(grid_plan(MASSES, CELLS))), 3)

    code, _, err = forcekit(
        "calibrate-plate", tmp_path / "masses.csv", "--masses", "20,60", "--device", plate, "-o", tmp_path / "new.toml"
    )

    assert 2 == code
    assert told in err
    assert 1 == len(err.strip().splitlines())
    assert not (tmp_path / "new.toml").exists()


def test_times_in_the_plan_pass_other_loads_over(forcekit: Run, tmp_path: Path, plate: Path) -> None:
    """A load that is not in the plan (a foot on the plate) spoils nothing when the placements have their times."""
    plan = grid_plan(MASSES, CELLS)
    rows = with_empties(plan)
    rows.insert(5, (35.0, 0.05, 0.1))
    write_session(tmp_path / "masses.csv", rows, 4)
    times = iter(3.6 * i + 1.5 for i, r in enumerate(rows) if r[0] > 0.0 and i != 5)
    (tmp_path / "plan.csv").write_text(
        "mass_kg,x_m,y_m,at_s\n" + "".join(f"{p.mass_kg},{p.x_m},{p.y_m},{next(times)}\n" for p in plan)
    )
    words = ("calibrate-plate", tmp_path / "masses.csv", "--device", plate, "-o", tmp_path / "new.toml", "--masses")

    assert 2 == forcekit(*words, "20,60")[0]
    code, _, err = forcekit(*words, tmp_path / "plan.csv")

    assert (0, "") == (code, err)
    found = load_device(tmp_path / "new.toml")
    assert np.array([c.scale for c in found.channels]) == pytest.approx(GAINS, rel=2 * found.plates[0].gain_u)


def test_still_loads_are_not_found_in_movement() -> None:
    """Of a load, a hand that presses with 1 % and a load again only the loads are still."""
    rng = np.random.default_rng(5)
    t = np.arange(1500) / RATE
    press = np.where((t > 5.0) & (t < 10.0), 400.0 * np.sin(2 * np.pi * 0.8 * t), 0.0)
    values = counts_of(60.0, 0.0, 0.0) + 8.0 * rng.standard_normal((1500, 4)) + press[:, None]
    found = still_loads(values, RATE, allowed=0.002 * 4e4)

    # Both stretches are at one level, so they are one load with two parts.
    assert [2] == [len(x.parts) for x in found]
    (_, first_end), (second_start, _) = found[0].parts
    assert first_end <= 5.0 * RATE
    assert second_start >= 10.0 * RATE


# ---------------------------------------------------------------------------------------------- guided on a device


class HandPlate:
    """A sensor that sends what stands on it now; the test puts loads on it, and time runs ten times as fast."""

    def __init__(self) -> None:
        self.device = msgspec.structs.replace(
            plate_device(), time=TimeAxis(rate_hz=500.0), link=Link(transport="serial")
        )
        self.counts = ZERO
        self._rng = np.random.default_rng(6)
        self._receiver = Receiver()
        self._start_s: float | None = None
        self._n = 0

    def hear(self, data: bytes, now_s: float) -> bytes:
        """Describe itself and start."""
        from forcekit.acquire.device_text import device_to_text

        frames, self._receiver = receive(data, self._receiver)
        codes = [f.code for f in frames if isinstance(f, Command)]
        if CommandCode.START in codes and self._start_s is None:
            self._start_s = now_s
        return b"".join(encode_description(device_to_text(self.device))) if CommandCode.DESCRIBE in codes else b""

    def due(self, now_s: float) -> list[bytes]:
        """Samples until now."""
        frames = []
        while self._start_s is not None and self._n < (now_s - self._start_s) * 5000.0:
            raw = np.rint(self.counts + self._rng.normal(0.0, 8.0, 4)).astype(np.int64)[None]
            frames.append(encode_samples(raw, index=self._n, device_us=2000 * self._n, width=4))
            self._n += 1
        return frames

    def throw_away(self, n_frames: int) -> None:
        """Nothing is counted."""

    def restart(self) -> None:
        """It stays as it is."""


def test_guided_on_a_live_device(forcekit: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The prompts lead through the plan on a live port; gains come back and the recording is kept."""
    plate = HandPlate()
    # Three places are enough for four gains and too few to trust them, so the plate is refused in the end.
    plan = tuple(Placement(m, x, y) for x, y in ((-0.15, 0.1), (0.15, 0.1), (0.0, -0.12)) for m in (20.0, 60.0))
    steps = iter(with_empties(plan))
    (tmp_path / "plan.csv").write_text("mass_kg,x_m,y_m\n" + "".join(f"{p.mass_kg},{p.x_m},{p.y_m}\n" for p in plan))

    def enter(prompt: str = "") -> str:
        plate.counts = counts_of(*next(steps))
        return ""

    monkeypatch.setattr("builtins.input", enter)
    with VirtualSerial(plate) as port:  # type: ignore[arg-type]
        code, out, err = forcekit(
            "calibrate-plate", "--live", port.port, "--masses", tmp_path / "plan.csv", "--hold", "0.3",
            "-o", tmp_path / "new.device.toml",
        )  # fmt: skip

    assert "put 60 kg with its middle 15.0 cm before and 10.0 cm left of the plate's middle line" in out
    assert 2 == code
    assert "only 3 places were loaded" in err
    gains = [float(line.split()[1]) for line in out.splitlines() if "N per number" in line]
    # Noise of 8 numbers in a mean of 150 and more is 0.01 N; the places are exact here.
    assert gains == pytest.approx(GAINS, rel=1e-3)
    assert not (tmp_path / "new.device.toml").exists()
    assert any(p.name.startswith("new.calibration.") and p.suffix != ".forcelog" for p in tmp_path.iterdir())


# ---------------------------------------------------------------------------------------------------- every day


def write_check(path: Path, mass: float, seed: int, gain: float = 1.0) -> None:
    """Write a minute in short: 3 s of the empty plate and 3 s of a mass, of a plate whose gains changed."""
    write_session(path, [(0.0, 0.0, 0.0), (gain * mass, 0.05, -0.02)], seed)


def test_daily_checks_make_a_history(forcekit: Run, tmp_path: Path) -> None:
    """Good checks are kept with their date, a drift is told from them, and the same check twice counts once."""
    device = msgspec.structs.replace(
        plate_device(gain_u=0.002),
        channels=tuple(Channel(name=n, scale=g, offset=z) for n, g, z in zip(NAMES, GAINS.tolist(), ZERO, strict=True)),
    )
    save_device(device, tmp_path / "cal.toml")
    history = tmp_path / "checks.csv"
    for day in range(4):
        recording = tmp_path / f"{day}.csv"
        write_check(recording, 60.0, day, gain=1.0 + 0.0015 * day)
        os.utime(recording, (1_750_000_000 + 864_000 * day,) * 2)
        code, out, err = forcekit(
            "check-plate", recording, "--device", tmp_path / "cal.toml", "--mass", "60", "--mass-u", "0.02",
            "--at", "5,-2", "--history", history,
        )  # fmt: skip
        assert (0, "") == (code, err)
    assert "the plate drifts by +0.4" in out  # 0.15 % in 10 days is 0.45 % a month
    assert "is due in about" in out
    assert "±" in out
    rows = read_checks(history)
    assert [60.0 * (1.0 + 0.0015 * d) for d in range(4)] == pytest.approx([r.found_kg for r in rows], abs=0.03)
    assert [10.0] * 3 == pytest.approx(np.diff([r.day for r in rows]).tolist())

    before = history.read_bytes()
    forcekit("check-plate", tmp_path / "3.csv", "--device", tmp_path / "cal.toml", "--mass", "60", "--mass-u", "0.02",
             "--history", history)  # fmt: skip
    assert before == history.read_bytes()


def test_a_failed_check_says_so(forcekit: Run, tmp_path: Path) -> None:
    """A plate that is 5 % off fails with exit code 2; another plate's history is not mixed in."""
    channels = tuple(Channel(name=n, scale=g, offset=z) for n, g, z in zip(NAMES, GAINS.tolist(), ZERO, strict=True))
    save_device(msgspec.structs.replace(plate_device(gain_u=0.002), channels=channels), tmp_path / "cal.toml")
    write_check(tmp_path / "bad.csv", 60.0, 7, gain=1.05)
    words = ("check-plate", tmp_path / "bad.csv", "--device", tmp_path / "cal.toml", "--mass", "60")

    code, out, err = forcekit(*words, "--history", tmp_path / "checks.csv")

    assert 2 == code
    assert "check: bad" in out
    assert "do not use the plate" in err
    assert ["bad"] == [r.verdict for r in read_checks(tmp_path / "checks.csv")]

    save_device(msgspec.structs.replace(load_device(tmp_path / "cal.toml"), serial="4"), tmp_path / "other.toml")
    code, _, err = forcekit("check-plate", tmp_path / "bad.csv", "--device", tmp_path / "other.toml", "--mass", "63",
                            "--history", tmp_path / "checks.csv")  # fmt: skip
    assert 2 == code
    assert "keep a file for each plate" in err
    write_session(tmp_path / "empty.csv", [(0.0, 0.0, 0.0)] * 2, 8)
    code, _, err = forcekit("check-plate", tmp_path / "empty.csv", *words[2:])
    assert 2 == code
    assert "the empty plate and a load, each still for 3 s, are needed" in err


# -------------------------------------------------------------------------------------------------------- the bar

ACCEL_BIAS = np.array([0.25, -0.18, 0.31])
SCALE = np.array([1.012, 0.991, 1.006])
GYRO_BIAS = np.array([0.008, -0.011, 0.005])


def bar_device() -> DeviceFile:
    """Describe a bar sensor."""
    accel, gyro = ("ax", "ay", "az"), ("gx", "gy", "gz")
    channels = (*(Channel(name=n, unit="m/s2") for n in accel), *(Channel(name=n, unit="rad/s") for n in gyro))
    return DeviceFile(
        name="shed bar", kind="bar", time=TimeAxis(column="t"), channels=channels, site=SITE,
        bar=BarSensor(accel=accel, gyro=gyro, shaft_axis="y"),
    )  # fmt: skip


def write_bar(path: Path, accel: FloatArray, gyro: FloatArray) -> None:
    """Write readings of a bar sensor."""
    t = np.arange(accel.shape[0]) / RATE
    np.savetxt(
        path, np.column_stack([t, accel, gyro]), fmt="%.6f", delimiter=",", header="t,ax,ay,az,gx,gy,gz", comments=""
    )


def write_positions(path: Path, n: int, *, seed: int, spread: float = 1.0) -> None:
    """Write a recording in which a wrong sensor is laid in n attitudes, 2.5 s each, and turned within 1.5 s."""
    from scipy.spatial.transform import Rotation

    rng = np.random.default_rng(seed)
    attitudes = [Rotation.from_rotvec(spread * Rotation.random(rng=rng).as_rotvec()) for _ in range(n)]
    still, moving = int(2.5 * RATE), int(1.5 * RATE)
    pace = (1.0 - np.cos(2.0 * np.pi * (np.arange(moving) + 0.5) / moving)) / moving
    done = np.cumsum(pace) - 0.5 * pace
    accel, gyro = [], []
    for a, b in zip(attitudes, [*attitudes[1:], None], strict=True):
        accel.append(np.tile(a.inv().apply([0.0, 0.0, G]), (still, 1)))
        gyro.append(np.zeros((still, 3)))
        if b is not None:
            turn = (a.inv() * b).as_rotvec()
            accel.append((a * Rotation.from_rotvec(np.outer(done, turn))).inv().apply([0.0, 0.0, G]))
            gyro.append(np.outer(pace * RATE, turn))
    true_a, true_w = np.vstack(accel), np.vstack(gyro)
    read_a = true_a / SCALE + ACCEL_BIAS + 0.015 * rng.standard_normal(true_a.shape)
    write_bar(path, read_a, true_w + GYRO_BIAS + 0.0017 * rng.standard_normal(true_w.shape))


@pytest.fixture
def bar(tmp_path: Path) -> Path:
    """Write the device file of the bar sensor and give its path."""
    save_device(bar_device(), tmp_path / "bar.toml")
    return tmp_path / "bar.toml"


def test_bar_calibration_comes_back(forcekit: Run, tmp_path: Path, bar: Path) -> None:
    """Bias and scale stand in the device file within twice their stated uncertainty, and the analysis uses them."""
    write_positions(tmp_path / "laid.csv", 16, seed=9)

    code, out, err = forcekit("calibrate-bar", tmp_path / "laid.csv", "--device", bar, "-o", tmp_path / "new.toml")

    assert (0, "") == (code, err)
    assert "16 still positions" in out
    turns = re.search(r"gyroscope, (\d+) turns", out)
    assert turns is not None
    assert 6 <= int(turns[1]) <= 15
    made = load_device(tmp_path / "new.toml").bar
    assert made is not None
    c = made.calibration
    assert c is not None
    # Three components are tested at once: three standard uncertainties.
    assert ACCEL_BIAS == pytest.approx(c.accel_bias_mps2, abs=3 * c.accel_bias_u_mps2)
    assert SCALE == pytest.approx(np.diag(c.accel_matrix), abs=3 * c.accel_scale_u)
    assert GYRO_BIAS == pytest.approx(c.gyro_bias_radps, abs=4e-4)
    assert 0.0 < c.accel_bias_u_mps2 < 0.01
    assert bar_settings(made).accel_bias_u_mps2 == c.accel_bias_u_mps2
    assert "laid.csv" in c.made


def test_a_recording_that_describes_itself_is_enough(forcekit: Run, tmp_path: Path, bar: Path) -> None:
    """The same positions played through a port and recorded give the same calibration without a device file."""
    write_positions(tmp_path / "laid.csv", 10, seed=12)
    forcekit("calibrate-bar", tmp_path / "laid.csv", "--device", bar, "-o", tmp_path / "file.toml")
    played = read(tmp_path / "laid.csv", device=bar)
    assert played.bar is not None
    with replay(played, speed=20.0) as planned:
        capture = Capture(tmp_path / "laid", planned)
        capture.start()
        wait_until(lambda: capture.states()[0].n_samples == played.bar.t_s.size, what="the last sample")
        recorded = capture.finish()

    code, _, err = forcekit("calibrate-bar", recorded, "-o", tmp_path / "port.toml")

    assert (0, "") == (code, err)
    a, b = (load_device(tmp_path / f"{name}.toml").bar for name in ("file", "port"))
    assert a is not None
    assert b is not None
    assert a.calibration is not None
    assert b.calibration is not None
    # Broken numbers are sent in 2^22 steps of their range, some 5e-6 m/s2.
    assert a.calibration.accel_bias_mps2 == pytest.approx(b.calibration.accel_bias_mps2, abs=1e-4)
    assert np.array(a.calibration.accel_matrix) == pytest.approx(np.array(b.calibration.accel_matrix), abs=1e-5)

    code, _, err = forcekit("check-plate", recorded, "--mass", "20")
    assert 2 == code
    assert "there is no plate in this recording" in err


def test_positions_that_do_not_spread_are_refused(forcekit: Run, tmp_path: Path, bar: Path) -> None:
    """Twelve positions within some 20 degrees do not tell bias from scale: exit code 2, nothing written."""
    write_positions(tmp_path / "laid.csv", 12, seed=10, spread=0.2)

    code, _, err = forcekit("calibrate-bar", tmp_path / "laid.csv", "--device", bar, "-o", tmp_path / "new.toml")

    assert 2 == code
    assert "lay the sensor on each of its six faces" in err or "six are needed" in err
    assert not (tmp_path / "new.toml").exists()


def test_noise_goes_beside_the_calibration(forcekit: Run, tmp_path: Path, bar: Path) -> None:
    """White noise comes back within ±95 %, is written into the calibration that is there, and leaves the rest of it."""
    write_positions(tmp_path / "laid.csv", 16, seed=9)
    forcekit("calibrate-bar", tmp_path / "laid.csv", "--device", bar, "-o", tmp_path / "cal.toml")
    rng = np.random.default_rng(11)
    white = 0.0015
    n = 20_000
    still = np.array([0.1, 0.2, 9.8]) + white * RATE**0.5 * rng.standard_normal((n, 3))
    write_bar(tmp_path / "rest.csv", still, GYRO_BIAS + 2e-4 * RATE**0.5 * rng.standard_normal((n, 3)))

    code, out, err = forcekit(
        "noise", tmp_path / "rest.csv", "--device", tmp_path / "cal.toml", "-o", tmp_path / "new.toml"
    )

    assert (0, "") == (code, err)
    assert "rest of 200 s" in out
    assert "mm/s²/√Hz" in out
    assert "ten minutes" in out
    old = tomllib.loads((tmp_path / "cal.toml").read_text())["bar"]["calibration"]
    new = tomllib.loads((tmp_path / "new.toml").read_text())["bar"]["calibration"]
    # The noisiest of three axes, each known to 1/sqrt(2·20000/1.5), about 1 %.
    assert white == pytest.approx(new.pop("accel_noise"), rel=0.04)
    assert 2e-4 == pytest.approx(new.pop("gyro_noise"), rel=0.04)
    assert "noise in rest.csv" in new.pop("made")
    old.pop("made")
    assert old == new

    write_bar(tmp_path / "short.csv", still[:3000], np.zeros((3000, 3)))
    code, _, err = forcekit("noise", tmp_path / "short.csv", "--device", bar)
    assert 2 == code
    assert "the longest rest is 30 s; a minute is needed" in err


def test_wrong_words_get_one_sentence(forcekit: Run, tmp_path: Path, plate: Path, bar: Path) -> None:
    """What is missing or contradicts itself is said in one line, exit code 2."""
    write_check(tmp_path / "a.csv", 60.0, 12)
    (tmp_path / "plan.csv").write_text("mass,x_m,y_m\n20,0,0\n")
    new = tmp_path / "new.toml"
    for words, told in (
        (["calibrate-plate", "-o", new], "either a RECORDING or --live"),
        (["calibrate-plate", tmp_path / "a.csv", "--device", plate, "-o", new], "no masses were named"),
        (
            ["calibrate-plate", tmp_path / "a.csv", "--device", plate, "-o", new, "--masses", tmp_path / "plan.csv"],
            'the column "mass_kg" is missing',
        ),
        (["calibrate-plate", tmp_path / "a.csv", "--device", plate, "-o", tmp_path / "no" / "x", "--masses", "20"],
         "there is no folder"),
        (["check-plate", tmp_path / "a.csv", "--device", plate, "--mass", "0"], "a mass above 0"),
        (["check-plate", tmp_path / "a.csv", "--device", plate, "--mass", "60", "--at", "middle"], "two numbers in cm"),
        (["check-plate", tmp_path / "a.csv", "--device", plate, "--mass", "60", "--plate", "2"], "there is no plate 2"),
        (["calibrate-bar", tmp_path / "a.csv", "--device", plate, "-o", new], "does not describe a bar"),
        (["noise", tmp_path / "none.csv", "--device", bar], "no such file"),
    ):  # fmt: skip
        code, _, err = forcekit(*words)
        assert 2 == code, words
        assert told in err
        assert 1 == len(err.strip().splitlines())
