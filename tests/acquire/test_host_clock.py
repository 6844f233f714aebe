"""Clock model: offset and drift from late arrivals."""

from __future__ import annotations

import numpy as np
import pytest

from forcekit.acquire.host_clock import fit_clock, host_time, host_time_u
from forcekit.model import FloatArray


def arrivals(
    rng: np.random.Generator,
    *,
    span_s: float,
    drift: float,
    start_s: float = 0.0,
    every_s: float = 0.01,
    burst_s: float = 0.4,
) -> tuple[FloatArray, FloatArray]:
    """Make device times and arrivals with a 10 ms poll, exponential lateness and stalls of the laptop.

    One fifth of the time the laptop is stalled: what came in a stall arrives together at its end.
    """
    device = np.arange(0.0, span_s, every_s)
    true = start_s + device * (1.0 + drift)
    arrived = true + rng.exponential(0.002, device.size) + rng.uniform(0.0, 0.010, device.size)
    for begin in np.arange(0.0, span_s, 5.0 * burst_s) + rng.uniform(0.0, burst_s):
        stalled = (device >= begin) & (device < begin + burst_s)
        arrived[stalled] = np.maximum(arrived[stalled], start_s + (begin + burst_s) * (1.0 + drift))
    return device, np.maximum.accumulate(arrived)


def test_two_devices_on_one_clock() -> None:
    """Two devices 80 ppm apart with bursty delays agree within 1 ms over 20 minutes."""
    rng = np.random.default_rng(1)
    span_s = 1200.0
    plate = fit_clock(*arrivals(rng, span_s=span_s, drift=+40e-6, start_s=5000.0))
    bar = fit_clock(*arrivals(rng, span_s=span_s, drift=-40e-6, start_s=5000.3, every_s=0.015))
    t = np.linspace(0.0, span_s, 100)

    plate_host = host_time(plate, (t - 0.0) / (1.0 + 40e-6)) - 5000.0
    bar_host = host_time(bar, (t - 0.3) / (1.0 - 40e-6)) - 5000.0

    # Same instants t on the true clock; both links share the same shortest delay, zero.
    assert np.abs(plate_host - bar_host).max() < 1e-3
    assert np.abs(plate_host - t).max() < 1e-3
    assert np.abs([plate.drift - 40e-6, bar.drift + 40e-6]).max() < 1e-6


def test_uncertainty_is_on_the_safe_side() -> None:
    """The true time lies within two standard uncertainties in at least 95 % of 60 short recordings."""
    inside = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        drift = float(rng.uniform(-100e-6, 100e-6))
        device, host = arrivals(rng, span_s=60.0, drift=drift)
        fit = fit_clock(device, host)
        at = rng.uniform(0.0, 60.0)

        error = float(host_time(fit, at) - at * (1.0 + drift))
        inside += abs(error) <= 2.0 * float(host_time_u(fit, at))

    assert inside >= 57


def test_bursts_do_not_pull() -> None:
    """Ten times longer bursts move the fit by less than its uncertainty."""
    calm = fit_clock(*arrivals(np.random.default_rng(3), span_s=120.0, drift=20e-6))
    rough = fit_clock(*arrivals(np.random.default_rng(3), span_s=120.0, drift=20e-6, burst_s=4.0))

    assert rough.latest_s > 5.0 * calm.latest_s
    assert abs(float(host_time(rough, 60.0) - host_time(calm, 60.0))) < 2.0 * rough.host_ref_u_s + 1e-4


def test_too_short_to_see_drift() -> None:
    """In two seconds no drift can be told; it is taken as zero and the uncertainty says so."""
    fit = fit_clock(*arrivals(np.random.default_rng(4), span_s=2.0, drift=50e-6))

    assert fit.drift_assumed
    assert fit.drift == 0.0
    assert abs(float(host_time(fit, 1.0)) - 1.0) < 3e-3


def test_a_bad_oscillator_is_measured() -> None:
    """A clock that is 1 % off is no crystal, and is measured within seconds."""
    fit = fit_clock(*arrivals(np.random.default_rng(5), span_s=20.0, drift=0.01))

    assert not fit.drift_assumed
    assert abs(fit.drift - 0.01) < 3.0 * fit.drift_u


def test_one_arrival() -> None:
    """A single arrival gives an offset and admits that it knows no drift."""
    fit = fit_clock([3.0], [10.0])

    assert (float(host_time(fit, 4.0)), fit.drift_assumed) == (11.0, True)


def test_exact_line() -> None:
    """Without any delay the line is found to the last digits, also far from zero."""
    device = np.arange(0.0, 600.0, 0.01)
    fit = fit_clock(1e6 + device, 2e9 + device * (1.0 - 30e-6))

    # 2e9 s in double precision has steps of 2.4e-7 s.
    assert fit.drift == pytest.approx(-30e-6, abs=1e-8)
    assert float(host_time(fit, 1e6)) == pytest.approx(2e9, abs=2e-6)


def test_shapes_are_checked() -> None:
    """Unequal lengths are a programmer's mistake."""
    with pytest.raises(ValueError, match="equal length"):
        fit_clock([1.0, 2.0], [1.0])
