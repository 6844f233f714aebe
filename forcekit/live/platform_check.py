"""The plate before a session: its zero as it stands, and the daily check with one known mass."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

from forcekit.acquire.check_file import CheckRow, add_check
from forcekit.analysis.live import LiveAnalysis
from forcekit.errors import InputError
from forcekit.mechanics.plate_check import check_plate, own_u_frac
from forcekit.model import Recording
from forcekit.numbers import decimal, signed

__all__ = ["checked", "zeroed_words"]


def zeroed_words(analysis: LiveAnalysis | None) -> dict[str, Any]:
    """Offset of the empty plate and a sentence.

    Raises
    ------
    InputError
        If the plate is not empty, or was not long enough.
    """
    sight = None if analysis is None else analysis.sight
    if analysis is None or sight is None:
        raise InputError("the plate says nothing yet; wait for its first second.")
    if sight.state != "empty":
        raise InputError(
            f"the plate bears {decimal(sight.force_n, 0)} N; it must be empty for its zero. Step off, and ask again."
        )
    zero = analysis.zeroed
    if zero is None:
        raise InputError("the plate has not been empty for a second yet; wait a moment, and ask again.")
    return {
        "offset_n": zero[0],
        "at_s": zero[1],
        "sentence": f"The empty plate shows {signed(zero[0], 1)} N; that is taken off. Every lift is zeroed anew.",
    }


def checked(part: Recording | None, mass_kg: float, history: Path) -> dict[str, Any]:
    """Result of the daily check from the newest samples; it is added to the history of checks.

    Raises
    ------
    InputError
        If the empty plate or the mass is not found in them.
    """
    if part is None or part.plate is None:
        raise InputError("the plate says nothing yet; wait for its first seconds.")
    stream = part.plate
    found = check_plate(stream, mass_kg)
    name = stream.device.name + (f" {stream.device.serial}" if stream.device.serial else "")
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    own_u = own_u_frac(found, stream.device, 0)
    row = CheckRow(
        now, name, mass_kg, 0.05, found.mass_kg, found.error_frac, found.error_u_frac, own_u, found.zero_shift_n,
        found.verdict,
    )  # fmt: skip
    add_check(history, row)
    return {
        "verdict": found.verdict,
        "mass_kg": found.mass_kg,
        "error_frac": found.error_frac,
        "error_u_frac": found.error_u_frac,
        "zero_shift_n": found.zero_shift_n,
        "sentence": found.sentence,
    }
