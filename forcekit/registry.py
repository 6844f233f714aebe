"""The registry of measures: name, unit, meaning, definition, source, and how a person sees it.

Everything that names a measure reads this table: the analysis, the terminal, tables, plots, `forcekit explain`.
Names are a contract with whoever reads the JSON or the tables.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from forcekit.numbers import decimal, with_unit

__all__ = ["GROUPS", "MEASURES", "MeasureInfo", "shown", "unknown_measure"]

OWEN = "Owen et al. 2014, J. Strength Cond. Res. 28(6):1552-1558 (abstract seen)"
PHASES = "phase limits as in McMahon et al. 2018, Strength Cond. J. 40(4):96-106 (abstract and secondary tables seen)"
MECHANICS = "textbook mechanics"
OWN = "forcekit's own definition"

GROUPS = {
    "time": "Timing",
    "motion": "Motion of lifter and bar together",
    "force": "Force",
    "pressure": "Pressure on the foot",
    "horizontal": "Horizontal force",
    "bar": "The bar",
}


@dataclass(frozen=True, slots=True)
class MeasureInfo:
    """What a measure is.

    `unit` is the SI unit of the value; `shown_unit`, `factor` and `digits` say how a person sees it; `least_rate_hz` is
    the sampling rate under which it is withheld.
    """

    name: str
    group: str
    unit: str
    shown_unit: str
    factor: float
    digits: int
    label: str
    meaning: str
    definition: str
    source: str
    least_rate_hz: float = 0.0


def _rows() -> list[MeasureInfo]:
    M = MeasureInfo
    ms = ("s", "ms", 1e3, 0)
    at = ("s", "s", 1.0, 3)
    cm = ("m", "cm", 1e2, 1)
    speed = ("m/s", "m/s", 1.0, 2)
    newton = ("N", "N", 1.0, 0)
    of_weight = ("", "× weight", 1.0, 2)
    percent = ("", "%", 1e2, 1)
    impulse = ("N s", "N s", 1.0, 0)
    watt = ("W", "W", 1.0, 0)
    angle = ("rad", "°", 57.29577951308232, 1)
    return [
        # ------------------------------------------------------------------------------------------------ time
        M("unweighting_time", "time", *ms, "unweighting", "How long the lifter sinks faster and faster.",
          "From onset to the start of braking. It depends on the onset rule by up to 100 ms; the other times do not.",
          PHASES),
        M("braking_time", "time", *ms, "braking", "How long the sinking is slowed down until it stops.",
          "From peak downward speed (force back at system weight) to the lowest point.", PHASES),
        M("dip_time", "time", *ms, "dip", "How long the whole dip takes, from the first movement to the lowest point.",
          "From onset to the lowest point; it depends on the onset rule.", PHASES),
        M("drive_time", "time", *ms, "drive", "How long the lifter pushes upward.",
          "From the lowest point to the end of the drive: take-off, or, when the feet stay, peak upward speed.", PHASES),
        M("transition_time", "time", *ms, "turnaround",
          "How quickly braking turns into drive.",
          "How long the speed stays within ±0.10 m/s around the lowest point. The literature has no agreed definition "
          "of a transition or amortisation time; other readings are the braking time and the time from peak downward "
          "to peak upward speed.", OWN, least_rate_hz=200.0),
        M("onset_at", "time", *at, "onset at", "When the dip begins.",
          "The force leaves system weight ± 5 standard deviations of the stance for good; moved back to its last "
          "crossing of the weight, at most 30 ms. The interval spans the instants at which the movement may really "
          "have begun.", OWEN),
        M("braking_start_at", "time", *at, "braking starts at", "When the lifter sinks fastest.",
          "Peak downward speed: the force comes back to system weight.", PHASES),
        M("lowest_at", "time", *at, "lowest point at", "When the lifter is lowest.",
          "Speed zero, turning upward, at the lowest height between onset and the end of the drive.", PHASES),
        M("drive_end_at", "time", *at, "drive ends at", "When the push from the legs is over.",
          "Take-off, or, when the feet stay, peak upward speed.", PHASES),
        M("takeoff_at", "time", *at, "take-off at", "When the feet leave the plate.",
          "The force falls under 5 standard deviations of the unloaded plate (at least 10 N; 20 N if the plate was "
          "never seen unloaded) for at least 20 ms; the instant is where the line of the falling force reaches zero.",
          "threshold as in Pérez-Castilla et al. 2021, Meas. Phys. Educ. Exerc. Sci. 25(3):227-235 (abstract seen)"),
        # ---------------------------------------------------------------------------------------------- motion
        M("dip_depth", "motion", *cm, "dip depth", "How far lifter and bar sink together.",
          "Travel of the common centre of mass from its height at the onset down to the lowest point, from twice "
          "integrating a = g(F/W - 1) with the trapezoid rule from stance on.", OWEN),
        M("dip_depth_of_stature", "motion", *percent, "dip depth of stature", "How far lifter and bar sink, compared with the lifter's height.",
          "Dip depth over stature. Published for trained lifters: 8 to 13 %.",
          "range: Grabe & Widule 1988 in Soriano et al. 2019; Drechsler 1998 (secondary copies seen)"),
        M("peak_dip_velocity", "motion", *speed, "fastest down", "How fast the dip gets.",
          "Largest downward speed of the common centre of mass, as a positive number.", PHASES),
        M("peak_drive_velocity", "motion", *speed, "fastest up", "How fast the drive gets.",
          "Largest upward speed of the common centre of mass.", PHASES),
        M("takeoff_velocity", "motion", *speed, "speed at take-off", "Upward speed when the feet leave.",
          "Speed of the common centre of mass at take-off.", OWEN),
        # ----------------------------------------------------------------------------------------------- force
        M("system_weight", "force", *newton, "system weight", "Lifter and bar on the plate.",
          "Mean force of the stance.", OWEN),
        M("system_mass", "force", "kg", "kg", 1.0, 1, "system mass", "Lifter and bar in kilograms.",
          "System weight over local gravity.", MECHANICS),
        M("peak_force", "force", *newton, "peak force", "The hardest push of dip and drive.",
          "Largest force between onset and the end of the drive, from a parabola through ±6 ms around it.",
          OWN, least_rate_hz=100.0),
        M("peak_force_of_weight", "force", *of_weight, "peak force", "The hardest push, compared with the weight.",
          "Peak force over system weight; a wrong gain of the plate cancels.", MECHANICS, least_rate_hz=100.0),
        M("lowest_force_of_weight", "force", *of_weight, "lightest", "How light the lifter gets at the start of the dip.",
          "Smallest force between onset and the lowest point over system weight.", OWN),
        M("force_at_lowest", "force", *newton, "force at lowest point", "The push at the turnaround.",
          "Force at the lowest point, from a parabola through ±8 ms.", OWN),
        M("braking_rfd", "force", "N/s", "kN/s", 1e-3, 1, "rise of force in braking",
          "How sharply the lifter brakes.",
          "(force at the lowest point - force at the start of braking) / braking time: a mean rate of force development.",
          "as in PMC10529540, table 2 (secondary)", least_rate_hz=200.0),
        M("braking_impulse", "force", *impulse, "braking impulse", "What it takes to stop the dip.",
          "Integral of force less weight from the start of braking to the lowest point (mass times peak downward speed).",
          MECHANICS),
        M("drive_impulse", "force", *impulse, "drive impulse", "What the legs give to lifter and bar.",
          "Integral of force less weight from the lowest point to the end of the drive.", MECHANICS),
        M("peak_power", "force", *watt, "peak power", "The highest power of the drive.",
          "Largest product of force and speed of the common centre of mass in the drive.", OWEN, least_rate_hz=100.0),
        M("mean_drive_power", "force", *watt, "mean power", "The mean power of the drive.",
          "Work of the force from the lowest point to the end of the drive over the drive time.", MECHANICS),
        # -------------------------------------------------------------------------------------------- pressure
        M("stance_pressure", "pressure", *cm, "pressure in stance", "Where the pressure is while standing.",
          "Mean centre of pressure of the stance along the foot, from the back of the heel. The interval counts the sway "
          "about it.", OWN),
        M("pressure_at_lowest", "pressure", *cm, "pressure at lowest point", "Where the pressure is at the bottom of the dip.",
          "Centre of pressure at the lowest point, from a parabola through ±8 ms, from the back of the heel.", OWN),
        M("pressure_in_drive", "pressure", *cm, "pressure in the drive", "Where the pressure is while the legs push.",
          "Force-weighted mean of the centre of pressure from the lowest point until 80 % of the drive's net impulse is "
          "delivered; after that the heels rise and a forward pressure is normal.", OWN),
        M("pressure_at_drive_end", "pressure", *cm, "pressure at drive end", "Where the pressure is when the drive ends (forward is normal there).",
          "Centre of pressure at the last instant of the drive at which the force is at least 100 N and 10 % of system "
          "weight.", OWN, least_rate_hz=200.0),
        M("shift_in_dip", "pressure", *cm, "shift in the dip", "How far the pressure moves forward in the dip.",
          "Pressure at the lowest point less stance pressure; forward positive. The heel line cancels.", OWN),
        M("shift_in_drive", "pressure", *cm, "shift in the drive", "How far the pressure moves forward from the dip to the drive.",
          "Pressure in the drive less pressure at the lowest point; forward positive.", OWN),
        M("shift_total", "pressure", *cm, "shift from stance to drive", "How far the pressure moves forward from stance to drive.",
          "Pressure in the drive less stance pressure; forward positive.", OWN),
        M("side_shift", "pressure", *cm, "shift to the left", "How far the pressure moves sideways.",
          "Force-weighted mean of the pressure across over the same part of the drive less its stance mean; "
          "left positive.", OWN),
        M("left_share", "pressure", *percent, "share of the left foot", "How much of the load the left foot carries.",
          "Impulse of the left plate over that of both, from onset to the end of the drive.", MECHANICS),
        # ------------------------------------------------------------------------------------------ horizontal
        M("forward_impulse_dip", "horizontal", "N s", "N s", 1.0, 1, "forward impulse in the dip",
          "Push to the front while sinking.",
          "Integral of the forward force (its stance mean removed) from onset to the lowest point.", MECHANICS),
        M("forward_impulse_drive", "horizontal", "N s", "N s", 1.0, 1, "forward impulse in the drive",
          "Push to the front while driving.",
          "Integral of the forward force (its stance mean removed) from the lowest point to the end of the drive.",
          MECHANICS),
        M("forward_velocity_at_takeoff", "horizontal", *speed, "forward speed at take-off",
          "How fast lifter and bar drift to the front.",
          "Integral of the forward force (stance mean removed) from stance to take-off over system mass.", MECHANICS),
        M("push_angle", "horizontal", *angle, "angle of the push", "How far the push leans to the front.",
          "Angle of the drive's mean force from the vertical, forward positive.", MECHANICS),
        # ------------------------------------------------------------------------------------------------- bar
        M("bar_dip_depth", "bar", *cm, "bar dip depth", "How far the bar sinks.",
          "Travel of the bar from its height at the onset down to its lowest point.", OWN),
        M("bar_peak_velocity", "bar", *speed, "bar's fastest up", "How fast the bar gets.",
          "Largest upward speed of the bar up to 0.2 s after the end of the drive.", OWN),
        M("bar_velocity_at_takeoff", "bar", *speed, "bar's speed at take-off", "How fast the bar is when the feet leave.",
          "Upward speed of the bar at take-off.", OWN),
        M("bar_forward_in_dip", "bar", *cm, "bar forward in the dip", "How far the bar moves to the front in the dip.",
          "Forward travel of the bar from onset to the lowest point.", OWN),
        M("bar_forward_in_drive", "bar", *cm, "bar forward in the drive", "How far the bar moves to the front in the drive.",
          "Forward travel of the bar from the lowest point to the end of the drive.", OWN),
        M("bar_separation", "bar", *cm, "bar off the shoulders", "How far the bar comes off the shoulders in the dip.",
          "Largest height of the bar above its place on the shoulders up to the lowest point. The shoulders are taken to sink "
          "1.18 times as far as the body's own centre of mass (standard uncertainty 0.06; estimated from segment masses).",
          OWN),
        M("bar_least_rack_load", "bar", *of_weight, "least load on the shoulders",
          "How lightly the bar rests on the shoulders at its lightest.",
          "Smallest force of the bar on the lifter over the bar's weight, between onset and the lowest point.", MECHANICS),
        M("shaft_rotation_dip", "bar", *angle, "elbows in the dip", "How the elbows move in the dip; up is positive.",
          "Rotation of the bar's shaft from onset to the lowest point, elbows up positive.", OWN),
        M("shaft_rotation_drive", "bar", *angle, "elbows in the drive", "How the elbows move in the drive; up is positive.",
          "Rotation of the bar's shaft from the lowest point to the end of the drive, elbows up positive.", OWN),
        M("bar_dip_time", "bar", *ms, "bar's dip", "How long the bar sinks, from the first movement to its lowest point.",
          "From the onset to the bar's lowest point.", OWN),
        M("bar_braking_time", "bar", *ms, "bar's braking", "How long the sinking of the bar is slowed down.",
          "From the bar's peak downward speed to its lowest point.", OWN),
        M("bar_drive_time", "bar", *ms, "bar's drive", "How long the bar is driven upward.",
          "From the bar's lowest point to its peak upward speed.", OWN),
        M("bar_transition_time", "bar", *ms, "bar's turnaround", "How quickly the bar turns from down to up.",
          "How long the bar's speed stays within ±0.10 m/s around its lowest point.", OWN, least_rate_hz=100.0),
        M("bar_lead", "bar", *ms, "bar's peak after the body's", "Whether the bar peaks before the body (negative) or after it.",
          "Instant of the bar's peak upward speed less that of the system's.", OWN),
    ]  # fmt: skip


def _table() -> dict[str, MeasureInfo]:
    table: dict[str, MeasureInfo] = {}
    of_foot = [
        "stance_pressure", "pressure_at_lowest", "pressure_in_drive", "pressure_at_drive_end",
        "shift_in_dip", "shift_in_drive", "shift_total",
    ]  # fmt: skip
    for row in _rows():
        table[row.name] = row
        if row.name in of_foot:
            table[f"{row.name}_of_foot"] = replace(
                row,
                name=f"{row.name}_of_foot",
                unit="",
                shown_unit="% of foot",
                factor=100.0,
                meaning=row.meaning.removesuffix(".") + ", in % of the foot.",
                digits=0 if not row.name.startswith("shift") else 1,
                definition=row.definition
                + " As a fraction of foot length (0 back of the heel, 1 tip of the longest toe).",
            )
    return table


MEASURES: dict[str, MeasureInfo] = _table()
"""All measures by name, in the order a person reads them."""


def shown(name: str, value: float) -> str:
    """Number as a person sees it, with its unit.

    Examples
    --------
    >>> shown("dip_depth", 0.1523)
    '15.2 cm'
    """
    info = MEASURES[name]
    return with_unit(decimal(value * info.factor, info.digits), info.shown_unit)


def unknown_measure(name: str) -> str:
    """Sentence for a name that is no measure, with those that are spelled or labelled like it.

    Examples
    --------
    >>> unknown_measure("dip_dept")
    '"dip_dept" is no measure; did you mean dip_depth, bar_dip_depth, dip_time?'
    >>> unknown_measure("turnaround")
    '"turnaround" is no measure; did you mean transition_time, bar_transition_time?'
    """
    import difflib

    near = difflib.get_close_matches(name, MEASURES, n=3)
    near = near or [known for known, info in MEASURES.items() if name.lower() in info.label.lower()][:3]
    hint = f"did you mean {', '.join(near)}?" if near else "`forcekit explain` lists all."
    return f'"{name}" is no measure; {hint}'
