"""Recordings in the open format C3D: one or several force platforms to the force on the lifter.

What a file leaves open is decided by stated rules, and each decision stands in the notes of the stream: which
way is up, whose force the numbers are, the sign of the origin, the unit, the zero.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Literal

import msgspec
import numpy as np

from forcekit.acquire.device_check import HIGHEST_RATE_HZ, LOWEST_RATE_HZ
from forcekit.errors import InputError
from forcekit.mechanics.c3d_platform import CHANNELS, Wrench, flip_origin, plate_axes, wrench
from forcekit.model import Channel, DeviceFile, FloatArray, Plate, Recording, Stream, TimeAxis

__all__ = ["C3dData", "C3dPlate", "c3d_plates", "load_c3d", "read_c3d"]

LONGEST_READ_S = 120.0
"""A reader that takes longer than this has hung (our choice)."""

LOADED_N = 50.0
"""A sample with more force than this counts as loaded when the sign of the force is judged (our choice)."""

UNLOADED_N = 30.0
"""The ZERO frames are used only if the force stays this near to its mean in them and the mean is no lifter."""

Axis = Literal["x", "-x", "y", "-y", "z", "-z"]
_UNIT_M = {"mm": 1e-3, "cm": 1e-2, "m": 1.0}


@dataclass(frozen=True, slots=True, eq=False)
class C3dData:
    """What the reader found in a file.

    Attributes
    ----------
    analog : array, shape (n, k)
        Scaled as the file says.
    rate_hz : float
    parameters : dict of str to array
        Of FORCE_PLATFORM, last dimension of the file first.
    points : array, shape (frames, 3)
        Mean of the markers seen in each frame, in POINT:UNITS; NaN without any.
    meta : dict
    """

    analog: FloatArray
    rate_hz: float
    parameters: dict[str, FloatArray]
    points: FloatArray
    meta: dict[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class C3dPlate:
    """One platform in the laboratory's axes.

    Attributes
    ----------
    lab : Wrench
        As recorded (sign untouched), moment about the middle of the surface, laboratory axes.
    plate : Wrench
        The same in the plate's axes.
    centre_m, axes : array or None
        Middle and axes in the laboratory; None without geometry, then `lab` is in the plate's axes.
    notes : tuple of str
    """

    lab: Wrench
    plate: Wrench
    centre_m: FloatArray | None
    axes: FloatArray | None
    notes: tuple[str, ...]


def load_c3d(path: str | Path) -> C3dData:
    """Read a C3D file in a worker process.

    Raises
    ------
    InputError
        If the reader is not installed, the file cannot be read, or the reader crashed on it.
    """
    path = Path(path)
    if find_spec("c3d") is None:
        raise InputError(f'{path.name}: reading C3D needs a reader; install it with pip install "forcekit[c3d]".')
    with tempfile.TemporaryDirectory(prefix="c3d-") as folder:
        out = Path(folder) / "out.npz"
        command = [sys.executable, "-m", "forcekit.acquire.c3d_worker", str(path.resolve()), str(out)]
        try:
            done = subprocess.run(command, capture_output=True, text=True, timeout=LONGEST_READ_S, check=False)
        except subprocess.TimeoutExpired:
            raise InputError(
                f"{path.name}: reading it took over {LONGEST_READ_S:.0f} s; the file is damaged."
            ) from None
        if done.returncode != 0:
            raise InputError(f"{path.name}: it cannot be read as C3D ({_why(done)}); export it again.")
        with out.open("rb") as handle, np.load(handle, allow_pickle=False) as stored:
            arrays = {name: stored[name] for name in stored.files}
    meta = json.loads(arrays.pop("meta").tobytes())
    analog, points = arrays.pop("analog"), arrays.pop("points")
    return C3dData(analog, float(meta["rate_hz"]), arrays, points, meta)


def read_c3d(path: str | Path, *, forward: Axis | None = None) -> Recording:
    """Recording of the force platforms in a C3D file.

    Parameters
    ----------
    path : str or Path
    forward : axis of the laboratory, optional
        Which way the lifter's toes point. Left out, the first of x and y that is not the vertical.

    Notes
    -----
    Up is the side of the plate on which the markers are; without markers it is against the plate's z axis, as
    the format has it. The force is turned over, if need be, so that a loaded plate pushes the lifter up. Origins
    whose third number is positive are turned over. The ZERO frames are subtracted if the plate is unloaded in
    them. Without corners the vertical force is given and the pressure is not.

    Raises
    ------
    InputError
        As `load_c3d`, and if there is no force platform of type 1 to 4.
    """
    path = Path(path)
    data = load_c3d(path)
    plates = c3d_plates(data, path.name)
    if all(p.axes is not None for p in plates):
        return Recording(plate=_components(path, data, plates, forward))
    return Recording(plate=_vertical_only(path, data, plates))


def c3d_plates(data: C3dData, source: str, *, zero: bool = True) -> list[C3dPlate]:
    """Force and moment of every platform in the file.

    Parameters
    ----------
    data : C3dData
    source : str
        For messages.
    zero : bool
        Subtract the mean of the ZERO frames if they are unloaded.

    Raises
    ------
    InputError
        If there is no platform, or one cannot be understood.
    """
    p = data.parameters
    used = int(p.get("used", np.zeros(1))[0])
    if used < 1 or "type" not in p or "channel" not in p or data.analog.size == 0:
        raise InputError(
            f"{source}: there is no force platform in this file; export the plate's channels with their "
            "FORCE_PLATFORM parameters, or as a table."
        )
    n_described = min(p["type"].size, np.atleast_2d(p["channel"]).shape[0])
    if used > n_described:
        raise InputError(
            f"{source}: FORCE_PLATFORM:USED says {used} platforms, but {n_described} are described; export it again."
        )
    if not LOWEST_RATE_HZ <= data.rate_hz <= HIGHEST_RATE_HZ:
        raise InputError(
            f"{source}: its rate is {data.rate_hz:g} samples per second, allowed are {LOWEST_RATE_HZ:g} to "
            f"{HIGHEST_RATE_HZ:g}; export it again."
        )
    metre, unit_note = _unit(data)
    return [_plate(data, i, metre, (unit_note,), f"{source}, platform {i + 1}", zero) for i in range(used)]


def _plate(data: C3dData, i: int, metre: float, notes: tuple[str, ...], where: str, zero: bool) -> C3dPlate:
    p = data.parameters
    kind = int(p["type"].ravel()[i])
    if kind not in CHANNELS:
        raise InputError(f"{where}: type {kind} is not known; types 1 to 4 are, so export it as type 2.")
    numbers = np.atleast_2d(p["channel"])[i].astype(int)[: CHANNELS[kind]]
    if numbers.size < CHANNELS[kind] or numbers.min() < 1 or numbers.max() > data.analog.shape[1]:
        raise InputError(
            f"{where}: type {kind} needs {CHANNELS[kind]} channels, FORCE_PLATFORM:CHANNEL names {numbers.tolist()} "
            f"of {data.analog.shape[1]}; correct it."
        )
    channels = data.analog[:, numbers - 1].copy()
    said = list(notes)
    cal = None
    if kind == 4:
        if "cal_matrix" not in p:
            raise InputError(f"{where}: type 4 needs FORCE_PLATFORM:CAL_MATRIX; write it into the file.")
        # The file holds columns one after another, so the reader's rows are the matrix's columns.
        cal = _of_plate(p, "cal_matrix", (6, 6), i, where).T.copy()
        cal[3:] *= metre
    elif kind == 1 or kind == 2:
        channels[:, 3:6] *= metre
    origin = _of_plate(p, "origin", (3,), i, where) * metre if "origin" in p else np.zeros(3)
    if "origin" not in p:
        said.append("no ORIGIN: the moments are taken about the middle of the surface")
    elif kind in (2, 4):
        origin, turned = flip_origin(origin)
        if turned:
            said.append("ORIGIN pointed down and was turned over: the surface lies above the origin")
    elif kind == 3 and origin[2] > 0.0:
        origin = origin * np.array([1.0, 1.0, -1.0])
        said.append("ORIGIN(3) pointed down and was turned over: the surface lies above the sensors")
    channels, zero_note = _without_zero(channels, data, kind, cal, zero)
    said.append(zero_note)
    own = wrench(kind, channels, origin, cal)
    corners = _of_plate(p, "corners", (4, 3), i, where) * metre if "corners" in p else np.zeros((4, 3))
    if not np.any(corners):
        said.append("no CORNERS: the place of the plate is not known, so no pressure is given")
        return C3dPlate(own, own, None, None, tuple(said))
    try:
        centre, axes = plate_axes(corners)
    except InputError as error:
        raise InputError(f"{where}: {error}") from None
    return C3dPlate(own.turned(axes), own, centre, axes, tuple(said))


def _of_plate(p: dict[str, FloatArray], name: str, shape: tuple[int, ...], i: int, where: str) -> FloatArray:
    """Part of a parameter that describes platform i."""
    each = int(np.prod(shape))
    if p[name].size < (i + 1) * each:
        raise InputError(
            f"{where}: FORCE_PLATFORM:{name.upper()} holds {p[name].size} numbers, {(i + 1) * each} are needed; "
            "export it again."
        )
    return p[name].ravel()[i * each : (i + 1) * each].reshape(shape)


def _unit(data: C3dData) -> tuple[float, str]:
    """Metres per unit of length, and how that is known."""
    name = str(data.meta["point_units"]).strip().lower()
    if name in _UNIT_M:
        return _UNIT_M[name], f"lengths and moments are in {name} and N {name}, as POINT:UNITS says"
    corners = data.parameters.get("corners")
    in_mm = corners is None or float(np.abs(corners).max()) > 20.0
    guess = "mm" if in_mm else "m"
    return _UNIT_M[guess], f"POINT:UNITS is missing; {guess} was assumed from the size of the plate"


def _without_zero(
    channels: FloatArray, data: C3dData, kind: int, cal: FloatArray | None, zero: bool
) -> tuple[FloatArray, str]:
    frames = data.parameters.get("zero")
    if not zero:
        return channels, "the zero of the plate was left as it is"
    if frames is None or frames.size < 2 or frames.ravel()[1] < 1 or frames.ravel()[0] > frames.ravel()[1]:
        return channels, "the file names no ZERO frames; the zero of the plate was left as it is"
    first, last = (int(f) for f in frames.ravel()[:2])
    # The numbers count the samples of the plate from 1 (the text of the format says frames; see the notes).
    begin, end = max(first - 1, 0), min(last, channels.shape[0])
    part = channels[begin:end]
    to_vertical = {3: np.array([0.0] * 4 + [1.0] * 4)}.get(kind, np.eye(6)[2] if cal is None else cal[2])
    part_force = part @ to_vertical
    label = f"ZERO frames {first} to {last}"
    if part.shape[0] == 0:
        return channels, f"{label} lie outside the recording; the zero of the plate was left as it is"
    if np.ptp(part_force) > UNLOADED_N or abs(float(part_force.mean())) > 4.0 * UNLOADED_N:
        mean = float(part_force.mean())
        return channels, f"the plate is loaded in the {label} ({mean:.0f} N); its zero was left as it is"
    return channels - part.mean(axis=0), f"the mean of the {label} was subtracted as the zero of the plate"


# --------------------------------------------------------------------------------------------- lifter's axes


def _components(path: Path, data: C3dData, plates: list[C3dPlate], forward: Axis | None) -> Stream:
    """Stream of six components a plate, in the lifter's axes."""
    up, up_note = _up(data, plates)
    ahead, ahead_note = _ahead(up, forward, path.name)
    frame = np.column_stack([ahead, np.cross(up, ahead), up])
    middle = np.mean([p.centre_m for p in plates if p.centre_m is not None], axis=0)
    raw: dict[str, FloatArray] = {}
    channels: list[Channel] = []
    described: list[Plate] = []
    notes = [up_note, ahead_note]
    for i, p in enumerate(plates):
        assert p.centre_m is not None
        force = p.lab.force_n @ frame
        moment = p.lab.moment_nm @ frame
        sign, sign_note = _sign(force[:, 2])
        names = {f"{n}_{'xyz'[a]}": f"p{i + 1} {n[0]}{'xyz'[a]}" for n in ("force", "moment") for a in range(3)}
        for (place, name), values in zip(names.items(), sign * np.hstack([force, moment]).T, strict=True):
            raw[name] = values.copy()
            channels.append(Channel(name=name, unit="N" if place.startswith("force") else "N m"))
        offset = (p.centre_m - middle) @ frame
        table = {"kind": "components", "centre_m": (float(offset[0]), float(offset[1])), **names}
        described.append(msgspec.convert(table, Plate))
        notes += [f"platform {i + 1}: {n}" for n in (*p.notes, sign_note)]
    return _stream(path, data, channels, described, raw, notes)


def _vertical_only(path: Path, data: C3dData, plates: list[C3dPlate]) -> Stream:
    """Stream of the vertical force alone, for files without geometry."""
    raw: dict[str, FloatArray] = {}
    channels, described, notes = [], [], []
    for i, p in enumerate(plates):
        sign, sign_note = _sign(p.plate.force_n[:, 2])
        name = f"p{i + 1} fz"
        raw[name] = sign * p.plate.force_n[:, 2]
        channels.append(Channel(name=name, unit="N"))
        described.append(Plate(kind="vertical", force_z=name))
        notes += [f"platform {i + 1}: {n}" for n in (*p.notes, sign_note)]
    return _stream(path, data, channels, described, raw, notes)


def _stream(
    path: Path,
    data: C3dData,
    channels: list[Channel],
    plates: list[Plate],
    raw: dict[str, FloatArray],
    notes: list[str],
) -> Stream:
    device = DeviceFile(
        name=f"force platforms of {path.name}",
        kind="plate",
        channels=tuple(channels),
        plates=tuple(plates),
        time=TimeAxis(rate_hz=data.rate_hz),
    )
    t_s = np.arange(data.analog.shape[0]) / data.rate_hz
    sound = np.logical_and.reduce([np.isfinite(values) for values in raw.values()])
    if not sound.all():
        notes.append(f"{int(np.count_nonzero(~sound))} samples hold no finite number and were left out")
        t_s, raw = t_s[sound], {name: values[sound] for name, values in raw.items()}
    odd = [f"the file is not as its header says: {o}" for o in data.meta["odd"]]
    return Stream(t_s, raw, device, path.name, "rate", tuple(dict.fromkeys([*notes, *odd])))


def _up(data: C3dData, plates: list[C3dPlate]) -> tuple[FloatArray, str]:
    """Direction away from the surface, to the lifter."""
    first = plates[0]
    assert first.axes is not None
    assert first.centre_m is not None
    z = first.axes[:, 2]
    metre, _ = _unit(data)
    heights = (data.points * metre - first.centre_m) @ z
    heights = heights[np.isfinite(heights)]
    side = float(np.median(heights)) if heights.size else 0.0
    if abs(side) > 0.05:
        up = z if side > 0.0 else -z
        return up, f"up is the laboratory's {_axis_name(up)}, the side of the plate on which the markers are"
    return -z, f"up is the laboratory's {_axis_name(-z)}, against the plate's z axis, as the format has it"


def _ahead(up: FloatArray, forward: Axis | None, source: str) -> tuple[FloatArray, str]:
    vertical = int(np.argmax(np.abs(up)))
    assumed = forward is None
    name: str = forward or ("x" if vertical != 0 else "y")
    wanted = np.zeros(3)
    wanted["xyz".index(name[-1])] = -1.0 if name.startswith("-") else 1.0
    flat = wanted - (wanted @ up) * up
    if np.linalg.norm(flat) < 0.5:
        raise InputError(f'{source}: forward = "{name}" is the vertical of this laboratory; name another axis.')
    how = "assumed; the lifter may face another way" if assumed else "as asked for"
    return flat / np.linalg.norm(flat), f"forward is the laboratory's {_axis_name(wanted)} ({how})"


def _axis_name(direction: FloatArray) -> str:
    i = int(np.argmax(np.abs(direction)))
    return f"{'+' if direction[i] > 0 else '-'}{'xyz'[i]}"


def _sign(force_up_n: FloatArray) -> tuple[float, str]:
    """+1 if the numbers are the force on the lifter, -1 if on the plate."""
    loaded = force_up_n[np.abs(force_up_n) > LOADED_N]
    if loaded.size == 0:
        return 1.0, "the plate was never loaded, so the sign of its force is not checked"
    if float(np.median(loaded)) > 0.0:
        return 1.0, "the numbers are the force on the lifter"
    return -1.0, "the numbers are the force on the plate and were turned over"


def _why(done: subprocess.CompletedProcess[str]) -> str:
    if done.returncode < 0:
        return f"its reader crashed with signal {-done.returncode}"
    last = done.stderr.strip().splitlines()[-1:] or ["no reason given"]
    return last[0][:160].rstrip(".")
