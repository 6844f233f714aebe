"""Two devices 80 ppm apart on one clock over 20 minutes, with bursts of delay, for many seeds.

Run as ``python -m tests.benchmarks.clocks [seeds]``.
"""

from __future__ import annotations

import sys

import numpy as np

from forcekit.acquire.host_clock import fit_clock, host_time, host_time_u
from tests.acquire.test_host_clock import arrivals

SPAN_S = 1200.0


def main(n: int) -> None:
    """Print the greatest disagreement of the two devices anywhere in the 20 minutes."""
    t = np.linspace(0.0, SPAN_S, 200)
    print("stalls of   worst disagreement over all seeds   drift error   |error| < 2 u")
    for burst_s in (0.05, 0.4, 2.0):
        worst = drift = 0.0
        inside = []
        for seed in range(n):
            rng = np.random.default_rng(seed)
            a = fit_clock(*arrivals(rng, span_s=SPAN_S, drift=40e-6, burst_s=burst_s))
            b = fit_clock(*arrivals(rng, span_s=SPAN_S, drift=-40e-6, every_s=0.015, burst_s=burst_s))
            at_a, at_b = host_time(a, t / (1.0 + 40e-6)), host_time(b, t / (1.0 - 40e-6))
            worst = max(worst, float(np.abs(at_a - at_b).max()))
            drift = max(drift, abs(a.drift - 40e-6), abs(b.drift + 40e-6))
            inside.append(np.mean(np.abs(at_a - t) < 2.0 * host_time_u(a, t)))
        print(
            f"{burst_s:5.2f} s     {1e3 * worst:.3f} ms{'':27}{1e6 * drift:.2f} ppm      {100 * np.mean(inside):.0f} %"
        )
        assert worst < 1e-3


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30)
