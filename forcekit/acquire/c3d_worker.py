"""Reads a C3D file in a process of its own: foreign bytes may bring a reader down, but not the program.

Run as ``python -m forcekit.acquire.c3d_worker FILE OUT``; OUT becomes an ``.npz`` of plain numbers and JSON.
"""

from __future__ import annotations

import json
import sys
import warnings
from typing import Any

import numpy as np

__all__ = ["extract"]


def extract(path: str) -> dict[str, Any]:
    """Analog channels and the parameters that explain them, as arrays and one JSON text."""
    import c3d  # type: ignore[import-untyped]

    class Reader(c3d.Reader):  # type: ignore[misc]
        def _check_metadata(self) -> None:
            # Some files count channels where the header should count samples; the parameters decide then.
            try:
                super()._check_metadata()
            except AssertionError as error:
                odd.append(str(error))

    odd: list[str] = []
    with open(path, "rb") as handle, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reader = Reader(handle)
        points, analog = [], []
        for _, xyz, channels in reader.read_frames(copy=True):
            seen = (xyz[:, 3] >= 0.0) & np.any(xyz[:, :3] != 0.0, axis=1)
            points.append(xyz[seen, :3].mean(axis=0) if seen.any() else np.full(3, np.nan))
            analog.append(np.asarray(channels, np.float64).T)
        promised = int(reader.last_frame) - int(reader.first_frame) + 1
        if not analog:
            raise ValueError("it holds no frame of data")
        if len(analog) < promised:
            odd.append(f"it ends after frame {len(analog)} of {promised}")
        meta = {
            "rate_hz": float(reader.analog_rate),
            "per_frame": int(reader.header.analog_per_frame),
            "first_frame": int(reader.header.first_frame),
            "labels": [str(x).strip("\x00 ") for x in (reader.analog_labels if reader.analog_used else [])],
            "analog_units": _text(reader, "ANALOG", "UNITS"),
            "point_units": (_text(reader, "POINT", "UNITS") or [""])[0],
            "odd": odd,
        }
        arrays = {
            name.lower(): value
            for name in ("USED", "TYPE", "CHANNEL", "CORNERS", "ORIGIN", "CAL_MATRIX", "ZERO")
            if (value := _numbers(reader, "FORCE_PLATFORM", name)) is not None
        }
    arrays["analog"] = np.concatenate(analog)
    arrays["points"] = np.array(points).reshape(-1, 3)
    return {**arrays, "meta": np.frombuffer(json.dumps(meta).encode(), np.uint8)}


def _numbers(reader: Any, group: str, name: str) -> np.ndarray[Any, Any] | None:
    """Numbers of a parameter with the last dimension of the file first; None when it is not there."""
    found = reader.get(f"{group}:{name}")
    if found is None:
        return None
    size = found.bytes_per_element
    if not found.dimensions:
        value = found.float_value if size == 4 else found.int16_value if size == 2 else found.int8_value
        return np.array([float(value)])
    if 0 in list(found.dimensions):
        return None
    values = found.float_array if size == 4 else found.int16_array if size == 2 else found.int8_array
    return np.asarray(values, np.float64)


def _text(reader: Any, group: str, name: str) -> list[str]:
    found = reader.get(f"{group}:{name}")
    if found is None or 0 in list(found.dimensions):
        return []
    raw = bytes(found.bytes).decode("latin-1")
    width = int(found.dimensions[0]) if found.dimensions else len(raw)
    return [raw[i : i + width].strip("\x00 ") for i in range(0, len(raw), max(width, 1))]


if __name__ == "__main__":
    np.savez(sys.argv[2], **extract(sys.argv[1]))
