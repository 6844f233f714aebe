"""Accuracy of a plate from the command line: what was put into it comes out, and bad ones are refused."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest

from forcekit import cli_guided
from forcekit.acquire.check_file import read_checks
from forcekit.acquire.device_file import load_device, save_device
from forcekit.acquire.receive import Receiver, receive
from forcekit.acquire.samples import Batch
from forcekit.acquire.virtual import VirtualSerial
from forcekit.acquire.wire import Command, CommandCode, encode_description, encode_samples
from forcekit.mechanics.still_loads import Placement, grid_plan, still_loads
from forcekit.model import Channel, Link, TimeAxis
from tests.acquire.waiting import wait_until
from tests.stories.in_process import Run
from tests.stories.wrong_devices import (
    CELLS,
    GAINS,
    MASSES,
    NAMES,
    RATE,
    ZERO,
    Rows,
    counts_of,
    plate_device,
    with_empties,
    write_check,
    write_session,
)


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
        self.n_sent = 0

    def hear(self, data: bytes, now_s: float) -> bytes:
        """Describe itself and start."""
        from forcekit.acquire.device_file import device_text

        frames, self._receiver = receive(data, self._receiver)
        codes = [f.code for f in frames if isinstance(f, Command)]
        if CommandCode.START in codes and self._start_s is None:
            self._start_s = now_s
        return b"".join(encode_description(device_text(self.device))) if CommandCode.DESCRIBE in codes else b""

    def due(self, now_s: float) -> list[bytes]:
        """Samples until now."""
        frames = []
        while self._start_s is not None and self.n_sent < (now_s - self._start_s) * 5000.0:
            raw = np.rint(self.counts + self._rng.normal(0.0, 8.0, 4)).astype(np.int64)[None]
            frames.append(encode_samples(raw, index=self.n_sent, device_us=2000 * self.n_sent, width=4))
            self.n_sent += 1
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

    n_heard, take, ask = 0, cli_guided.Listener.take, cli_guided._ask

    def heard(listener: cli_guided.Listener, number: int, batch: Batch) -> None:
        nonlocal n_heard
        take(listener, number, batch)
        n_heard += batch.raw.shape[0]

    def asked(text: str) -> None:
        if "again" not in text:
            plate.counts = counts_of(*next(steps))
            before = plate.n_sent + 1
            wait_until(lambda: n_heard > before, at_most_s=60.0, what="the first sample of the new load")
        ask(text)

    monkeypatch.setattr("builtins.input", lambda: "")
    monkeypatch.setattr(cli_guided, "_ask", asked)
    monkeypatch.setattr(cli_guided.Listener, "take", heard)
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


@pytest.mark.parametrize("while_waiting", [False, True])
def test_guided_and_broken_off(
    while_waiting: bool, forcekit: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C at the question or while the load comes to rest: what is left is said, and what to do with it."""

    def ctrl_c(*_: object, **__: object) -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr("builtins.input", (lambda: "") if while_waiting else ctrl_c)
    monkeypatch.setattr("forcekit.cli_guided.still_loads", ctrl_c)
    with VirtualSerial(HandPlate()) as port:  # type: ignore[arg-type]
        words = ("calibrate-plate", "--live", port.port, "--masses", "20", "--hold", "0.3", "-o", tmp_path / "new.toml")
        code, _, err = forcekit(*words)
    kept = tmp_path / "new.calibration.forcelog"
    assert 2 == code
    assert f"No device file was written; what the plate sent is kept in {kept}: delete it" in err
    assert kept.stat().st_size > 1000


def test_guided_without_an_answer_leaves_nothing(
    forcekit: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A cable that was forgotten: the same command can be given again."""
    monkeypatch.setattr("forcekit.cli_guided.FIRST_SAMPLE_S", 0.3)
    code, _, err = forcekit(
        "calibrate-plate", "--live", tmp_path / "no port", "--masses", "20", "-o", tmp_path / "new.toml"
    )
    assert 2 == code
    assert "no sample came within 0.3 s" in err
    assert "Nothing was written." in err
    assert [] == list(tmp_path.iterdir())


# ---------------------------------------------------------------------------------------------------- every day


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


def by_hand(path: Path, *, head: str = "", change: Callable[[list[list[str]]], list[list[str]]] = lambda r: r) -> Path:
    """Write readings of the grid by hand, with times, changed as wanted."""
    table = [
        [*(f"{c:.6f}" for c in counts_of(*row)), *(str(v) for v in row), str(10.0 * i)]
        for i, row in enumerate(with_empties(grid_plan(MASSES, CELLS)))
    ]
    lines = [",".join(row) for row in change(table)]
    path.write_text(head + "\n".join(["fr,fl,br,bl,mass_kg,x_m,y_m,t_s", *lines]) + "\n")
    return path


def edited(i: int, column: int, text: str) -> Callable[[list[list[str]]], list[list[str]]]:
    """Change one field of the readings."""
    return lambda rows: [[*r[:column], text, *r[column + 1 :]] if k == i else r for k, r in enumerate(rows)]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (edited(5, 7, "3"), "reading 6: t_s is 3 after 40; write the readings in the order they were taken"),
        (edited(5, 4, "nan"), "reading 6"),
        (edited(5, 4, "-20"), "a placement of -20 kg"),
        (edited(5, 5, "25"), "at x = 25 m"),
        (edited(5, 0, "inf"), "reading 6"),
    ],
    ids=["not in order", "no mass", "less than nothing", "centimetres for metres", "beyond all"],
)
def test_readings_by_hand_that_cannot_be(
    forcekit: Run, tmp_path: Path, plate: Path, change: Callable[[list[list[str]]], list[list[str]]], told: str
) -> None:
    """Readings out of order would be zeroed wrongly, and masses that are none silently passed over: both are named."""
    path = by_hand(tmp_path / "by_hand.csv", change=change)

    code, _, err = forcekit("calibrate-plate", path, "--device", plate, "-o", tmp_path / "new.toml")

    assert (2, 1) == (code, len(err.strip().splitlines()))
    assert told in err
    assert not (tmp_path / "new.toml").exists()


def test_readings_by_hand_may_begin_with_a_remark(forcekit: Run, tmp_path: Path, plate: Path) -> None:
    """A comment above the header does not make a recording of them."""
    path = by_hand(tmp_path / "by_hand.csv", head="# taken on a cold morning\n")

    code, _, err = forcekit("calibrate-plate", path, "--device", plate, "-o", tmp_path / "new.toml")

    assert (0, "") == (code, err)


@pytest.mark.parametrize("text", ["mass_u_frac = -0.1", "place_u_m = nan", "place_u_m = 3"])
def test_uncertainties_of_a_plan_are_checked(forcekit: Run, tmp_path: Path, plate: Path, text: str) -> None:
    """A plan whose uncertainties cannot be is refused with the key."""
    plan = tmp_path / "plan.toml"
    plan.write_text(text + "\n[[placed]]\nmass_kg = 20.0\n")

    code, _, err = forcekit(
        "calibrate-plate", by_hand(tmp_path / "a.csv"), "--masses", plan, "--device", plate, "-o", tmp_path / "new.toml"
    )

    assert 2 == code
    assert f"plan.toml: {text.split()[0]} is" in err


def test_readings_without_times_tell_no_drift(forcekit: Run, tmp_path: Path, plate: Path) -> None:
    """A drift per second cannot come from readings that are only numbered; with times it is the true one."""

    def drifting(rows: list[list[str]]) -> list[list[str]]:
        """0.02 N/s on every reading, 10 s apart; shared by the four cells."""
        return [[*(f"{float(c) + 0.05 * i / g:.6f}" for c, g in zip(r, GAINS, strict=False)), *r[4:]]
                for i, r in enumerate(rows)]  # fmt: skip

    timed = by_hand(tmp_path / "timed.csv", change=drifting)
    text = [line.rsplit(",", 1)[0] for line in timed.read_text().splitlines()]
    (tmp_path / "untimed.csv").write_text("\n".join(text) + "\n")

    code, out, _ = forcekit("calibrate-plate", timed, "--device", plate, "-o", tmp_path / "a.toml")
    assert 0 == code, out
    assert "drift +72.0 N per hour" in out
    code, out, _ = forcekit("calibrate-plate", tmp_path / "untimed.csv", "--device", plate, "-o", tmp_path / "b.toml")
    assert 0 == code, out
    assert "drift unknown" in out
    assert load_device(plate).plates[0].drift_u_nps == load_device(tmp_path / "b.toml").plates[0].drift_u_nps
