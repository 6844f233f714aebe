"""Plain words of the report: what each pattern is, why it matters, and what better looks like."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["CAUTIONS", "NUMBERS", "OTHER_WAY", "PATTERN_WORDS", "PatternWords"]


@dataclass(frozen=True, slots=True)
class PatternWords:
    """A pattern in words a lifter understands.

    Attributes
    ----------
    title : str
        Heading, as a thing to do.
    seen : str
        What happened, following "In 3 of 6 lifts".
    why : str
        What it costs.
    better : str
        How the next session shows that it got better; names no limit.
    measured_by : str
        The number it is judged by, in words.
    short : str
        Two to six words for a table.
    """

    title: str
    seen: str
    why: str
    better: str
    measured_by: str
    short: str


PATTERN_WORDS: dict[str, PatternWords] = {
    "forward_in_dip": PatternWords(
        "Keep the pressure on the whole foot while you dip",
        "the pressure ran toward the toes already in the dip",
        "A dip that goes forward can send the drive, and with it the bar, forward.",
        "The pressure stays near where it was in stance until the lowest point.",
        "how far the pressure moves forward in the dip",
        "forward in the dip",
    ),
    "back_then_forward": PatternWords(
        "Keep pushing through the whole foot in the drive",
        "the dip was not too far forward, but in the drive the pressure ran toward the toes too early",
        "A drive from the toes can push the bar forward, so that it has to be chased or is lost in front.",
        "The pressure stays over the middle of the foot until the legs are nearly straight.",
        "how far the pressure moves forward from the bottom of the dip into the drive",
        "toward the toes in the drive",
    ),
    "forward_throughout": PatternWords(
        "Stand further back on the foot before you dip",
        "the pressure was on the front of the foot before the dip began",
        "From the front of the foot there is no room left: any sway goes onto the toes.",
        "In stance the pressure is at the middle of the foot.",
        "where the pressure is while you stand",
        "on the front of the foot in stance",
    ),
    "toward_heels": PatternWords(
        "Keep the whole foot down in the dip",
        "the pressure ran toward the heels in the dip",
        "On the heels the drive goes backward, and the front of the foot cannot help.",
        "The pressure stays near where it was in stance.",
        "how far the pressure moves back in the dip",
        "toward the heels in the dip",
    ),
    "slow_turnaround": PatternWords(
        "Turn faster at the bottom",
        "the dip rested at the bottom before the drive",
        "What the legs store while braking is lost within moments; a pause gives it away.",
        "Down and up become one movement.",
        "how long you hardly move at the bottom",
        "rest at the bottom",
    ),
    "side_to_side": PatternWords(
        "Push with both feet alike",
        "the pressure ran to one side in the drive",
        "An uneven push turns the bar and loads one leg much more than the other.",
        "The pressure stays in the middle between the feet.",
        "how far the pressure moves sideways in the drive",
        "to one side in the drive",
    ),
    "too_deep": PatternWords(
        "Dip less deep",
        "the dip was deep",
        "A deep dip takes longer, and it is harder to keep the trunk straight.",
        "A shorter dip with the same speed.",
        "how deep the dip is, compared with your height",
        "deep dip",
    ),
    "too_shallow": PatternWords(
        "Dip a little deeper",
        "the dip was shallow",
        "A short dip leaves the legs little way to push along.",
        "A dip deep enough that the thighs load.",
        "how deep the dip is, compared with your height",
        "shallow dip",
    ),
    "falls_short": PatternWords(
        "Finish the push of the legs",
        "the drive stayed slow",
        "A slow bar does not rise high enough to get under it safely.",
        "The drive gets faster at the same load.",
        "the fastest upward speed",
        "slow drive",
    ),
    "double_dip": PatternWords(
        "One dip, one drive",
        "the dip stopped, came up and went down again before the drive",
        "The second start costs tension and balance.",
        "One smooth way down, straight into the drive.",
        "how often the dip turns",
        "two dips",
    ),
    "elbows_drop": PatternWords(
        "Keep the elbows where they are",
        "the elbows dropped in the dip",
        "When the elbows drop, the bar rolls off the shoulders to the front.",
        "The shaft hardly turns in the dip.",
        "how far the shaft turns in the dip",
        "elbows dropped",
    ),
    "bar_floats": PatternWords(
        "Start the dip smoothly",
        "the bar hardly pressed on the shoulders in the dip",
        "A bar that leaves the shoulders drops back onto them and spoils the drive.",
        "The bar stays heavy on the shoulders all the way down.",
        "how lightly the bar rests on the shoulders",
        "bar light on the shoulders",
    ),
    "arms_early": PatternWords(
        "Legs first, then the arms",
        "the arms pushed before the legs were done",
        "Arms that push against a body still rising press it down.",
        "Body and bar are fastest at the same time.",
        "how long before the body the bar is fastest",
        "arms early",
    ),
    "bar_drifts_forward": PatternWords(
        "Send the bar straight up",
        "the bar moved forward",
        "Whatever leaves the line of heel, hip and shoulder has to be chased.",
        "The bar's path stays near the line of the rack.",
        "how far forward the bar moves",
        "bar went forward",
    ),
}
"""What stands in the report for each pattern of the cue book; cue, drill and caution come from the book itself."""

OTHER_WAY = {
    "shift_in_dip_of_foot": "toward the heels",
    "shaft_rotation_dip": "down with the elbows",
    "bar_lead": "before the body",
}
"""Where the limit lies below zero: which way that is."""

NUMBERS: dict[str, str] = {
    "load": "Bar with plates, as it was written down.",
    "dip_depth": "How far you and the bar sink together, from the first movement to the lowest point.",
    "dip_time": "From the first movement to the lowest point. The first movement cannot be seen to the millisecond.",
    "braking_time": "How long the sinking is slowed down until it stops.",
    "transition_time": (
        "How long you move slower than 10 cm a second around the lowest point. Other people define "
        "it otherwise, so compare it only with your own numbers."
    ),
    "peak_drive_velocity": "The fastest upward speed of you and the bar together.",
    "shift_in_dip": "How far the pressure under the feet moves in the dip; forward is plus.",
    "shift_in_drive": (
        "How far the pressure moves from the lowest point into the drive, before the heels rise; forward is plus."
    ),
    "bar_transition_time": "How long the bar moves slower than 10 cm a second around its lowest point.",
    "bar_dip_depth": "How far the bar sinks.",
    "bar_peak_velocity": "The fastest upward speed of the bar.",
    "bar_forward_in_dip": "How far the bar moves to the front in the dip.",
    "bar_forward_in_drive": "How far the bar moves to the front in the drive.",
}
"""The columns of the report's table in plain words."""

CAUTIONS = (
    "This page is an aid for coaching, not a medical device: no diagnosis, no injury prediction, no decision about "
    "returning to training.",
    "New drills with an empty or light bar, from blocks or a rack, with collars and free space around.",
    "Stop at pain, dizziness or loss of control. Nobody catches a jerk by hand: push it away and step clear.",
    "Pressure is where the push is, not where your mass is. Late in the drive, when the heels rise, it is normal that "
    "it goes forward.",
    "Local rules and your coach's judgement come first. These are your data: you decide who sees them.",
)
