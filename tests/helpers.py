"""Recordings with a known answer: a closed-form dip and drive, and simulated lifts on plates of every kind."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from forcekit.analysis.pipeline import Settings, analyze
from forcekit.model import AttemptCard, Channel, DeviceFile, FloatArray, Plate, Recording, Site, Stream, TimeAxis
from forcekit.results import Analysis, Lift
from forcekit.simulate.lifter import simulate_lift
from forcekit.simulate.motion import Motion
from forcekit.simulate.plan import LiftPlan
from forcekit.simulate.sensors import PlateSensor, record_plate

OPEN_DATA = Path(__file__).resolve().parents[2] / "shared" / "open_data"


class FolderMissing(Exception):
    """The folder of open data lies beside the checkout only where somebody put it."""


def open_data(name: str) -> Path:
    """Folder of one open data set; without it the test is skipped (see conftest)."""
    folder = OPEN_DATA / name
    if not folder.is_dir():
        raise FolderMissing(f"the open data folder ../shared/open_data/{name} is absent")
    return folder


@dataclass(frozen=True, slots=True)
class HalfSines:
    """Dip and drive whose acceleration is made of half sines, with everything about it known in closed form.

    a(t) = -A sin(pi t/T1) for T1, then +B sin for T2, then -C sin for T3 so that the motion comes to rest. Methods 1.8
    (own derivation): the numbers of `A=4, B=12, T1=0.28, T2=0.30`.
    """

    A: float = 4.0
    B: float = 12.0
    T1: float = 0.28
    T2: float = 0.30
    T3: float = 0.50
    gravity: float = 9.80665

    @property
    def C(self) -> float:
        """Deceleration that brings the motion to rest."""
        return self.end_velocity * np.pi / (2.0 * self.T3)

    @property
    def slowest(self) -> float:
        """Velocity at the start of braking, T1."""
        return -2.0 * self.A * self.T1 / np.pi

    @property
    def end_velocity(self) -> float:
        """Velocity at the end of the drive, T1 + T2."""
        return self.slowest + 2.0 * self.B * self.T2 / np.pi

    @property
    def turn(self) -> float:
        """Time from T1 to the lowest point."""
        return self.T2 / np.pi * float(np.arccos(1.0 - 2.0 * self.A * self.T1 / (self.B * self.T2)))

    @property
    def depth(self) -> float:
        """Depth of the lowest point below the start, positive."""
        tau = self.turn
        swing = self.T2 / np.pi * np.sin(np.pi * tau / self.T2)
        down = -self.A * self.T1**2 / np.pi + self.slowest * tau + self.B * self.T2 / np.pi * (tau - swing)
        return -float(down)

    @property
    def lowest_acceleration(self) -> float:
        """Acceleration at the lowest point."""
        return float(self.B * np.sin(np.pi * self.turn / self.T2))

    def acceleration(self, t: FloatArray) -> FloatArray:
        """Upward acceleration; the onset is at t = 0."""
        t1, t2, t3 = t, t - self.T1, t - self.T1 - self.T2
        out = np.zeros_like(t)
        for sign, size, tau, span in ((-1, self.A, t1, self.T1), (1, self.B, t2, self.T2), (-1, self.C, t3, self.T3)):
            inside = (tau >= 0.0) & (tau < span)
            out[inside] = sign * size * np.sin(np.pi * tau[inside] / span)
        return out

    def recording(
        self,
        rate_hz: float,
        *,
        mass_kg: float = 120.0,
        stance_s: float = 2.0,
        offset_s: float = 0.0,
        noise_n: float = 1e-4,
        seed: int = 1,
        factor: float = 1.0,
        card: AttemptCard | None = None,
    ) -> Recording:
        """Vertical force on a plate with hardly any noise; onset at `stance_s`, first sample at `offset_s`.

        A tenth of a millinewton, so that no two samples repeat as on a frozen link.
        """
        t = offset_s + np.arange(int((stance_s + self.T1 + self.T2 + self.T3 + 1.0) * rate_hz)) / rate_hz
        force = mass_kg * (self.gravity + self.acceleration(t - stance_s))
        force = force + noise_n * np.random.default_rng(seed).standard_normal(t.size)
        return vertical_recording(t, factor * force, card=card)


def vertical_recording(
    t_s: FloatArray,
    force_n: FloatArray,
    *,
    card: AttemptCard | None = None,
    unit: str = "N",
    latitude_deg: float | None = None,
    source: str = "made in a test",
) -> Recording:
    """Recording of a plate that gives nothing but vertical force."""
    device = DeviceFile(
        name="vertical plate",
        kind="plate",
        time=TimeAxis(column="time"),
        channels=(Channel(name="fz", unit=unit),),
        plates=(Plate(kind="vertical", force_z="fz"),),
        site=Site(latitude_deg=latitude_deg),
    )
    stream = Stream(t_s=t_s, raw={"fz": force_n}, device=device, source=source, clock="stamps")
    return Recording(plate=stream, card=card or AttemptCard())


def altered(recording: Recording, change: Callable[[str, FloatArray], FloatArray]) -> Recording:
    """The same recording with the raw numbers of every channel changed: change(name, values)."""
    import dataclasses

    assert recording.plate is not None
    raw: Mapping[str, FloatArray] = {name: change(name, values) for name, values in recording.plate.raw.items()}
    return dataclasses.replace(recording, plate=dataclasses.replace(recording.plate, raw=raw))


def simulated(plan: LiftPlan, seed: int, sensor: PlateSensor | None = None) -> tuple[Motion, Recording]:
    """One simulated lift and its recording."""
    motion = simulate_lift(plan, seed)
    return motion, record_plate(motion, sensor or PlateSensor(), seed)


def only_lift(recording: Recording, settings: Settings | None = None) -> Lift:
    """The one lift of a recording."""
    found: Analysis = analyze(recording, settings)
    assert len(found) == 1, (found.reason, found.passed_over)
    return found[0]


def values(lift: Lift) -> dict[str, float]:
    """Values of all measures that have one."""
    return {name: m.value for name, m in lift.measures.items() if m.value is not None}


def verdicts(lift: Lift) -> dict[str, Any]:
    """Verdict of each quality check by its name."""
    return {check.name: check.verdict for check in lift.quality}
