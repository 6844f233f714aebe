"""Device files and attempt cards: load them from TOML, write them as TOML a person likes to edit."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from forcekit.acquire.device_check import check_card, check_device
from forcekit.acquire.toml_file import read_toml, replace_file
from forcekit.model import AttemptCard, DeviceFile

if TYPE_CHECKING:
    import tomlkit
    from tomlkit.items import Array, InlineTable, Table

__all__ = ["device_text", "load_card", "load_device", "save_device"]


def load_device(path: str | Path) -> DeviceFile:
    """Load a device file and check that it makes sense.

    Parameters
    ----------
    path : str or Path
        A TOML file; its sections and keys are the fields of `forcekit.model.DeviceFile`.

    Raises
    ------
    InputError
        With one sentence: which file, which section or key, what was found, what is allowed, what to do.
    """
    device = read_toml(path, DeviceFile)
    check_device(device, Path(path).name)
    return device


def load_card(path: str | Path) -> AttemptCard:
    """Load an attempt card (athlete, load, stature, foot length, outcome ...) and check its numbers.

    Parameters
    ----------
    path : str or Path

    Raises
    ------
    InputError
        As for `load_device`.
    """
    card = read_toml(path, AttemptCard)
    check_card(card, Path(path).name)
    return card


def device_text(device: DeviceFile, comments: Iterable[str] = ()) -> str:
    """Give the TOML text of a device file: settings that equal their default are left out.

    Parameters
    ----------
    device : DeviceFile
    comments : iterable of str
        Lines put at the top, each behind a ``#``.

    Notes
    -----
    Loading the text gives an equal `DeviceFile`.
    """
    import tomlkit

    document = tomlkit.document()
    for line in comments:
        document.add(tomlkit.comment(" ".join(line.splitlines())))
    _fill(document, device)
    return tomlkit.dumps(document)


def save_device(device: DeviceFile, path: str | Path, comments: Iterable[str] = ()) -> None:
    """Check a device file and write it; an existing file is replaced whole or not at all.

    Parameters
    ----------
    device : DeviceFile
    path : str or Path
    comments : iterable of str
        Lines put at the top, each behind a ``#``.

    Raises
    ------
    InputError
        If the device contradicts itself or the file cannot be written.
    """
    path = Path(path)
    check_device(device, path.name)
    replace_file(path, device_text(device, comments))


def _fill(table: tomlkit.TOMLDocument | Table | InlineTable, section: msgspec.Struct) -> None:
    """Add the fields that differ from their default: values first, then sections, as TOML wants it."""
    fields = [
        (field.name, getattr(section, field.name))
        for field in msgspec.structs.fields(type(section))
        if field.required or getattr(section, field.name) != field.default
    ]
    for name, value in sorted(fields, key=lambda pair: _is_section(pair[1])):
        table.add(name, _item(value))


def _is_section(value: object) -> bool:
    return isinstance(value, msgspec.Struct) or _is_list_of_sections(value)


def _is_list_of_sections(value: object) -> bool:
    return isinstance(value, tuple) and bool(value) and isinstance(value[0], msgspec.Struct)


def _item(value: Any) -> Any:
    import tomlkit

    if _is_list_of_sections(value):
        if "channel" in value[0].__struct_fields__:  # cells: one short line each reads better than a section each
            return _lines(value)
        tables = tomlkit.aot()
        for member in value:
            tables.append(_item(member))
        return tables
    if isinstance(value, msgspec.Struct):
        table = tomlkit.table()
        _fill(table, value)
        return table
    return tomlkit.item(list(value) if isinstance(value, tuple) else value)


def _lines(sections: tuple[msgspec.Struct, ...]) -> Array:
    import tomlkit

    array = tomlkit.array()
    for section in sections:
        row = tomlkit.inline_table()
        _fill(row, section)
        array.append(row)
    return array.multiline(True)
