"""Accuracy of a bar sensor from the command line: bias, scale and noise come back, and bad sessions are refused."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

from forcekit.acquire.capture import Capture
from forcekit.acquire.device_file import load_device
from forcekit.acquire.replay import replay
from forcekit.acquire.source import read
from forcekit.mechanics.bar_readings import bar_settings
from tests.acquire.waiting import wait_until
from tests.stories.in_process import Run
from tests.stories.wrong_devices import (
    ACCEL_BIAS,
    GYRO_BIAS,
    RATE,
    SCALE,
    write_bar,
    write_check,
    write_positions,
)


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
        (["check-plate", tmp_path / "a.csv", "--device", plate, "--mass", "60", "--at", "nan,2"], "two numbers in cm"),
        (["check-plate", tmp_path / "a.csv", "--device", plate, "--mass", "inf"], "a mass above 0"),
        (["calibrate-bar", tmp_path / "a.csv", "-o", new], "name one with --device,"),
        (["calibrate-plate", "--live", "virtual", "--masses", "20", "-o", new], "for record and live alone"),
        (["check-plate", tmp_path / "a.csv", "--device", plate, "--mass", "60", "--plate", "2"], "has 1 plate; there"),
        (["calibrate-bar", tmp_path / "a.csv", "--device", plate, "-o", new], "does not describe a bar"),
        (["noise", tmp_path / "none.csv", "--device", bar], "no such file"),
    ):  # fmt: skip
        code, _, err = forcekit(*words)
        assert 2 == code, words
        assert told in err
        assert 1 == len(err.strip().splitlines())
