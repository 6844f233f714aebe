"""The peer: what a sport scientist's own script does with a recording, with pandas and scipy, as good as we can.

It reads the file, sums the cells, takes the zero from the empty plate, filters, finds standing still, weighs,
integrates, finds onset, braking, lowest point and take-off, and gives the same measures that forcekit gives for this
plate: without checks, findings, gaps, limits of the converter, and it takes the first dip and drive it sees. Intervals
it has by the ordinary way alone, by doing all of it again with other errors drawn for the plate. Run as
``python tests/benchmarks/plain_script.py OUT FILES...`` it writes the measures as one table.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.integrate import cumulative_trapezoid
from scipy.signal import butter, filtfilt

CORNERS = ((0.25, 0.35), (-0.25, 0.35), (-0.25, -0.35), (0.25, -0.35))
CELLS = {
    f"{side}_cell_{i + 1}": (x, y0 + y)
    for side, y0 in (("left", 0.38), ("right", -0.38))
    for i, (x, y) in enumerate(CORNERS)
}
PLACES = np.array(list(CELLS.values()))
GAIN_U, ZERO_U_N, DRIFT_U_NPS, POSITION_U_M = 0.005, 2.0, 0.05, 0.001  # as a device file that states none
GRAVITY = 9.81
FOOT_M, HEEL_M, STATURE_M = 0.265, -0.12, 1.74


def measures(path: Path) -> dict[str, float]:
    """Measures of the first dip and drive of a recording."""
    return _measured(*_read(path))


def intervals(path: Path, n_trials: int = 100) -> dict[str, tuple[float, float, float]]:
    """The same with the ends of their 95 % intervals, from trials with gains, zeros, drifts and places of the cells."""
    rng = np.random.default_rng(1)
    t, cells = _read(path)
    value, trials = _measured(t, cells), []
    for _ in range(n_trials):
        gain, zero, drift = (rng.normal(0.0, u, 8) for u in (GAIN_U, ZERO_U_N, DRIFT_U_NPS))
        moved = PLACES + rng.normal(0.0, POSITION_U_M, PLACES.shape)
        trials.append(_measured(t, cells * (1.0 + gain) + zero + np.outer(t - t[0], drift), moved))
    drawn = pd.DataFrame(trials)
    return {name: (value[name], *drawn[name].quantile([0.025, 0.975])) for name in value}


def _read(path: Path) -> tuple[np.ndarray, np.ndarray]:
    data = pd.read_csv(path, skiprows=1)  # the comment line of the recordings of `batch_files`
    return data["time"].to_numpy(), data[list(CELLS)].to_numpy()


def _measured(t: np.ndarray, cells: np.ndarray, places: np.ndarray = PLACES) -> dict[str, float]:
    rate = 1.0 / np.median(np.diff(t))
    force = cells.sum(axis=1)
    empty = force < 0.05 * np.quantile(force, 0.95)
    if empty.sum() > 0.1 * rate:
        cells = cells - cells[empty].mean(axis=0)
    b, a = butter(2, 50.0, fs=rate)
    fz, fx, fy = filtfilt(b, a, np.column_stack([cells.sum(axis=1), cells @ places]), axis=0).T
    with np.errstate(divide="ignore", invalid="ignore"):
        cop_x = np.where(fz > 100.0, fx / fz, np.nan)
        cop_y = np.where(fz > 100.0, fy / fz, np.nan)
    still = pd.Series(fz).rolling(round(rate)).agg(["mean", "std"])
    quiet = np.flatnonzero((still["std"] < 0.005 * still["mean"]) & (still["mean"] > 300.0))
    first = quiet[0] - round(rate) + 1
    stance = slice(first, quiet[0] + 1)
    weight, sd = fz[stance].mean(), fz[stance].std(ddof=1)
    mass = weight / GRAVITY
    v = cumulative_trapezoid((fz[first:] - weight) / mass, dx=1.0 / rate, initial=0.0)
    s = cumulative_trapezoid(v, dx=1.0 / rate, initial=0.0)
    f, x, y, tt = fz[first:], cop_x[first:], cop_y[first:], t[first:]
    down = np.flatnonzero(v < -0.25)[0]
    outside = np.flatnonzero(np.abs(f[:down] - weight) < 5.0 * sd)
    onset = max(0, outside[-1] - round(0.03 * rate))
    low = down + np.flatnonzero(v[down:] >= 0.0)[0]
    brake = onset + np.argmin(v[onset:low])
    top = low + np.flatnonzero(f[low:] < weight)[0]
    off = top + np.flatnonzero(f[top:] < 20.0)[:1]
    end = int(off[0]) if off.size else top
    turn = np.flatnonzero(np.abs(v[brake:end]) < 0.10) + brake
    net = cumulative_trapezoid(f[low:end] - weight, dx=1.0 / rate, initial=0.0)
    told = low + np.flatnonzero(net >= 0.8 * net[-1])[0]
    power = f[low:end] * v[low:end]
    still_x, still_y = np.nanmean(x[: round(rate)]), np.nanmean(y[: round(rate)])
    drive_x, drive_y = np.average(x[low:told], weights=f[low:told]), np.average(y[low:told], weights=f[low:told])
    left = cells[first:, :4].sum(axis=1)
    out = {
        "unweighting_time": tt[brake] - tt[onset], "braking_time": tt[low] - tt[brake], "dip_time": tt[low] - tt[onset],
        "drive_time": tt[end] - tt[low], "transition_time": (turn[-1] - turn[0]) / rate, "onset_at": tt[onset],
        "braking_start_at": tt[brake], "lowest_at": tt[low], "drive_end_at": tt[end], "takeoff_at": tt[end],
        "dip_depth": s[onset] - s[low], "dip_depth_of_stature": (s[onset] - s[low]) / STATURE_M,
        "peak_dip_velocity": -v[brake], "peak_drive_velocity": v[low:end].max(), "takeoff_velocity": v[end],
        "system_weight": weight, "system_mass": mass, "peak_force": f[onset:end].max(),
        "peak_force_of_weight": f[onset:end].max() / weight, "lowest_force_of_weight": f[onset:low].min() / weight,
        "force_at_lowest": f[low], "braking_rfd": (f[low] - weight) / (tt[low] - tt[brake]),
        "braking_impulse": -mass * v[brake], "drive_impulse": mass * v[end], "peak_power": power.max(),
        "mean_drive_power": power.mean(), "stance_pressure": still_x - HEEL_M, "pressure_at_lowest": x[low] - HEEL_M,
        "pressure_in_drive": drive_x - HEEL_M, "pressure_at_drive_end": x[max(low, end - 20)] - HEEL_M,
        "shift_in_dip": x[low] - still_x, "shift_in_drive": drive_x - x[low], "shift_total": drive_x - still_x,
        "side_shift": drive_y - still_y, "left_share": left[onset:end].sum() / f[onset:end].sum(),
    }  # fmt: skip
    out |= {f"{k}_of_foot": out[k] / FOOT_M for k in list(out) if k.startswith(("pressure", "shift", "stance"))}
    return {name: float(value) for name, value in out.items()}


def main(paths: list[Path]) -> pd.DataFrame:
    """One row per file; a file that cannot be used is an empty row."""
    rows = []
    for path in paths:
        try:
            rows.append({"file": path.name} | measures(path))
        except (ValueError, IndexError, KeyError) as error:
            rows.append({"file": path.name, "problem": str(error)})
    return pd.DataFrame(rows)


if __name__ == "__main__":
    main([Path(word) for word in sys.argv[2:]]).to_csv(sys.argv[1], index=False)
