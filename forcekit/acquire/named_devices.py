"""What a person types for a device: a port, a radio sensor, a device file, and what to connect to for it."""

from __future__ import annotations

from pathlib import Path

from forcekit.acquire.capture import Planned
from forcekit.acquire.device_file import load_device
from forcekit.acquire.foreign import check_layout
from forcekit.errors import InputError

__all__ = ["RADIO_PREFIX", "planned_of"]

RADIO_PREFIX = "ble:"
"""In front of the address or name of a radio sensor."""


def planned_of(word: str) -> Planned:
    """Give the device to record from that a word names.

    Parameters
    ----------
    word : str
        ``PORT``, ``ble:NAME``, one of them with ``=DEVICE.toml`` behind it for a device that does not describe
        itself, or ``DEVICE.toml`` alone when its [link] holds the address.

    Raises
    ------
    InputError
        If the word names nothing, or the device file does not say how the device is reached.
    """
    if word in ("virtual", "virtual-ble"):
        raise InputError(
            f'"{word}" plays an invented lifter, for record and live alone; name the port of a plate, or of '
            "`forcekit replay RECORDING`."
        )
    address, _, file = word.partition("=")
    if not file and address.endswith(".toml"):
        address, file = "", address
    radio = address.startswith(RADIO_PREFIX)
    address = address.removeprefix(RADIO_PREFIX).strip()
    if not file:
        if not address:
            raise InputError(f'--device "{word}": no device is named; {_allowed()}.')
        return Planned(address, ble=radio)
    device = load_device(file)
    link = device.link
    if link is None:
        raise InputError(
            f"{Path(file).name}: it has no [link] section, so it describes recorded files only; add one that says "
            "how the device is reached (transport, format)."
        )
    if link.format == "payload":
        check_layout(link, tuple(c.name for c in device.channels), Path(file).name)
    if address and radio != (link.transport == "ble"):
        raise InputError(
            f'--device "{word}": the device file says transport = "{link.transport}"; '
            f"{'put ble: in front of the name' if not radio else 'leave ble: out'}, or correct the file."
        )
    if not address and not link.address:
        raise InputError(f"{Path(file).name}, [link]: there is no address; write PORT={file} or add the address.")
    return Planned(address or link.address or "", device, ble=link.transport == "ble")


def _allowed() -> str:
    return 'name a serial port or "ble:NAME", either with "=DEVICE.toml" behind it'
