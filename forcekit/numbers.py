"""How a number with decimals is written wherever a person reads it."""

from __future__ import annotations

__all__ = ["NEAREST", "decimal", "signed", "significant"]

NEAREST = {"−": "-", "–": "-", "±": "+/-", "→": "->", "←": "<-", "°": " deg", "·": "*", "×": "x", "²": "2", "≥": ">="}
"""What is written instead where a terminal's alphabet lacks a sign."""


def decimal(value: float, digits: int) -> str:
    """Write a number with so many decimals, a true minus sign, and no sign before a zero.

    Examples
    --------
    >>> decimal(-0.62, 1), decimal(-0.02, 1)
    ('−0.6', '0.0')
    """
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text.replace("-", "−")


def signed(value: float, digits: int) -> str:
    """Write a difference: as `decimal`, with a plus sign where it is above zero.

    Examples
    --------
    >>> signed(0.62, 1), signed(-0.62, 1), signed(0.02, 1)
    ('+0.6', '−0.6', '0.0')
    """
    text = decimal(value, digits)
    return text if text.startswith("−") or float(text) == 0.0 else f"+{text}"


def significant(value: float, digits: int) -> str:
    """Write a number with so many significant digits and no zeros behind them, with a true minus sign.

    Examples
    --------
    >>> significant(-3.0, 5), significant(-0.0, 5), significant(12.34567, 5)
    ('−3', '0', '12.346')
    """
    return f"{value + 0.0:.{digits}g}".replace("-", "−")


def with_unit(number: str, unit: str) -> str:
    """Write a number and its unit: a space between, but none before degrees (SI Brochure, 5.4.3; from memory).

    Examples
    --------
    >>> with_unit("17.4", "cm"), with_unit("23.5", "°"), with_unit("0.4", "")
    ('17.4 cm', '23.5°', '0.4')
    """
    return f"{number}{'' if unit in ('', '°') else ' '}{unit}"
