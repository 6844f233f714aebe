"""forcekit measures the dip and drive of the jerk from a force plate and a sensor on the bar.

From Python::

    import forcekit
    recording = forcekit.read("jerk_80.csv", device="hall_plate.device.toml")
    analysis = forcekit.analyze(recording)
    analysis[0]                # what happened, in one line
    analysis[0].to_frame()     # the measures as a pandas table
    analysis[0].plot()         # force, speed, displacement, pressure on the foot

read            a file of a plate (and of a bar sensor) as a `Recording`
analyze         every dip and drive of a recording as an `Analysis` of `Lift` objects
propose_device  the text of a device file for an unknown CSV, to be edited
load_device     a device file
MEASURES        the registry: name, unit, meaning, definition and source of every measure
Settings        what can be set for an analysis
AttemptCard     who lifted what
ForcekitError   base of the errors whose message is written for the person at the keyboard
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from forcekit.acquire.device_file import load_device as load_device
    from forcekit.acquire.propose import propose_device as propose_device
    from forcekit.acquire.source import read as read
    from forcekit.analysis.pipeline import Settings as Settings
    from forcekit.analysis.pipeline import analyze as analyze
    from forcekit.errors import ForcekitError as ForcekitError
    from forcekit.model import AttemptCard as AttemptCard
    from forcekit.registry import MEASURES as MEASURES

__version__ = "0.1.0"

_PLACES = {
    "read": "forcekit.acquire.source",
    "analyze": "forcekit.analysis.pipeline",
    "Settings": "forcekit.analysis.pipeline",
    "propose_device": "forcekit.acquire.propose",
    "load_device": "forcekit.acquire.device_file",
    "MEASURES": "forcekit.registry",
    "AttemptCard": "forcekit.model",
    "ForcekitError": "forcekit.errors",
}

__all__ = [
    "MEASURES",
    "AttemptCard",
    "ForcekitError",
    "Settings",
    "__version__",
    "analyze",
    "load_device",
    "propose_device",
    "read",
]


def __getattr__(name: str) -> Any:
    """Import a public name when it is first used, so that `forcekit --help` stays instant."""
    if name in _PLACES:
        return getattr(importlib.import_module(_PLACES[name]), name)
    raise AttributeError(f"module 'forcekit' has no attribute '{name}'")
