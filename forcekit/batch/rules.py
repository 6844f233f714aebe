"""The rules file of a batch: which device file belongs to which recording, how bar files are named, what to skip.

::

    skip = ["notes/*", "*_draft.csv"]
    bar_name = "{stem}.bar{suffix}"

    [[plate]]
    files = "hall/*"                    # by name, relative to the folder that is analysed
    device = "hall_plate.device.toml"   # relative to this rules file

    [[plate]]
    header = "Laboratory;north"         # by a text among the first lines
    device = "north.device.toml"

    [[bar]]
    device = "bar_sensor.device.toml"

The first section that fits is taken; both keys must fit where both stand, and a section without either fits all.
"""

from __future__ import annotations

from collections.abc import Sequence
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Literal

import msgspec

from forcekit.acquire.device_file import load_device
from forcekit.acquire.toml_file import read_toml, shown
from forcekit.errors import InputError

__all__ = ["DeviceRule", "Rules", "device_of", "idle_patterns", "load_rules"]

HEAD_BYTES = 8192
"""Where the text of a `header` rule is looked for: the first 8 kB of a file (our choice)."""
GENERAL = {"plate": "device.toml", "bar": "bar.device.toml"}

Kind = Literal["plate", "bar"]


class DeviceRule(msgspec.Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """One section of a rules file: the device file of the recordings it fits."""

    device: str
    files: str | None = None
    """Pattern of the name relative to the folder, ``*`` and ``?`` stand for any text, slashes included."""
    header: str | None = None
    """Text that stands among the first lines of the file."""


class Rules(msgspec.Struct, kw_only=True, frozen=True, forbid_unknown_fields=True):
    """A rules file."""

    skip: tuple[str, ...] = ()
    """Patterns of names that are no recordings."""
    bar_name: str = "{stem}.bar{suffix}"
    """Name of the bar's file beside a plate's; ``{stem}`` and ``{suffix}`` are those of the plate's file."""
    plate: tuple[DeviceRule, ...] = ()
    bar: tuple[DeviceRule, ...] = ()


def load_rules(path: Path) -> Rules:
    """Read a rules file; its device files are looked for beside it and checked.

    Raises
    ------
    InputError
        If it has an unknown key, names a device file that cannot be used, or `bar_name` names the plate's own file.
    """
    rules = read_toml(path, Rules)
    if "{stem}" not in rules.bar_name or rules.bar_name == "{stem}{suffix}":
        raise InputError(
            f"{path.name}: bar_name is {shown(rules.bar_name)}; it must hold {{stem}} and differ from the plate's own "
            'name, such as "{stem}.bar{suffix}".'
        )

    def placed(rule: DeviceRule, kind: Kind) -> DeviceRule:
        device = path.parent / rule.device
        found = load_device(device).kind
        if found != kind:
            raise InputError(
                f"{path.name}, [[{kind}]]: {shown(rule.device)} describes a {found}; name one of a {kind}."
            )
        return msgspec.structs.replace(rule, device=str(device.absolute()))

    return msgspec.structs.replace(
        rules,
        plate=tuple(placed(r, "plate") for r in rules.plate),
        bar=tuple(placed(r, "bar") for r in rules.bar),
    )


def idle_patterns(rules: Rules, names: Sequence[str]) -> list[str]:
    """Tell which patterns fit none of the files: one that is misspelt would leave them to another device file.

    Parameters
    ----------
    rules : Rules
    names : sequence of str
        All files that were found, relative to the folder, with slashes.
    """
    patterns = [("skip", pattern) for pattern in rules.skip]
    for kind, sections in (("[[plate]] files", rules.plate), ("[[bar]] files", rules.bar)):
        patterns += [(kind, rule.files) for rule in sections if rule.files is not None]
    return [
        f"{where} = {shown(pattern)} fits no file; correct it, or take it out"
        for where, pattern in patterns
        if not any(fnmatchcase(name, pattern) for name in names)
    ]


def device_of(path: Path, name: str, root: Path, rules: Rules, kind: Kind) -> Path:
    """Device file of a recording: by the rules, else beside it, else of its folder or one above.

    Parameters
    ----------
    path : Path
    name : str
        Relative to `root`, with slashes.
    root : Path
        Highest folder that is looked in.
    rules : Rules
    kind : "plate" or "bar"

    Raises
    ------
    InputError
        If there is none.
    """
    head: bytes | None = None
    for rule in rules.plate if kind == "plate" else rules.bar:
        if rule.files is not None and not fnmatchcase(name, rule.files):
            continue
        if rule.header is not None:
            if head is None:
                with path.open("rb") as file:
                    head = file.read(HEAD_BYTES)
            if rule.header.encode() not in head:
                continue
        return Path(rule.device)
    beside = path.with_suffix(".device.toml")
    folder = path.parent
    places = [beside, folder / GENERAL[kind]]
    while folder != root and root in folder.parents:
        folder = folder.parent
        places.append(folder / GENERAL[kind])
    for place in places:
        if place.is_file():
            return place
    option = "--device" if kind == "plate" else "--bar-device"
    raise InputError(
        f"{path.name}: no device file says what its columns are: no rule fits, and neither {beside.name} nor "
        f"{GENERAL[kind]} lies beside it or above, up to {root}; name one with {option}, or write a rule (--rules)."
    )
