"""The nouns of what comes in: device files, recordings, attempt cards; `forcekit.results` has those of what comes out.

Axes and signs, used everywhere::

          z up
          |   x forward, to the toes
          |  /
          | /          force is the force ON THE LIFTER, positive up
   y -----+            (y to the lifter's left; right-handed)

Clocks: a `Stream` has the time base of its own sensor, in seconds from the start of the recording. A common
clock exists only after plate and bar were put on one.

SI inside (N, m, s, kg, rad). Raw stays raw: a `Stream` holds the numbers as they were sent, and its `DeviceFile`
says what they mean. Only the views turn metres into centimetres.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import msgspec
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

Movement = Literal["jerk", "push press", "push jerk", "jump dip", "dip only"]
Outcome = Literal["made", "missed forward", "missed back", "missed otherwise", "not tried"]


class _Section(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A section of a TOML file; unknown keys are refused so that a misspelt one cannot be ignored."""


# ---------------------------------------------------------------------------------------------- device file


class Table(_Section, kw_only=True, frozen=True):
    """How the text of a CSV is laid out; what is left out is found from the file and noted."""

    delimiter: str | None = None
    decimal: Literal[".", ","] | None = None
    header_rows: int | None = None
    """Lines before the first row of numbers, a units row and comment lines counted."""
    encoding: str = "utf-8"


class TimeAxis(_Section, kw_only=True, frozen=True):
    """Where the time of a sample comes from: a column, or, if there is none, the rate."""

    column: str | int | None = None
    unit: Literal["s", "ms", "us"] = "s"
    rate_hz: float | None = None


class Channel(_Section, kw_only=True, frozen=True):
    """One raw channel: value in SI = sign · scale · (number − offset) · unit factor."""

    name: str
    column: str | int | None = None
    """Header text, or column number counted from 1; left out it equals the name."""
    unit: str = "N"
    scale: float = 1.0
    """Units per number in the file, e.g. newtons per count."""
    offset: float = 0.0
    """The number in the file that means zero."""
    sign: Literal[1, -1] = 1
    lowest: float | None = None
    highest: float | None = None
    """The numbers at which the converter saturates."""


class Cell(_Section, kw_only=True, frozen=True):
    """One vertical load cell and where it stands, in metres from the middle of its plate.

    Without positions the plate gives force but no pressure.
    """

    channel: str
    x_m: float | None = None
    y_m: float | None = None


class Plate(_Section, kw_only=True, frozen=True):
    """One force plate.

    kinds: ``cells`` (vertical load cells with known positions), ``components`` (Fx Fy Fz Mx My Mz about an
    origin below the surface), ``pressure`` (vertical force and a ready centre of pressure), ``vertical``
    (vertical force only).
    """

    kind: Literal["cells", "components", "pressure", "vertical"]
    cells: tuple[Cell, ...] = ()
    force_x: str | None = None
    force_y: str | None = None
    force_z: str | None = None
    moment_x: str | None = None
    moment_y: str | None = None
    moment_z: str | None = None
    pressure_x: str | None = None
    pressure_y: str | None = None
    acts_on: Literal["lifter", "plate"] = "lifter"
    """Whose force the components are, when z of the plate is given by `z_axis`."""
    z_axis: Literal["up", "down"] = "up"
    surface_from_origin_m: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """From the point where a force makes no moment to the middle of the surface, in the plate's axes."""
    centre_m: tuple[float, float] = (0.0, 0.0)
    """Middle of the surface in the lifter's axes; matters with two plates or a heel line."""
    turn_deg: float = 0.0
    """Turn of the plate's x axis from the lifter's x axis, positive to the left."""
    gain_u: float = 0.005
    """Relative standard uncertainty of each channel's gain."""
    zero_u_n: float = 2.0
    """Standard uncertainty of the zero of the plate's vertical force (N) when no unloaded stretch can be used."""
    drift_u_nps: float = 0.05
    """Standard uncertainty of that zero's drift (N/s)."""
    position_u_m: float = 0.001
    """Standard uncertainty of cell positions, or of a ready centre of pressure (m)."""


class Stand(_Section, kw_only=True, frozen=True):
    """Where the feet are: the line the heels touch, in the lifter's axes (m from the middle of the plates)."""

    heel_line_m: float
    heel_line_u_m: float = 0.005


Vector = tuple[float, float, float]
IDENTITY: tuple[Vector, Vector, Vector] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))


class BarCalibration(_Section, kw_only=True, frozen=True):
    """What a calibration found: reading in SI = matrix · (raw in SI − bias). Noise in units per root hertz.

    An uncertainty or noise of 0 means that it was not found; the usual figure is then used.
    """

    accel_bias_mps2: Vector = (0.0, 0.0, 0.0)
    accel_matrix: tuple[Vector, Vector, Vector] = IDENTITY
    accel_bias_u_mps2: float = 0.0
    accel_scale_u: float = 0.0
    gyro_bias_radps: Vector = (0.0, 0.0, 0.0)
    gyro_matrix: tuple[Vector, Vector, Vector] = IDENTITY
    gyro_scale_u: float = 0.0
    accel_noise: float = 0.0
    gyro_noise: float = 0.0
    made: str = ""
    """When and how."""


class BarSensor(_Section, kw_only=True, frozen=True):
    """The inertial sensor on the bar's shaft."""

    accel: tuple[str, str, str]
    gyro: tuple[str, str, str] | None = None
    shaft_axis: Literal["x", "y", "z", "-x", "-y", "-z"] | None = None
    """Sensor axis that points along the shaft to the lifter's left; left out it is found."""
    from_middle_m: float = 0.0
    """Distance of the sensor from the bar's middle, along the shaft, positive to the lifter's left."""
    up_axis: Literal["x", "y", "z", "-x", "-y", "-z"] | None = None
    """Sensor axis that points up in the rack position; stated, a sensor put on upside down is noticed."""
    calibration: BarCalibration | None = None


class Site(_Section, kw_only=True, frozen=True):
    """Where the platform stands, for local gravity."""

    latitude_deg: float | None = None
    height_m: float = 0.0


class Link(_Section, kw_only=True, frozen=True):
    """How a live device is reached and what its bytes mean; a device that only writes files has none.

    formats: ``frames`` (the framing described in firmware_notes), ``lines`` (text, one sample a line),
    ``payload`` (each radio notification is a packed structure laid out as `header` then repeated `sample`).
    """

    transport: Literal["serial", "ble"]
    format: Literal["frames", "lines", "payload"] = "frames"
    address: str | None = None
    """Serial port, or the radio address or advertised name of the sensor."""
    baud: int = 921600
    notify: str | None = None
    """UUID of the characteristic that sends."""
    write: str | None = None
    """UUID of the characteristic that takes commands."""
    start_hex: str = ""
    """Bytes that make a sensor of another maker send, as hex digits."""
    header: str = "<"
    header_fields: tuple[str, ...] = ()
    """Python struct code and field names of the part sent once; ``counter``, ``time``, ``_`` (ignored) are special."""
    sample: str = "<"
    sample_fields: tuple[str, ...] = ()
    """The same for the part that repeats until the notification ends."""
    tick_s: float = 1e-6
    """Seconds per number of the field ``time``."""
    firmware: str = ""


class DeviceFile(_Section, kw_only=True, frozen=True):
    """The one place that says how columns or bytes become channels of a plate or a bar sensor."""

    name: str
    kind: Literal["plate", "bar"]
    serial: str = ""
    table: Table = Table()
    time: TimeAxis = TimeAxis()
    channels: tuple[Channel, ...]
    plates: tuple[Plate, ...] = ()
    bar: BarSensor | None = None
    stand: Stand | None = None
    site: Site = Site()
    link: Link | None = None

    def channel(self, name: str) -> Channel:
        """Return the channel of this name (the file was checked to have it when it was loaded)."""
        return next(c for c in self.channels if c.name == name)


class AttemptCard(_Section, kw_only=True, frozen=True):
    """Who lifted what and how it ended; everything is optional."""

    athlete: str | None = None
    movement: Movement | None = None
    load_kg: float | None = None
    body_mass_kg: float | None = None
    stature_m: float | None = None
    foot_length_m: float | None = None
    foot_length_u_m: float = 0.002
    shoe_size_mm: float | None = None
    """Mondopoint size, which is the foot length in millimetres (ISO 9407; from memory)."""
    heel_line_m: float | None = None
    heel_line_u_m: float = 0.005
    drill: str | None = None
    cue: str | None = None
    outcome: Outcome | None = None
    note: str = ""


# -------------------------------------------------------------------------------------------------- recording


@dataclass(frozen=True, slots=True)
class ClockThen:
    """How a sensor's clock was laid on the plate's at one moment of a running session: t = offset_s + rate · own.

    Attributes
    ----------
    t_s : float, second
        The moment, on the plate's clock.
    run : int
        Which run of the sensor's clock, from 0; a restart begins the next.
    offset_s, rate : float
        Of the sensor's own seconds, counted from the first sample of that run.
    """

    t_s: float
    run: int
    offset_s: float
    rate: float


@dataclass(frozen=True, slots=True, eq=False)
class OwnClock:
    """A sensor's own seconds, and how they were laid on the plate's clock while the session ran.

    Attributes
    ----------
    own_s : array, shape (n,), second
        From the first sample of each run.
    run : array, shape (n,)
        Not decreasing.
    then : tuple of ClockThen
        In the order of time, at least one.
    """

    own_s: FloatArray
    run: npt.NDArray[np.int64]
    then: tuple[ClockThen, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Stream:
    """What one sensor sent.

    Attributes
    ----------
    t_s : array, shape (n,), second
        Strictly increasing, from the recording's start; gaps are left as they are.
    raw : mapping of str to array, shape (n,)
        The numbers of each channel as stored in the file; `device` says what they mean.
    device : DeviceFile
    source : str
        File name or device address.
    clock : "stamps" or "rate"
        Whether the times came from the file or were counted with the stated rate.
    notes : tuple of str
        What was guessed or repaired while reading, one sentence each.
    first_stamp_s : float or None, second
        The first time stamp as the file has it; tells whether two recordings of the same day overlap.
    common_clock : bool
        The times are already on the one clock of a recorded session, fitted from all arrivals.
    own : OwnClock or None
        Of a sensor whose lifts were measured while the session ran.
    """

    t_s: FloatArray
    raw: Mapping[str, FloatArray]
    device: DeviceFile
    source: str
    clock: Literal["stamps", "rate"]
    notes: tuple[str, ...] = ()
    first_stamp_s: float | None = None
    common_clock: bool = False
    own: OwnClock | None = None


@dataclass(frozen=True, slots=True)
class TimedCard:
    """An attempt card and when it was filled in, in seconds from the recording's start."""

    t_s: float
    card: AttemptCard


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """One file or session: the streams of plate and bar and the attempt card.

    `card` holds what is true of all attempts; `cards` those filled in during the session: one with an outcome belongs
    to the last lift before it, one without to the lifts after it.
    """

    plate: Stream | None = None
    bar: Stream | None = None
    card: AttemptCard = field(default_factory=AttemptCard)
    cards: tuple[TimedCard, ...] = ()

    def card_of(self, start_s: float, end_s: float, next_start_s: float) -> AttemptCard:
        """Attempt card of the lift from start to end, the next of which starts later (s from the recording's start).

        What stands on a card filled in before the lift, and after it on one with an outcome, goes on top of `card`.
        """
        before = [c.card for c in self.cards if c.t_s <= start_s and c.card.outcome is None]
        after = [c.card for c in self.cards if start_s < c.t_s < next_start_s and c.card.outcome is not None]
        usual = msgspec.structs.asdict(AttemptCard())
        said = msgspec.structs.asdict(self.card)
        for card in (*before[-1:], *after[-1:]):
            said |= {name: v for name, v in msgspec.structs.asdict(card).items() if v != usual[name]}
        return AttemptCard(**said)

    @property
    def source(self) -> str:
        """Name of the file or device the recording came from."""
        stream = self.plate or self.bar
        return stream.source if stream else "(empty)"

    def __repr__(self) -> str:
        parts = []
        for label, stream in (("plate", self.plate), ("bar", self.bar)):
            if stream is not None:
                span = float(np.ptp(stream.t_s)) if stream.t_s.size else 0.0
                rate = (stream.t_s.size - 1) / span if span > 0 else 0.0
                parts.append(f"{label} {span:.1f} s at {rate:.0f} Hz, {len(stream.raw)} channels")
        return f"<Recording {self.source}: {'; '.join(parts)}>"
