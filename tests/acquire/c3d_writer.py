"""Writes small C3D files from the description of the format, sharing no code with any reader."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import numpy.typing as npt

Value = str | list[str] | npt.NDArray[np.float64] | int | float


def write_c3d(
    path: Path,
    analog: npt.NDArray[np.float64],
    platform: dict[str, Value],
    *,
    units: str = "mm",
    marker: tuple[float, float, float] | None = None,
    rate_hz: float = 1000.0,
    per_frame: int = 10,
) -> Path:
    """Write analog channels and FORCE_PLATFORM parameters; arrays have the file's last dimension first."""
    n_frames, k = analog.shape[0] // per_frame, analog.shape[1]
    n_points = 0 if marker is None else 1
    groups: dict[str, dict[str, Value]] = {
        "POINT": {
            "USED": n_points,
            "SCALE": -1.0,
            "RATE": rate_hz / per_frame,
            "DATA_START": 0,
            "FRAMES": n_frames,
            "LABELS": ["M1"],
            **({"UNITS": units} if units else {}),
        },
        "ANALOG": {
            "USED": k,
            "RATE": rate_hz,
            "GEN_SCALE": 1.0,
            "SCALE": np.ones(k),
            "OFFSET": np.zeros(k, np.int64),
            "LABELS": [f"C{i}" for i in range(k)],
        },
        "FORCE_PLATFORM": platform,
    }
    size = 4 + sum(len(r) for r in _records(groups)) + 2
    n_blocks = -(-size // 512)
    groups["POINT"]["DATA_START"] = 2 + n_blocks
    records = _records(groups)
    parameters = bytes([1, 0x50, n_blocks, 84]) + b"".join(records) + b"\0\0"
    header = struct.pack(
        "<BBHHHHHfHHf",
        2,
        0x50,
        n_points,
        k * per_frame,
        1,
        n_frames,
        0,
        -1.0,
        2 + n_blocks,
        per_frame,
        rate_hz / per_frame,
    )
    frames = []
    for f in range(n_frames):
        point = np.array([*marker, 0.0]) if marker is not None else np.zeros(0)
        frames.append(np.r_[point, analog[f * per_frame : (f + 1) * per_frame].ravel()].astype("<f4").tobytes())
    data = b"".join(frames)
    path.write_bytes(
        header.ljust(512, b"\0")
        + parameters.ljust(512 * n_blocks, b"\0")
        + data.ljust(-(-len(data) // 512) * 512, b"\0")
    )
    return path


def _records(groups: dict[str, dict[str, Value]]) -> list[bytes]:
    made = []
    for i, (group, parameters) in enumerate(groups.items(), 1):
        name = group.encode()
        made.append(struct.pack("<bb", len(name), -i) + name + struct.pack("<hB", 3, 0))
        for key, value in parameters.items():
            body = _value(value)
            name = key.encode()
            made.append(struct.pack("<bb", len(name), i) + name + struct.pack("<h", 2 + len(body) + 1) + body + b"\0")
    return made


def _value(value: Value) -> bytes:
    if isinstance(value, str):
        return struct.pack("<bBB", -1, 1, len(value)) + value.encode()
    if isinstance(value, list):
        width = max(len(v) for v in value)
        return struct.pack("<bBBB", -1, 2, width, len(value)) + "".join(v.ljust(width) for v in value).encode()
    if isinstance(value, int):
        return struct.pack("<bBh", 2, 0, value)
    if isinstance(value, float):
        return struct.pack("<bBf", 4, 0, value)
    whole = value.dtype.kind == "i"
    head = struct.pack("<bB", 2 if whole else 4, value.ndim) + bytes(value.shape[::-1])
    return head + value.astype("<i2" if whole else "<f4").tobytes()
