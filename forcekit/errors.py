"""What can go wrong, in three classes, and the reasons a measure may be withheld.

::

    Exception
    └── ForcekitError        every error a user can mend; the command line prints its one sentence
        ├── InputError       a file, column, setting or option is wrong       (also a ValueError)
        ├── DeviceError      a plate, sensor, port or radio does not answer   (also an OSError)
        └── CannotMeasure    the signal does not allow it; carries a Reason

A message has four parts in one sentence or two: where (file, column, row, time), what was found,
what is allowed, what to do next. Programmers' mistakes raise the builtins.
"""

from __future__ import annotations

from enum import Enum

__all__ = ["CannotMeasure", "DeviceError", "ForcekitError", "InputError", "Reason"]


class ForcekitError(Exception):
    """Base of all errors whose message is written for the person at the keyboard."""


class InputError(ForcekitError, ValueError):
    """A file, column, setting or option cannot be used as it is.

    Examples: the CSV is empty, row 4107 holds text where a number is needed, the time runs backwards,
    the device file names a column that the table does not have, the unit is wrong by a thousand.
    """


class DeviceError(ForcekitError, OSError):
    """A device, port or radio cannot be reached or stopped answering."""


class Reason(Enum):
    """Why a number is withheld; the value is the sentence a person reads."""

    NO_STANCE = "the lifter did not stand still long enough before the dip to be weighed"
    NOT_WEIGHED_WELL = "the weighing before the dip is not good enough"
    RATE_TOO_LOW = "the sampling rate is too low for it"
    NO_PRESSURE = "the plate does not measure where the pressure is"
    NO_FOOT = "the foot length is not known"
    NO_HEEL = "the heel line is not known"
    NO_STATURE = "the lifter's stature is not known"
    NO_TAKEOFF = "the feet did not leave the plate"
    NO_HORIZONTAL = "the plate does not measure horizontal force"
    ONE_PLATE = "it needs one plate under each foot"
    TOO_LIGHT = "the force is too low there to say where the pressure is"
    GAP = "samples are missing there"
    SATURATED = "the sensor was at its limit there"
    NO_BAR = "there is no sensor on the bar"
    BAR_UNUSABLE = "the readings of the sensor on the bar cannot be used"
    NO_PLATE = "there is no force plate"
    NO_GYRO = "the bar sensor has no gyroscope"
    NOT_ALIGNED = "plate and bar could not be put on one clock"
    NO_REST = "the bar did not come to rest"
    NO_LOAD = "the load on the bar is not known"
    OUTSIDE_FOOT = "the pressure lies outside the foot, so the foot frame is wrong"
    NO_SHAFT_AXIS = "the direction of the shaft in the bar sensor is not known"
    DID_NOT_HAPPEN = "it did not happen in this lift"


class CannotMeasure(ForcekitError):
    """The signal does not allow the number that was asked for.

    Parameters
    ----------
    reason : Reason
        The general reason.
    detail : str
        What was found and what would be needed, with units.
    """

    def __init__(self, reason: Reason, detail: str = "") -> None:
        self.reason = reason
        self.detail = detail
        super().__init__(f"{reason.value} ({detail})" if detail else reason.value)
