"""`LiftPlan`: everything that can be chosen about one simulated lift, with units and realistic defaults."""

from __future__ import annotations

from dataclasses import dataclass

from forcekit.constants import local_gravity
from forcekit.model import Movement

__all__ = ["LiftPlan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftPlan:
    """What the lifter is and what the lifter does in one dip and drive.

    Lengths named ``..._of_foot`` are fractions of the foot from the heel, ``..._of_stature`` fractions of the stature.
    What is commanded here is not the truth of a measure (sway, breathing and the bar's swing come on top); the truth
    stands in `LiftTruth.measures`.
    """

    # the lifter
    body_mass_kg: float = 82.0
    stature_m: float = 1.74
    foot_length_m: float = 0.268
    stance_half_width_m: float = 0.15
    """Half the distance between the middles of the feet."""
    body_height_of_stature: float = 0.57
    """Height of the body's centre of mass when standing with the bar on the shoulders."""
    rack_height_of_stature: float = 0.83
    """Height of the bar on the shoulders."""
    overhead_of_stature: float = 0.38
    """How far the bar is above its place on the shoulders when the arms are straight."""
    shoulders_per_body: float = 1.2
    """Shoulder travel over travel of the body's centre of mass: the feet stay behind."""
    # the site and the bar
    latitude_deg: float | None = None
    height_m: float = 0.0
    bar_mass_kg: float = 80.0
    """Bar and plates together, the load."""
    bar_ahead_m: float = 0.05
    """How far the bar is in front of the body's centre of mass in the rack position."""
    # the lift
    movement: Movement = "jerk"
    takeoff: bool | None = None
    """Whether the feet leave; None: as usual for the movement."""
    stance_s: float = 2.5
    """From the start of the stretch to the onset."""
    hold_s: float = 1.3
    """Standing still after the recovery."""
    lower_bar: bool = False
    """Whether the bar comes back to the shoulders at the end."""
    dip_depth_of_stature: float = 0.10
    unweighting_s: float = 0.26
    onset_ramp_frac: float = 0.45
    """Part of the unweighting over which the force falls; small is a sudden start."""
    onset_power: float = 2.0
    """Power of time with which the force leaves the weight: 1 at once, 3 very gently."""
    unweighting_end_frac: float = 0.35
    """Part of the unweighting over which the force comes back to the weight."""
    braking_s: float = 0.15
    braking_ramp_frac: float = 0.80
    """Part of the braking over which the force rises."""
    pause_s: float = 0.0
    """How long the lifter sits at the bottom."""
    pause_sink_mps: float = 0.03
    """Slow sinking during the pause, so that the lowest point is at its end."""
    first_dip_of_stature: float = 0.0
    """Depth of a first, aborted dip before the real one (double dip)."""
    drive_rise: float = 1.05
    """Drive force over the force at the lowest point, both less the weight."""
    drive_velocity_mps: float = 1.5
    """Peak upward velocity of body and bar."""
    drive_end_height_m: float = 0.03
    """Height of the common centre of mass at the drive's end over stance; kept when the forces allow it."""
    feet_stay_deceleration_frac: float = 0.6
    """Downward acceleration after the drive in units of g when the feet stay."""
    landing_velocity_mps: float = 1.1
    landing_peak_of_weight: float = 2.4
    landing: float = 1.0
    """Part of the force that meets the plate after the feet have landed (1 on it, 0 off it)."""
    catch_hold_s: float = 0.35
    """How long the lifter stays in the catch when the feet have left."""
    recover_s: float = 1.3
    """Standing up from the catch."""
    # pressure
    stance_pressure_of_foot: float = 0.45
    shift_in_dip_of_foot: float = 0.0
    shift_in_drive_of_foot: float = 0.0
    pressure_at_drive_end_of_foot: float = 0.80
    side_shift_m: float = 0.0
    """Pressure to the left during the drive, less its place in stance."""
    left_share: float = 0.50
    # horizontal motion of the common centre of mass
    forward_velocity_mps: float = 0.02
    """At the end of the drive."""
    forward_in_dip_frac: float = 0.3
    """Part of the forward velocity that is already there at the lowest point."""
    # the bar against the body
    bar_forward_in_dip_m: float = 0.003
    bar_forward_in_drive_m: float = -0.005
    bar_loose: bool = False
    """Whether the bar only lies on the shoulders (elastic, free to leave them) instead of being held on them."""
    arms_lead_s: float = 0.0
    """How long before the peak velocity the arms begin to push; 0: they begin when the drive ends."""
    arms_push_s: float = 0.62
    """From the end of the drive to straight arms."""
    elbows_drop_rad: float = 0.04
    """Turn of the shaft during the dip, elbows downward."""
    elbows_drop_in_drive_rad: float = 0.03
    # standing
    sway_m: float = 0.0015
    """Standard deviation of the common centre of mass along the foot."""
    breath_m: float = 0.0010
    """Height of the breathing motion, from the middle."""
    tremor_mps2: float = 0.007
    """Standard deviation of the vertical acceleration from heartbeat and muscles."""
    bar_whip_m: float = 0.0005
    """Height of the bar's swing when the stretch begins."""
    patterns: tuple[str, ...] = ()
    """Names of the faults that were put in on purpose."""

    @property
    def gravity_mps2(self) -> float:
        """Local gravity of the site."""
        return local_gravity(self.latitude_deg, self.height_m)

    @property
    def feet_leave(self) -> bool:
        """Whether there is a flight."""
        return self.movement in {"jerk", "push jerk", "jump dip"} if self.takeoff is None else self.takeoff

    @property
    def goes_overhead(self) -> bool:
        """Whether the bar ends over the head."""
        return self.movement in {"jerk", "push jerk", "push press"}

    @property
    def system_mass_kg(self) -> float:
        """Lifter plus bar."""
        return self.body_mass_kg + self.bar_mass_kg
