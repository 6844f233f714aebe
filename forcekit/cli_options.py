"""Options and arguments that several commands share; imports typer alone, so that a light start may load it."""

from __future__ import annotations

from typing import Annotated

import typer

__all__ = ["DEVICE_WORDS", "JsonOption", "MovementOption", "NameArgument", "StoreOption"]

StoreOption = Annotated[
    str | None,
    typer.Option(
        "--store",
        metavar="WHERE",
        help="Folder, .sqlite file or postgresql:// URL of the history; else FORCEKIT_DATA, else your data folder.",
    ),
]
NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Name or pseudonym of the athlete.")]
MovementOption = Annotated[str | None, typer.Option("--movement", help="Only attempts of this movement.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON (SI units) instead of text.")]

DEVICE_WORDS = "Serial port, ble:NAME, either with =DEVICE.toml behind it if the device does not describe itself, "
"""How a live device is named; what plays one goes behind it."""
