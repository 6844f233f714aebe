"""The commands for accuracy: calibrate-plate, check-plate, calibrate-bar, noise."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from forcekit.cli_options import DEVICE_WORDS

if TYPE_CHECKING:
    from forcekit.acquire.placements import MassPlan
    from forcekit.mechanics.plate_calibration import Reading
    from forcekit.model import DeviceFile, FloatArray, Stream

__all__ = ["register"]

PlateOption = Annotated[int, typer.Option(help="Which plate of the device, from 1.", min=1)]
DeviceOption = Annotated[
    Path | None,
    typer.Option("--device", help="Device file (TOML); left out, the recording's own or the one beside it."),
]
NewOption = Annotated[Path, typer.Option("--output", "-o", help="Device file to be written; a new name.")]


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command("calibrate-plate")(calibrate_plate)
    app.command("check-plate")(check_plate)
    app.command("calibrate-bar")(calibrate_bar)
    app.command("noise")(noise)


def calibrate_plate(
    output: NewOption,
    recording: Annotated[
        Path | None,
        typer.Argument(metavar="RECORDING", help="Recording of all placements, or a CSV of readings taken by hand."),
    ] = None,
    masses: Annotated[
        str | None,
        typer.Option(help="Plan (TOML or CSV) of the placements; or masses such as 20,60 for 3 by 3 places."),
    ] = None,
    device: DeviceOption = None,
    live: Annotated[
        str | None,
        typer.Option(help="Take the readings now, guided, from this device: " + DEVICE_WORDS.rstrip(", ") + "."),
    ] = None,
    hold: Annotated[float, typer.Option(help="With --live: seconds of each reading.", min=0.1)] = 3.0,
    plate: PlateOption = 1,
) -> None:
    """Fit the gains of a four-cell plate from known masses.

    A new device file is written.
    """
    from forcekit.acquire.device_file import save_device
    from forcekit.cli_calibrate_words import plate_lines, refusal
    from forcekit.constants import local_gravity
    from forcekit.errors import InputError
    from forcekit.mechanics.plate_calibration import calibrate_plate as fit
    from forcekit.mechanics.plate_calibration import calibrated_device
    from forcekit.mechanics.plate_check import cells_of

    _check_new(output)
    if (recording is None) == (live is None):
        raise InputError("calibrate-plate needs either a RECORDING or --live DEVICE; say one of them.")
    if live is not None:
        from forcekit.cli_guided import guided_session

        timed = True
        described, readings, plan = guided_session(live, _masses_of(masses), output, plate - 1, hold)
    else:
        assert recording is not None
        described, readings, plan, timed = _placed(recording, device, masses, plate - 1)
    site = described.site
    found = fit(
        readings,
        cells_of(described, plate - 1),
        gravity_mps2=local_gravity(site.latitude_deg, site.height_m),
        mass_u_frac=plan.mass_u_frac,
        place_u_m=plan.place_u_m,
        timed=timed,
    )
    names = [c.channel for c in described.plates[plate - 1].cells]
    print("\n".join(plate_lines(found, names)))
    if not found.ok:
        raise InputError(refusal(found))
    made = calibrated_device(described, found, plate=plate - 1)
    save_device(made, output, [f"calibrated by forcekit on {_today()} from {len(readings)} readings"])
    print(f"device file written: {output}")


def _masses_of(masses: str | None) -> MassPlan | tuple[float, ...]:
    """Plan in a file, or masses for the grid."""
    from forcekit.acquire.placements import read_plan
    from forcekit.errors import InputError

    if masses is None:
        raise InputError("no masses were named; give --masses PLAN.toml, or --masses 20,60 for 3 by 3 places.")
    try:
        listed = tuple(float(m) for m in masses.split(","))
    except ValueError:
        return read_plan(masses)
    if not all(0.0 < m <= 1000.0 for m in listed):
        raise InputError(f"--masses {masses}: masses are above 0 and up to 1000 kg.")
    return listed


def _placed(
    recording: Path, device: Path | None, masses: str | None, plate: int
) -> tuple[DeviceFile, tuple[Reading, ...], MassPlan, bool]:
    """Device, readings and plan of a recording or a table of readings, and whether the readings have times."""
    from forcekit.acquire.device_file import load_device
    from forcekit.acquire.placements import MassPlan, read_plan, read_readings
    from forcekit.mechanics.plate_check import cells_of, counts_of, stored_gains
    from forcekit.mechanics.still_loads import DEAD_LOAD_FRAC, readings_of, still_loads

    if device is not None:
        described = load_device(device)
        cells_of(described, plate)
        by_hand = read_readings(recording, [c.channel for c in described.plates[plate].cells])
        if by_hand is not None:
            readings, timed = by_hand
            return described, readings, read_plan(masses) if masses else MassPlan(placed=()), timed
    stream = _stream(recording, device, "plate")
    cells = cells_of(stream.device, plate)
    plan = plan_of(_masses_of(masses), cells)
    counts, rate_hz = counts_of(stream, plate)
    span = counts.max(axis=0) - counts.min(axis=0)
    loads = still_loads(counts, rate_hz, allowed=DEAD_LOAD_FRAC * span)
    scale = stored_gains(stream.device, plate).gains
    return stream.device, readings_of(loads, plan.placements, scale, recording.name), plan, True


def plan_of(masses: MassPlan | tuple[float, ...], cells_m: FloatArray) -> MassPlan:
    """Plan as given, or that of the grid."""
    from forcekit.acquire.placements import MassPlan, placed_on
    from forcekit.mechanics.still_loads import grid_plan

    return masses if isinstance(masses, MassPlan) else placed_on(grid_plan(masses, cells_m))


def check_plate(
    recording: Annotated[Path, typer.Argument(metavar="RECORDING", help="The empty plate, then the mass.")],
    mass: Annotated[float, typer.Option(help="Known mass, or the lifter's scale weight, in kg.")],
    device: DeviceOption = None,
    mass_u: Annotated[
        float, typer.Option(help="Its standard uncertainty in kg (0.3 for a bathroom scale).", min=0.0)
    ] = 0.05,
    at: Annotated[str | None, typer.Option(help="Where its middle stands: X,Y in cm from the plate's middle.")] = None,
    history: Annotated[Path | None, typer.Option(help="CSV that keeps all checks of this plate.")] = None,
    plate: PlateOption = 1,
) -> None:
    """Check the plate with one known mass.

    It takes the minute before every session.
    """
    from forcekit.cli_calibrate_words import check_lines
    from forcekit.errors import InputError
    from forcekit.mechanics.plate_check import check_plate as check

    stream = _stream(recording, device, "plate")
    found = check(stream, mass, mass_u_kg=mass_u, at_m=_place(at), plate=plate - 1)
    print("\n".join(check_lines(found, mass, mass_u)))
    if history is not None:
        from forcekit.acquire.check_file import CheckRow, add_check
        from forcekit.mechanics.check_history import check_trend
        from forcekit.mechanics.plate_check import own_u_frac

        name = stream.device.name + (f" {stream.device.serial}" if stream.device.serial else "")
        row = CheckRow(
            _made_at(recording), name if plate == 1 else f"{name} plate {plate}", mass, mass_u, found.mass_kg,
            found.error_frac, found.error_u_frac, own_u_frac(found, stream.device, plate - 1), found.zero_shift_n,
            found.verdict,
        )  # fmt: skip
        sound = [r for r in add_check(history, row) if r.verdict != "bad"]
        trend = check_trend([r.day for r in sound], [r.error_frac for r in sound], [r.own_u_frac for r in sound])
        print(f"  history  {trend.sentence}")
    if found.verdict == "bad":
        raise InputError(f"the plate failed its check: {found.sentence}")


def _place(at: str | None) -> tuple[float, float] | None:
    from forcekit.errors import InputError

    if at is None:
        return None
    try:
        x, y = (float(v) / 100.0 for v in at.split(","))
        if not (math.isfinite(x) and math.isfinite(y)):
            raise ValueError
    except ValueError:
        raise InputError(f'--at "{at}": two numbers in cm with a comma between are needed, such as 10,-5.') from None
    return x, y


def calibrate_bar(
    recording: Annotated[Path, typer.Argument(metavar="RECORDING", help="The sensor laid still in many positions.")],
    output: NewOption,
    device: DeviceOption = None,
) -> None:
    """Find bias, scale and misalignment of a bar sensor.

    It is laid still in many positions; a new device file is written.
    """
    from forcekit.acquire.device_file import save_device
    from forcekit.cli_calibrate_words import bar_lines
    from forcekit.mechanics.bar_calibration import calibrate_bar as fit
    from forcekit.mechanics.bar_calibration import device_with

    _check_new(output)
    stream = _stream(recording, device, "bar")
    made = f"{_today()}, still positions in {recording.name}"
    found = fit(stream, made=made)
    print("\n".join(bar_lines(found)))
    save_device(device_with(stream.device, found.calibration), output)
    print(f"device file written: {output}")


def noise(
    recording: Annotated[Path, typer.Argument(metavar="RECORDING", help="The sensor at rest, ten minutes or more.")],
    device: DeviceOption = None,
    output: Annotated[Path | None, typer.Option("--output", "-o", help="Write a new device file with it.")] = None,
) -> None:
    """Find the noise of a bar sensor from a long rest.

    By the Allan deviation of its readings.
    """
    from forcekit.cli_calibrate_words import noise_lines
    from forcekit.errors import InputError
    from forcekit.mechanics.bar_calibration import bar_noise, device_with, with_noise

    if output is not None:
        _check_new(output)
    stream = _stream(recording, device, "bar")
    found = bar_noise(stream)
    print("\n".join(noise_lines(found)))
    if output is None:
        return
    if not found.accel_noise:
        raise InputError("the white noise was not seen, so there is nothing to keep; record longer.")
    from forcekit.acquire.device_file import save_device

    bar = stream.device.bar
    kept = with_noise(bar.calibration if bar else None, found, made=f"{_today()}, noise in {recording.name}")
    save_device(device_with(stream.device, kept), output)
    print(f"device file written: {output}")


# ----------------------------------------------------------------------------------------------------- in common


def _stream(path: Path, device: Path | None, kind: Literal["plate", "bar"]) -> Stream:
    """Stream of one kind in a recording; a device file that is named takes the place of the recording's own."""
    from dataclasses import replace

    from forcekit.acquire.device_file import load_device
    from forcekit.acquire.source import READERS, WHOLE, device_for, read, read_stream
    from forcekit.acquire.toml_file import check_is_file
    from forcekit.errors import InputError

    if path.suffix.lower() in WHOLE:
        recording = read(path)
        stream = recording.plate if kind == "plate" else recording.bar
        if stream is None:
            raise InputError(f"{path.name}: there is no {kind} in this recording; name one that has it.")
        if device is not None:
            described = load_device(device)
            unknown = [c.name for c in described.channels if c.name not in stream.raw]
            if unknown:
                raise InputError(
                    f'{Path(device).name}: the recording {path.name} has no channel "{unknown[0]}"; it has '
                    f"{', '.join(stream.raw)}."
                )
            stream = replace(stream, device=described)
    else:
        if device is None and path.suffix.lower() in READERS:
            check_is_file(path)
            device = device_for(path, kind, option="--device")
        stream = read_stream(path, device, kind=kind)
    if stream.device.kind != kind:
        raise InputError(f'{path.name}: its device file "{stream.device.name}" does not describe a {kind}.')
    return stream


def _check_new(output: Path) -> None:
    from forcekit.errors import InputError

    if output.exists():
        raise InputError(f"{output}: there is such a file already; name another one or move it away.")
    if not output.parent.is_dir():
        raise InputError(f"{output}: there is no folder {output.parent}; make it or write elsewhere.")


def _today() -> str:
    import datetime

    return datetime.date.today().isoformat()


def _made_at(path: Path) -> str:
    """When a recording was started, in UTC; for a file that does not say, when it was last written."""
    import datetime

    from forcekit.acquire.recorder import JOURNAL_SUFFIX
    from forcekit.acquire.recording_file import read_take

    if path.suffix.lower() in (".parquet", ".npz", JOURNAL_SUFFIX):
        started = read_take(path).started
        if started:
            return started
    written = datetime.datetime.fromtimestamp(path.stat().st_mtime, datetime.UTC)
    return written.isoformat(timespec="seconds")
