"""The words in the terminal while a recording runs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from forcekit.acquire.capture import LinkState
    from forcekit.acquire.meter import Sight
    from forcekit.model import AttemptCard

__all__ = ["KEYS", "DeviceNow", "Now", "byte_size", "clock", "device_line", "now_lines", "plain_line"]

KEYS = (
    "l load   m made   f missed forward   b missed back   o missed otherwise   n not tried\n"
    "u undo   t note   z zero   i identify   q stop"
)

_STILLNESS = {"empty": "empty", "moving": "moving", "still": "still ...", "ready": "STILL: ready to lift"}
_LINK = {
    "waiting": "waiting for its first sample",
    "silent": "silent",
    "lost": "link lost, connecting again",
    "failed": "cannot be reached, trying again",
}
UNREADABLE = "what it sends cannot be read: wrong port, speed (baud) or device file"


@dataclass(frozen=True, slots=True)
class DeviceNow:
    """One device: its link, what it shows, how often it was connected again, gravity where it stands."""

    link: LinkState
    sight: Sight | None
    n_again: int
    gravity_mps2: float


@dataclass(frozen=True, slots=True)
class Now:
    """All that is shown at one moment."""

    name: str
    elapsed_s: float
    n_bytes: int
    devices: tuple[DeviceNow, ...]
    cards: tuple[AttemptCard, ...]
    typing: str | None = None
    """What is being typed, with its question; None when a key is a command."""
    message: str = ""


def clock(seconds: float) -> str:
    """Minutes and seconds, with hours when there are any.

    Examples
    --------
    >>> clock(75.0), clock(3725.0)
    ('1:15', '1:02:05')
    """
    whole = int(seconds)
    hours, minutes = divmod(whole // 60, 60)
    return f"{hours}:{minutes:02d}:{whole % 60:02d}" if hours else f"{minutes}:{whole % 60:02d}"


def byte_size(n_bytes: int) -> str:
    """Size of a file as a person says it.

    Examples
    --------
    >>> byte_size(800), byte_size(43_210), byte_size(12_345_678)
    ('800 B', '43 kB', '12.3 MB')
    """
    if n_bytes < 1000:
        return f"{n_bytes} B"
    return f"{n_bytes / 1e3:.0f} kB" if n_bytes < 1_000_000 else f"{n_bytes / 1e6:.1f} MB"


def seen(now: DeviceNow) -> str:
    """What the device measures: force and mass on a plate, or the bar's rest."""
    sight = now.sight
    if sight is None:
        return "no signal"
    if sight.force_n is not None:
        mass = sight.force_n / now.gravity_mps2
        return f"{sight.force_n:.0f} N  {mass:.1f} kg  {_STILLNESS[sight.stillness]}"
    return f"bar {'moves' if sight.stillness == 'moving' else 'at rest'}  {sight.accel_mps2 or 0.0:.1f} m/s2"


def device_line(now: DeviceNow) -> str:
    """Health of a device: link, rate, losses, reconnects, limits, battery, temperature; only what there is to say."""
    link = now.link
    said = [link.source if link.device is None else f"{link.device.name} ({link.source})"]
    if link.state != "connected":
        said.append(_LINK.get(link.state, link.state))
    if link.problem or (link.n_bad and not link.n_samples):
        said.append(link.problem or UNREADABLE)
    said += [f"{link.rate_hz:.0f} Hz", "losses not known" if link.n_lost is None else f"lost {link.n_lost}"]
    if link.n_bad:
        said.append(f"damaged {link.n_bad}")
    said.append(f"reconnects {now.n_again}")
    if now.sight is not None and now.sight.n_saturated:
        said.append(f"AT ITS LIMIT in {now.sight.n_saturated} samples")
    if link.status is not None:
        if link.status.saturated:
            said.append("the device reports a channel at its limit")
        if link.status.n_overruns:
            said.append(f"overruns {link.status.n_overruns}")
        if link.status.battery_v is not None:
            said.append(f"battery {link.status.battery_v:.2f} V{' charging' if link.status.charging else ''}")
        if link.status.temperature_c is not None:
            said.append(f"{link.status.temperature_c:.0f} °C")
    return "  ".join(said)


def card_line(cards: Sequence[AttemptCard]) -> str:
    """Cards so far: how many attempts ended how, and the one that is open."""
    done = [c for c in cards if c.outcome is not None]
    said = [f"{len(done)} outcome{'' if len(done) == 1 else 's'} kept"]
    if done:
        load = "" if done[-1].load_kg is None else f"{done[-1].load_kg:g} kg "
        said.append(f"last: {load}{done[-1].outcome}")
    if cards and cards[-1].outcome is None:
        last = cards[-1]
        who = [last.athlete, None if last.load_kg is None else f"{last.load_kg:g} kg", last.movement]
        said.append("now: " + (", ".join(w for w in who if w) or "nothing said yet"))
    return "; ".join(said)


def now_lines(now: Now) -> list[str]:
    """Lines of the live display, without the keys."""
    out = [f"recording {now.name}   {clock(now.elapsed_s)}   {byte_size(now.n_bytes)} on disk", ""]
    for d in now.devices:
        out += [f"  {seen(d)}", f"  {device_line(d)}", ""]
    out.append(f"cards  {card_line(now.cards)}")
    out.append(now.typing if now.typing is not None else now.message)
    return out


def plain_line(now: Now) -> str:
    """Everything on one line, for a terminal without a display and for a log."""
    devices = [f"{seen(d)} | {device_line(d)}" for d in now.devices]
    said = [clock(now.elapsed_s), *devices, byte_size(now.n_bytes), card_line(now.cards)]
    if now.typing is not None or now.message:
        said.append(now.message if now.typing is None else now.typing)
    return " | ".join(said)
