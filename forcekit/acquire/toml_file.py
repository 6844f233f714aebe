"""A TOML file to a record of `forcekit.model`; every mistake in it becomes one sentence for the person who wrote it."""

from __future__ import annotations

import difflib
import tomllib
import types
from pathlib import Path
from typing import Any, Literal, TypeVar, Union, get_args, get_origin

import msgspec

from forcekit.errors import InputError

__all__ = ["read_toml", "reason_of", "shown"]

Section = TypeVar("Section", bound=msgspec.Struct)

_LONGEST_SHOWN = 60
_WORDS = {
    str: 'text in quotes, such as "Fz"',
    float: "a number",
    int: "a whole number",
    bool: "true or false",
}


def read_toml(path: str | Path, kind: type[Section]) -> Section:
    """Read a TOML file into a record.

    Parameters
    ----------
    path : str or Path
    kind : type
        A section type of `forcekit.model`; keys it does not have are refused.

    Raises
    ------
    InputError
        If the file cannot be read, is not TOML, or has an unknown key, a missing key or a value of the wrong kind.
    """
    path = Path(path)
    data = _parse(path)
    problem = _problem(data, kind, "")
    if problem is not None:
        raise InputError(f"{path.name}, {problem}.")
    try:
        return msgspec.convert(data, kind)
    except (msgspec.ValidationError, RecursionError) as error:  # the walk above should have named it
        raise InputError(f"{path.name}: {shown(error)}; correct the file.") from None


def shown(value: object) -> str:
    """Give a value as it may stand in a message: on one line, cut when long."""
    text = str(value) if isinstance(value, Exception) else repr(value)
    if isinstance(value, str):
        text = '"' + "".join(c if c.isprintable() else repr(c)[1:-1] for c in value) + '"'
    elif isinstance(value, bool):
        text = str(value).lower()
    return (
        text
        if len(text) <= _LONGEST_SHOWN
        else text[: _LONGEST_SHOWN - 4] + " ..." + text[-1:] * (text[:1] == '"')
    )


def reason_of(error: OSError) -> str:
    """Say in plain words why a file could not be opened."""
    if isinstance(error, FileNotFoundError):
        return "there is no such file; check the spelling and the folder"
    if isinstance(error, IsADirectoryError):
        return "this is a folder; name a file in it"
    if isinstance(error, PermissionError):
        return "you may not read this file; change its permissions or copy it to a folder of your own"
    return f"the file cannot be read ({error.strerror or error}); copy it to a local folder and try again"


def _parse(path: Path) -> dict[str, Any]:
    try:
        if path.is_dir():
            raise IsADirectoryError
        text = path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
    except (OSError, ValueError) as error:
        if isinstance(error, UnicodeDecodeError):
            raise InputError(
                f"{path.name}: byte {error.start} is not UTF-8 text; save the file as UTF-8 with a text editor."
            ) from None
        why = (
            reason_of(error) if isinstance(error, OSError) else "this is not a file name; check the spelling"
        )
        raise InputError(f"{path}: {why}.") from None
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        detail = shown(error).rstrip(".")
        raise InputError(
            f"{path.name}: this is not valid TOML ({detail}); put text in quotes, write one key = value a line, "
            "decimals with a point."
        ) from None


def _problem(value: object, kind: Any, where: str) -> str | None:
    """First mistake in a value that should be of this kind, as a sentence without its end; None if there is none."""
    members = [k for k in _members(kind) if k is not types.NoneType]
    if len(members) == 1 and isinstance(members[0], type) and issubclass(members[0], msgspec.Struct):
        return _problem_in_section(value, members[0], where)
    args = get_args(members[0])
    if len(members) == 1 and get_origin(members[0]) is tuple and len(args) == 2 and args[1] is Ellipsis:
        if not isinstance(value, list):
            return f"{where}: found {shown(value)}, but a list is needed; write it in square brackets"
        for i, item in enumerate(value, 1):
            problem = _problem(item, args[0], f"{where} number {i}{_named(item)}")
            if problem is not None:
                return problem
        return None
    try:
        msgspec.convert(value, kind)
    except (msgspec.ValidationError, RecursionError):
        return f"{where}: found {shown(value)}, but {_allowed(members)} is needed; correct it"
    return None


def _problem_in_section(value: object, kind: type[msgspec.Struct], where: str) -> str | None:
    label = where or "at the top"
    if not isinstance(value, dict):
        return f"{label}: found {shown(value)}, but a section with keys of its own is needed; write [{where or 'name'}]"
    fields = {field.name: field for field in msgspec.structs.fields(kind)}
    for key in value:
        if key not in fields:
            near = difflib.get_close_matches(str(key), fields, n=1)
            hint = f' (did you mean "{near[0]}"?)' if near else ""
            return f"{label}: the key {shown(str(key))} is not known{hint}; allowed are {', '.join(fields)}"
    for name, field in fields.items():
        if name in value:
            problem = _problem(value[name], field.type, f"{where}, {name}" if where else name)
            if problem is not None:
                return problem
        elif field.required:
            return (
                f'{label}: the key "{name}" is missing; write {name} = ... ({_allowed(_members(field.type))})'
            )
    return None


def _members(kind: Any) -> tuple[Any, ...]:
    return get_args(kind) if get_origin(kind) in (Union, types.UnionType) else (kind,)


def _named(item: object) -> str:
    """Give the name of a table in a list, so that a person finds it."""
    name = item.get("name", item.get("channel")) if isinstance(item, dict) else None
    return f" ({shown(name)})" if isinstance(name, str) else ""


def _allowed(members: Any) -> str:
    """Say in words what values these kinds allow."""
    words = []
    for kind in members:
        if kind is types.NoneType:
            continue
        if get_origin(kind) is Literal:
            words.append("one of " + ", ".join(shown(v) for v in get_args(kind)))
        elif get_origin(kind) is tuple:
            inner = get_args(kind)
            n = "" if Ellipsis in inner else f"{len(inner)} "
            words.append(f"a list of {n}{'numbers' if inner[0] is float else 'entries'} in square brackets")
        else:
            words.append(_WORDS.get(kind, "a section"))
    return " or ".join(words)
