"""A device file from text: sensors carry their own, and finished recordings hold one. `device_file` makes the text."""

from __future__ import annotations

import tomllib

import msgspec

from forcekit.acquire.device_check import check_device
from forcekit.errors import InputError
from forcekit.model import DeviceFile

__all__ = ["device_from_text"]


def device_from_text(text: str, source: str) -> DeviceFile:
    """Device file held in this TOML text, checked like one read from disk.

    Parameters
    ----------
    text : str
    source : str
        Where the text comes from, for the message.

    Raises
    ------
    InputError
        If it is not TOML, not a device file or contradicts itself.
    """
    try:
        device = msgspec.convert(tomllib.loads(text), DeviceFile)
    except (msgspec.ValidationError, tomllib.TOMLDecodeError, RecursionError) as error:
        reason = " ".join(str(error).split()).rstrip(".")
        raise InputError(
            f"{source}: the device file in it cannot be used ({reason}); correct it, or give a device file of your own."
        ) from None
    check_device(device, source)
    return device
