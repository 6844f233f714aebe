"""What the commands for accuracy say: numbers with unit and ± (95 %, twice the standard uncertainty)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from forcekit.numbers import decimal, signed, significant

if TYPE_CHECKING:
    from forcekit.mechanics.allan import Figure
    from forcekit.mechanics.bar_calibration import BarFit, BarNoise
    from forcekit.mechanics.daily_check import DailyCheck
    from forcekit.mechanics.plate_calibration import PlateCalibration

__all__ = ["bar_lines", "check_lines", "noise_lines", "plate_lines", "refusal", "with_u"]

AXES = "xyz"


def with_u(value: float, u: float, unit: str) -> str:
    """Number with the digits its uncertainty allows, ± twice the standard uncertainty.

    Examples
    --------
    >>> with_u(0.0125034, 0.000021, "N/count"), with_u(-3.0, 0.0, "N")
    ('0.012503 ± 0.000042 N/count', '−3 N')
    """
    if not u > 0.0 or not math.isfinite(u):
        return f"{significant(value, 5)} {unit}"
    digits = max(0, 1 - math.floor(math.log10(2.0 * u)))
    return f"{decimal(value, digits)} ± {2.0 * u:.{digits}f} {unit}"


def plate_lines(found: PlateCalibration, names: Sequence[str]) -> list[str]:
    """Report of a plate's calibration."""
    r = found.report
    out = [
        f"{r.n_loaded} loads, {r.n_masses} masses, {r.n_places} places, up to {r.full_scale_n:.0f} N (full scale)",
        "  gains (± 95 %)",
    ]
    for name, gain, u in zip(names, found.gains, np.sqrt(np.diag(found.gains_cov)), strict=True):
        out.append(f"    {name:<18} {with_u(float(gain), float(u), 'N per number')}  ({100 * u / abs(gain):.2f} % u)")
    rows = [
        ("linearity", f"{100 * r.linearity_frac:.3f} % of full scale"),
        ("hysteresis", _frac(r.hysteresis_frac, "no load was taken up and down")),
        ("repeatability", _frac(r.repeatability_frac, "no load was repeated at its place")),
        ("return to zero", f"{100 * r.zero_return_frac:.3f} % of full scale"),
        ("empty plate", f"u {r.zero_u_n:.2f} N, drift {_drift(r.drift_nps)}"),
        ("corner error", f"{100 * r.corner_frac:.3f} % of the load"),
        (
            "pressure",
            f"at most {1000 * r.pressure_error_m:.1f} mm off, {1000 * r.pressure_rms_m:.1f} mm r.m.s.; "
            f"u {1000 * r.pressure_u_m:.1f} mm a coordinate without the placing",
        ),
        ("condition", f"{r.condition:.1f}"),
    ]
    out += [f"  {name:<16} {text}" for name, text in rows]
    out.append(f"  {'verdict':<16} {'good' if found.ok else 'REFUSED'}")
    out += [f"    {problem}" for problem in found.problems]
    return out


def _drift(drift_nps: float | None) -> str:
    return (
        "unknown: the readings have no times (t_s)"
        if drift_nps is None
        else f"{signed(3600 * drift_nps, 1)} N per hour"
    )


def refusal(found: PlateCalibration) -> str:
    """Why a calibration is refused, in one sentence; nothing was written."""
    more = len(found.problems) - 1
    rest = f" ({more} more above)" if more else ""
    return (
        f"the calibration is refused: {found.problems[0]}{rest}. No device file was written; mend that and repeat it."
    )


def check_lines(found: DailyCheck, mass_kg: float, mass_u_kg: float) -> list[str]:
    """Report of a daily check."""
    u_kg = found.error_u_frac * mass_kg
    out = [
        f"  mass     {with_u(found.mass_kg, u_kg, 'kg')}, known {with_u(mass_kg, mass_u_kg, 'kg')}",
        f"  error    {with_u(100 * found.error_frac, 100 * found.error_u_frac, '%')}",
        f"  zero     {signed(found.zero_shift_n, 1)} N since the calibration",
    ]
    if found.place_error_m is not None:
        out.append(f"  pressure {1000 * found.place_error_m:.1f} mm from the mass")
    return [f"check: {found.verdict}", *out, f"  {found.sentence}"]


def bar_lines(found: BarFit) -> list[str]:
    """Report of a bar sensor's calibration."""
    a = found.accel
    u = np.sqrt(np.diag(a.covariance))
    out = [f"accelerometer, {a.n_positions} still positions (± 95 %)"]
    for i, axis in enumerate(AXES):
        bias = with_u(float(a.bias_mps2[i]), float(u[i]), "m/s²")
        scale = with_u(100 * float(a.scale[i] - 1.0), 100 * float(u[3 + i]), "%")
        out.append(f"  {axis}   bias {bias:<24} scale {scale}")
    if a.full:
        skew = ", ".join(with_u(1000 * float(s), 1000 * float(v), "mrad") for s, v in zip(a.skew, u[6:], strict=True))
        out.append(f"  misalignment {skew}")
    else:
        out.append("  misalignment not found: nine positions and more, well spread, are needed for it")
    out.append(f"  left over    {1000 * a.misfit_mps2:.1f} mm/s² r.m.s.")
    g = found.gyro
    if g is None:
        return [*out, f"gyroscope not calibrated: {found.no_gyro}"]
    out.append(f"gyroscope, {g.n_turns} turns (± 95 %)")
    for i, axis in enumerate(AXES):
        bias = with_u(math.degrees(float(g.bias_radps[i])), math.degrees(g.bias_u_radps), "degree/s")
        scale = with_u(100 * float(g.matrix[i, i] - 1.0), 100 * g.scale_u, "%")
        out.append(f"  {axis}   bias {bias:<24} scale {scale}")
    if not g.full:
        out.append("  misalignment not found: turn it about all of its axes for that")
    return out


def noise_lines(found: BarNoise) -> list[str]:
    """Report of a bar sensor's noise."""
    out = [f"rest of {found.seconds:.0f} s at {found.rate_hz:.0f} Hz (± 95 %; < is an upper limit: not seen)"]
    for title, figures, unit, factor in (
        ("accelerometer", found.accel, "mm/s²", 1000.0),
        ("gyroscope", found.gyro, "degree/s", math.degrees(1.0)),
    ):
        if figures:
            out.append(title)
        for axis, f in zip(AXES, figures, strict=False):
            out.append(
                f"  {axis}   white {_figure(f.white, factor, unit + '/√Hz')}, bias instability "
                f"{_figure(f.instability, factor, unit)}, random walk {_figure(f.walk, factor, unit + '/√s')}"
            )
    if found.seconds < 600.0:
        out.append("ten minutes show the white noise well; bias instability and random walk need an hour")
    return out


def _figure(f: Figure, factor: float, unit: str) -> str:
    if not f.seen:
        return f"< {factor * f.value:.2g} {unit}"
    return with_u(factor * f.value, factor * f.u, unit)


def _frac(value: float | None, why: str) -> str:
    return f"unknown: {why}" if value is None else f"{100 * value:.3f} % of full scale"
