"""Plays any recording, measured or simulated, at any speed through the same path as a live device."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import numpy as np

from forcekit.acquire.capture import Planned
from forcekit.acquire.virtual import Player, Start, VirtualSerial
from forcekit.errors import InputError
from forcekit.model import Link, Recording

__all__ = ["players_of", "replay"]


def players_of(recording: Recording, link: Link, *, speed: float = 1.0, loop: bool = False) -> dict[str, Player]:
    """Players of the plate and the bar of a recording, which begin together at the first start command.

    Parameters
    ----------
    recording : Recording
    link : Link
        How they are reached; stands in their descriptions.
    speed : float
        1 plays at the pace of the recording.
    loop : bool
        Begin anew at the end.

    Raises
    ------
    InputError
        If there is nothing to play or the speed is not positive.
    """
    streams = {"plate": recording.plate, "bar": recording.bar}
    found = {kind: s for kind, s in streams.items() if s is not None and s.t_s.size > 1}
    if not found:
        raise InputError(f"{recording.source}: there is nothing to play; give a recording with samples.")
    if not 0.0 < speed < np.inf:
        raise InputError(f"the speed is {speed:g}; a number above 0 is needed, 1 for the pace of the recording.")
    begin_s = min(float(s.t_s[0]) for s in found.values())
    end_s = max(float(s.t_s[-1] + np.median(np.diff(s.t_s))) for s in found.values())
    start = Start()
    return {
        kind: Player(
            s,
            link,
            speed=speed,
            loop=loop,
            start=start,
            first_s=float(s.t_s[0]) - begin_s,
            round_s=end_s - begin_s,
        )
        for kind, s in found.items()
    }


@contextmanager
def replay(
    recording: Recording, *, speed: float = 1.0, loop: bool = False, radio: bool = False
) -> Iterator[tuple[Planned, ...]]:
    """Virtual devices that play a recording while the context is open; gives what to record from.

    Parameters
    ----------
    recording : Recording
    speed : float
    loop : bool
    radio : bool
        Behind a virtual radio instead of pseudo-terminals.

    Raises
    ------
    InputError
        As `players_of`.
    DeviceError
        If this system has no pseudo-terminals, or no message bus for the radio.

    Notes
    -----
    Plate and bar keep their distance in time up to what the link delays, as with real sensors. Above ten times
    the pace a pseudo-terminal may be full at times; what finds no room is counted as lost.
    """
    players = players_of(recording, Link(transport="ble" if radio else "serial"), speed=speed, loop=loop)
    with ExitStack() as stack:
        if radio:
            from forcekit.acquire.virtual_ble import VirtualRadio, VirtualSensor

            sensors = [
                VirtualSensor(f"virtual {kind}", f"C0:00:00:00:00:{i:02X}", player)
                for i, (kind, player) in enumerate(players.items(), 1)
            ]
            stack.enter_context(VirtualRadio(sensors))
            yield tuple(Planned(s.name, ble=True) for s in sensors)
        else:
            ports = [stack.enter_context(VirtualSerial(p)) for p in players.values()]
            yield tuple(Planned(p.port) for p in ports)
