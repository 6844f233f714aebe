"""The nouns of what comes out: a lift with its curves, measures, findings and quality checks, and all of a recording.

Axes, signs and units are those of `forcekit.model`: SI, x forward to the toes, y left, z up, times in seconds from the
recording's start.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from forcekit.model import AttemptCard, FloatArray

if TYPE_CHECKING:
    import pandas as pd


AS_SEEN = "dip and drive, "
"""How the name of a movement begins that the card does not name: what the feet did follows."""


@dataclass(frozen=True, slots=True)
class Measure:
    """One number with its 95 % interval, or the reason why there is none.

    `value`, `low`, `high` are in the SI `unit` (empty for a ratio); exactly one of `value` and `withheld` is None.
    """

    name: str
    unit: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    withheld: str | None = None

    @property
    def ok(self) -> bool:
        """True when there is a number."""
        return self.value is not None


@dataclass(frozen=True, slots=True)
class QualityCheck:
    """One thing that must be right before numbers can be believed."""

    name: str
    verdict: Literal["good", "doubtful", "bad"]
    sentence: str
    withholds: tuple[str, ...] = ()
    """Names of the measures a bad verdict withholds."""


@dataclass(frozen=True, slots=True)
class Cue:
    """What the cue book answers to a finding."""

    cue: str
    drill: str
    caution: str


@dataclass(frozen=True, slots=True)
class Finding:
    """A pattern seen in a lift, how sure, on what evidence, and the one cue for it."""

    pattern: str
    strength: Literal["clear", "possible"]
    sentence: str
    evidence: tuple[str, ...]
    """Names of the measures it rests on."""
    limit_source: str
    """Where the limit comes from: own usual range, published value, or common practice."""
    cue: Cue


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """Motion curves of one lift, from the start of stance to the end of its window, on a uniform clock.

    All arrays have shape (n,); `forward_n`, `cop_x_m`, `cop_y_m` are None where the plate does not measure them and
    the pressure is NaN where the force is too low to say where it is. Without a plate `force_n` is None, too, and speed
    and travel are those of the bar.
    """

    t_s: FloatArray
    force_n: FloatArray | None
    velocity_mps: FloatArray
    travel_m: FloatArray
    forward_n: FloatArray | None = None
    cop_x_m: FloatArray | None = None
    cop_y_m: FloatArray | None = None


@dataclass(frozen=True, slots=True, eq=False)
class BarCurves:
    """How the bar moved, on the clock of the lift's other curves; travel from its place in stance.

    Attributes
    ----------
    t_s : array, shape (n,)
    up_m, velocity_mps : array, shape (n,)
        Upward travel and speed of the bar's middle.
    forward_m : array, shape (n,), or None
        None where the sensor cannot tell it.
    shaft_angle_rad : array, shape (n,), or None
        Elbows up positive.
    marks_s : array, shape (k,)
        Instants at which the uncertainty of the path is given: onset, lowest point, end of the drive.
    ellipses : tuple of (float, float, float)
        Half axes (m) and angle of the long axis from forward toward up (rad) of the 95 % region at each mark.
    """

    t_s: FloatArray
    up_m: FloatArray
    velocity_mps: FloatArray
    forward_m: FloatArray | None = None
    shaft_angle_rad: FloatArray | None = None
    marks_s: tuple[float, ...] = ()
    ellipses: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Instants:
    """The phase instants of a lift in seconds from the recording's start; None where it did not happen."""

    stance_start_s: float
    stance_end_s: float
    onset_s: float
    braking_start_s: float
    lowest_s: float
    drive_end_s: float
    takeoff_s: float | None = None
    delivered_s: float | None = None
    """80 % of the drive's net impulse is delivered: until then its pressure counts."""


@dataclass(frozen=True, slots=True)
class FootFrame:
    """Where the foot is on the plate: heel line (m, lifter's axes) and foot length (m), with standard uncertainties."""

    heel_m: float | None
    heel_u_m: float
    length_m: float | None
    length_u_m: float
    length_source: str


@dataclass(frozen=True, slots=True, eq=False)
class Lift:
    """One dip and drive: instants, curves, measures, findings, quality checks."""

    movement: str
    instants: Instants
    curves: Curves
    measures: Mapping[str, Measure]
    findings: tuple[Finding, ...]
    quality: tuple[QualityCheck, ...]
    foot: FootFrame
    card: AttemptCard
    notes: tuple[str, ...] = ()
    bar: BarCurves | None = None

    def __getitem__(self, name: str) -> Measure:
        return self.measures[name]

    def __repr__(self) -> str:
        best = self.findings[0].sentence if self.findings else "no finding"
        return f"<Lift at {self.instants.lowest_s:.2f} s, {self.movement}: {best}>"

    def to_frame(self) -> pd.DataFrame:
        """Return the measures as a pandas table: one row per measure (value, low, high, unit, withheld)."""
        import pandas as pd

        rows = [
            {"measure": m.name, "value": m.value, "low": m.low, "high": m.high, "unit": m.unit, "withheld": m.withheld}
            for m in self.measures.values()
        ]
        return pd.DataFrame(rows).set_index("measure")

    def plot(self) -> object:
        """Draw force, speed and height over the phases, the pressure on the foot and the bar's path; gives a figure."""
        from forcekit.show.charts import lift_figure

        return lift_figure(self)


@dataclass(frozen=True, slots=True)
class PassedOver:
    """Something that looked a little like a dip and was not counted as a lift, and why."""

    at_s: float
    why: str


@dataclass(frozen=True, slots=True, eq=False)
class Analysis:
    """All lifts of one recording, what was passed over, and why if there are none."""

    source: str
    lifts: tuple[Lift, ...]
    passed_over: tuple[PassedOver, ...] = ()
    reason: str | None = None
    """One sentence on why there is no lift; None when there is one."""
    notes: tuple[str, ...] = field(default=())

    def __len__(self) -> int:
        return len(self.lifts)

    def __getitem__(self, index: int) -> Lift:
        return self.lifts[index]

    def __repr__(self) -> str:
        if not self.lifts:
            return f"<Analysis {self.source}: no lift, {self.reason}>"
        return f"<Analysis {self.source}: {len(self.lifts)} lift{'s' if len(self.lifts) > 1 else ''}>"

    def to_frame(self) -> pd.DataFrame:
        """Return one row per lift with columns ``<measure>``, ``<measure>_low``, ``<measure>_high`` in SI units."""
        import pandas as pd

        rows = []
        for lift in self.lifts:
            row: dict[str, float | str | None] = {"file": self.source, "movement": lift.movement}
            for m in lift.measures.values():
                row |= {m.name: m.value, f"{m.name}_low": m.low, f"{m.name}_high": m.high}
            rows.append(row)
        return pd.DataFrame(rows)
