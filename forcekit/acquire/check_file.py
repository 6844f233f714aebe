"""History of a plate's daily checks as a CSV that a spreadsheet opens; written whole or not at all."""

from __future__ import annotations

import csv
import datetime
import io
from dataclasses import dataclass
from pathlib import Path

from forcekit.acquire.toml_file import replace_file, shown, text_bytes
from forcekit.errors import InputError

__all__ = ["CheckRow", "add_check", "read_checks"]

_COLUMNS = (
    "checked_at", "device", "mass_kg", "mass_u_kg", "found_kg", "error_frac", "error_u_frac", "own_u_frac",
    "zero_shift_n", "verdict",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One daily check.

    `checked_at` is date and time with zone, in ISO form; `own_u_frac` the part of the error's uncertainty that the
    checks of a plate do not share, which is what a drift is judged by.
    """

    checked_at: str
    device: str
    mass_kg: float
    mass_u_kg: float
    found_kg: float
    error_frac: float
    error_u_frac: float
    own_u_frac: float
    zero_shift_n: float
    verdict: str

    @property
    def day(self) -> float:
        """Days since 1970."""
        return datetime.datetime.fromisoformat(self.checked_at).timestamp() / 86400.0


def read_checks(path: str | Path) -> tuple[CheckRow, ...]:
    """Checks of a history file, oldest first; none when there is no such file.

    Raises
    ------
    InputError
        If it is no history of checks.
    """
    path = Path(path)
    if not path.exists():
        return ()
    table = list(csv.reader(io.StringIO(text_bytes(path).decode("utf-8", "replace"))))
    if not table or tuple(table[0]) != _COLUMNS:
        raise InputError(f"{path.name}: this is no history of checks; name another file for it.")
    rows = []
    for i, cells in enumerate(table[1:], 2):
        try:
            when, device, *numbers, verdict = cells
            mass, mass_u, found, error, error_u, own_u, zero = (float(n) for n in numbers)
            row = CheckRow(when, device, mass, mass_u, found, error, error_u, own_u, zero, verdict)
            datetime.datetime.fromisoformat(when)
        except (ValueError, TypeError):
            raise InputError(
                f"{path.name}, line {i}: {shown(','.join(cells))} is no check; correct or remove that line."
            ) from None
        rows.append(row)
    return tuple(sorted(rows, key=lambda r: r.day))


def add_check(path: str | Path, row: CheckRow) -> tuple[CheckRow, ...]:
    """Put a check at the end of a history file and give the whole history; the same check twice counts once.

    Raises
    ------
    InputError
        If the file holds another plate's checks or cannot be written.
    """
    path = Path(path)
    rows = read_checks(path)
    others = sorted({r.device for r in rows} - {row.device})
    if others:
        raise InputError(
            f'{path.name}: it holds the checks of "{others[0]}", not of "{row.device}"; keep a file for each plate.'
        )
    if any(r.checked_at == row.checked_at and r.found_kg == row.found_kg for r in rows):
        return rows
    rows = tuple(sorted((*rows, row), key=lambda r: r.day))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_COLUMNS)
    for r in rows:
        writer.writerow([getattr(r, name) for name in _COLUMNS])
    replace_file(path, out.getvalue())
    return rows
