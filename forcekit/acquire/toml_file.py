"""A TOML file to a record of `forcekit.model`; every mistake in it becomes one sentence for its writer."""

from __future__ import annotations

import difflib
import os
import stat
import tempfile
import tomllib
import types
from pathlib import Path
from typing import Any, Literal, TypeVar, Union, get_args, get_origin

import msgspec

from forcekit.errors import InputError

__all__ = ["check_is_file", "read_toml", "reason_of", "replace_file", "shown", "text_bytes"]

Section = TypeVar("Section", bound=msgspec.Struct)

_LONGEST_SHOWN = 60
_LONGEST_ERROR = 160
_WORDS = {str: 'text in quotes, such as "Fz"', float: "a number", int: "a whole number"}


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
        If the file cannot be read, is not TOML, or has an unknown or missing key or a value of a wrong kind.
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
    if isinstance(value, Exception):
        return " ".join(str(value).split())[:_LONGEST_ERROR].rstrip(".")
    text = str(value).lower() if isinstance(value, bool) else repr(value)
    if isinstance(value, str):
        text = "".join(c if c.isprintable() else repr(c)[1:-1] for c in value[:_LONGEST_SHOWN])
        return f'"{text} ..."' if len(value) > _LONGEST_SHOWN else f'"{text}"'
    return text if len(text) <= _LONGEST_SHOWN else text[:_LONGEST_SHOWN] + " ..."


def reason_of(error: OSError) -> str:
    """Say in plain words why a file could not be opened."""
    if isinstance(error, FileNotFoundError):
        return "there is no such file; check the spelling and the folder"
    if isinstance(error, IsADirectoryError):
        return "this is a folder; name a file in it"
    if isinstance(error, PermissionError):
        return "you may not read this file; change its permissions or copy it to a folder of your own"
    return f"the file cannot be read ({error.strerror or error}); copy it to a local folder and try again"


def text_bytes(path: Path) -> bytes:
    """Bytes of a file, with a sentence instead of an OSError."""
    check_is_file(path)
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: {reason_of(error)}.") from None


def replace_file(path: Path, text: str) -> None:
    """Write a text file whole or not at all; behind a link, the file it leads to.

    Raises
    ------
    InputError
        If the folder or the disk refuses; an earlier file is then as it was.
    """
    draft = ""
    try:
        target = path.resolve()
        # Written beside the file first, so that neither a crash nor a full disk leaves half a file.
        handle, draft = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent)
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        # mkstemp makes files private; the old file's permissions are kept
        os.chmod(draft, target.stat().st_mode & 0o777 if target.exists() else 0o644)
        os.replace(draft, target)
    except OSError as error:
        if draft:
            Path(draft).unlink(missing_ok=True)
        raise InputError(f"{path}: the file could not be written; {_reason_not_written(error)}.") from None


def _reason_not_written(error: OSError) -> str:
    """Say in plain words why a file could not be written."""
    if isinstance(error, FileNotFoundError):
        return "there is no such folder; make it or choose another one"
    if isinstance(error, PermissionError):
        return "you may not write there; choose a folder of your own"
    return f"{error.strerror or error}; make room or choose another folder"


def check_is_file(path: Path) -> None:
    """Raise an InputError if there is no such file, or it is a folder or a device."""
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise IsADirectoryError
        if not stat.S_ISREG(mode):
            raise InputError(f"{path}: this is a device or a pipe; name a file on disk.")
    except OSError as error:
        raise InputError(f"{path}: {reason_of(error)}.") from None
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{shown(str(path))}: this is not a file name; check the spelling.") from None


def _parse(path: Path) -> dict[str, Any]:
    try:
        text = text_bytes(path).decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        raise InputError(
            f"{path.name}: byte {error.start} is not UTF-8 text; save the file as UTF-8 with a text editor."
        ) from None
    try:
        return tomllib.loads(text)
    except (RecursionError, ValueError) as error:  # TOMLDecodeError is a ValueError
        raise InputError(
            f"{path.name}: this is not valid TOML ({shown(error)}); write one key = value a line, text in "
            "quotes, decimals with a point."
        ) from None


def _problem(value: object, kind: Any, where: str) -> str | None:
    """First mistake in a value that should be of this kind, as a sentence without its end."""
    members = [k for k in _members(kind) if k is not types.NoneType]
    if _is_section(members[0]):
        return _problem_in_section(value, members[0], where)
    args = get_args(members[0])
    if get_origin(members[0]) is tuple and args[-1] is Ellipsis:
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
        return f"{label}: found {shown(value)}, but a section with keys of its own is needed; correct it"
    fields = {field.name: field for field in msgspec.structs.fields(kind)}
    for key in value:
        if key not in fields:
            near = difflib.get_close_matches(str(key), fields, n=1)
            hint = f' (did you mean "{near[0]}"?)' if near else ""
            return f"{label}: the key {shown(str(key))} is not known{hint}; allowed are {', '.join(fields)}"
    for name, field in fields.items():
        if name in value:
            key = _label(name, field.type)
            problem = _problem(value[name], field.type, f"{where}, {key}" if where else key)
            if problem is not None:
                return problem
        elif field.required:
            return f'{label}: the key "{name}" is missing; write {name} = ... ({_allowed(_members(field.type))})'
    return None


def _is_section(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, msgspec.Struct)


def _label(name: str, kind: Any) -> str:
    """Give a key as it stands in the file: a section in brackets, a repeated one in double ones."""
    kinds = _members(kind)
    if any(_is_section(k) for k in kinds):
        return f"[{name}]"
    if any(_is_section(inner) for k in kinds for inner in get_args(k)):
        return f"[[{name}]]"
    return name


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
