"""Options and arguments that several commands share, and their limits; imports typer alone, for a light start."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = [
    "DEVICE_WORDS",
    "CardOption",
    "JsonOption",
    "MovementOption",
    "NameArgument",
    "NoteOption",
    "StoreOption",
    "YesOption",
    "check_body",
    "check_load",
    "check_range",
]

StoreOption = Annotated[
    str | None,
    typer.Option(
        "--store",
        metavar="WHERE",
        help="Folder, .sqlite file or postgresql:// URL of the history; else FORCEKIT_DATA, else your data folder.",
    ),
]
CardOption = Annotated[
    Path | None, typer.Option("--card", help="Attempt card (TOML); what an option says holds instead.")
]
NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Name or pseudonym of the athlete.")]
MovementOption = Annotated[str | None, typer.Option("--movement", help="Only attempts of this movement.")]
NoteOption = Annotated[str | None, typer.Option("--note", help="Anything worth keeping.")]
YesOption = Annotated[bool, typer.Option("--yes", help="Do not ask.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON (SI units) instead of text.")]

DEVICE_WORDS = "Serial port, ble:NAME, either with =DEVICE.toml behind it if the device does not describe itself, "
"""How a live device is named; what plays one goes behind it."""


def check_range(option: str, value: float | None, low: float, high: float, unit: str) -> None:
    """Raise an InputError in the option's own unit if a number lies outside what people measure."""
    from forcekit.errors import InputError

    if value is not None and not low <= value <= high:
        raise InputError(f"{option} is {value:g} {unit}; {low:g} to {high:g} {unit} are allowed.")


def check_body(stature_cm: float | None, foot_length_cm: float | None, shoe_size_mm: float | None = None) -> None:
    """Check what is said of a body; the limits are those of the history."""
    check_range("--stature", stature_cm, 100.0, 250.0, "cm")
    check_range("--foot-length", foot_length_cm, 15.0, 40.0, "cm")
    check_range("--shoe-size", shoe_size_mm, 150.0, 400.0, "mm")


def check_load(load_kg: float | None) -> None:
    """Check a load that a question is about."""
    check_range("--load", load_kg, 0.0, 600.0, "kg")
