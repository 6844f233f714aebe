"""A device file as text and back, for sensors that carry their own and for files that hold one."""

from __future__ import annotations

import tomllib
from typing import Any

import msgspec

from forcekit.acquire.device_check import check_device
from forcekit.errors import InputError
from forcekit.model import DeviceFile

__all__ = ["device_from_text", "device_to_text"]


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


def device_to_text(device: DeviceFile) -> str:
    """Make the TOML text of a device file; what is left at its default is left out."""
    import tomlkit

    return tomlkit.dumps(_pruned(device))


def _pruned(section: msgspec.Struct) -> dict[str, Any]:
    """Give the fields of a section that differ from their defaults, tables last as TOML wants them."""
    plain: dict[str, Any] = {}
    tables: dict[str, Any] = {}
    for field in msgspec.structs.fields(section):
        value = getattr(section, field.name)
        if value is None or (not field.required and value == field.default):
            continue
        if isinstance(value, msgspec.Struct):
            tables[field.name] = _pruned(value)
        elif isinstance(value, tuple) and value and isinstance(value[0], msgspec.Struct):
            tables[field.name] = [_pruned(v) for v in value]
        else:
            plain[field.name] = list(value) if isinstance(value, tuple) else value
    return plain | tables
