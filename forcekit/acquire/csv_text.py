"""Bytes of a text file to UTF-8 with plain line ends, whatever program wrote them."""

from __future__ import annotations

from pathlib import Path

from forcekit.acquire.toml_file import text_bytes
from forcekit.errors import InputError

__all__ = ["read_text"]

_PACKED = {b"PK\x03\x04": "a spreadsheet or zip archive", b"\x1f\x8b": "a gzip archive", b"%PDF": "a PDF"}
_LARGEST_CONTROL_FRAC = 0.02
"""More control characters than this and the file is no text (our choice: text has tabs and line ends)."""
HEAD_BYTES = 20_000
"""So many bytes at the start are looked at for that (our choice)."""
_NOTHING = b" \t\r\n\0\xef\xbb\xbf\xfe\xff"
_CONTROL = bytes(set(range(32)) - {9, 10, 12, 13}) + b"\x7f"


def read_text(path: Path, encoding: str, content: bytes | None = None) -> tuple[bytes, tuple[str, ...]]:
    r"""Bytes of a file as UTF-8, without byte-order mark, with ``\n`` line ends; and notes on guesses.

    Parameters
    ----------
    path : Path
    encoding : str
        As the device file says. A byte-order mark overrules it; if the default "utf-8" does not fit, the file
        is read as Windows-1252, which differs only in letters, never in digits.
    content : bytes, optional
        What stands in the file, where somebody has read it already.

    Raises
    ------
    InputError
        If the file cannot be opened, is empty or holds no text.
    """
    data = text_bytes(path) if content is None else content
    if not (data[:1000].strip(_NOTHING) or data.strip(_NOTHING)):
        raise InputError(f"{path.name}: the file is empty; export the recording again.")
    for start, what in _PACKED.items():
        if data.startswith(start):
            raise InputError(f"{path.name}: this is {what}, not a table of text; export the recording as CSV.")
    data, notes = _as_utf8(path.name, data, encoding)
    head = data[:HEAD_BYTES]
    if b"\0" in data or len(head) - len(head.translate(None, _CONTROL)) > _LARGEST_CONTROL_FRAC * len(head):
        raise InputError(f"{path.name}: this is not a text file; export the recording as CSV.")
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return data, notes


def _as_utf8(name: str, data: bytes, encoding: str) -> tuple[bytes, tuple[str, ...]]:
    marked = _marked(data)
    try:
        if marked is not None:
            return data.decode(marked).lstrip("\ufeff").encode(), ()
        if data.isascii():  # with zeros in it, it is refused later on
            return data, ()
        if encoding.lower() not in ("utf-8", "utf8"):
            return data.decode(encoding).lstrip("\ufeff").encode(), ()
    except (UnicodeError, LookupError) as error:
        what = marked or encoding
        raise InputError(
            f"{name}: the text is not {what} ({type(error).__name__}); correct encoding in [table] of the device file."
        ) from None
    try:
        data.decode()
        return data, ()
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
        return text.encode(), (f"{name} is not UTF-8 and was read as Windows-1252 (Latin-1).",)


def _marked(data: bytes) -> str | None:
    """Give the encoding that a byte-order mark or the zeros of UTF-16 tell."""
    if data.startswith(b"\xef\xbb\xbf"):
        return "utf-8-sig"
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    head = data[:400]
    if len(head) >= 8 and head[1::2].count(0) > 0.9 * len(head[1::2]) and head[::2].count(0) == 0:
        return "utf-16-le"
    if len(head) >= 8 and head[::2].count(0) > 0.9 * len(head[::2]) and head[1::2].count(0) == 0:
        return "utf-16-be"
    return None
