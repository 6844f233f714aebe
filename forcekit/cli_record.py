"""The commands for live devices: record, replay, devices, recover."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from forcekit.cli_options import DEVICE_WORDS, CardOption

if TYPE_CHECKING:
    import threading

    from forcekit.acquire.capture import LinkState, Planned
    from forcekit.acquire.take import Take
    from forcekit.cli_desk import Desk
    from forcekit.cli_status import Now
    from forcekit.model import AttemptCard, Recording

__all__ = ["register"]

VIRTUAL = ("virtual", "virtual-ble")
TURN_S = 0.2
"""Time between two pictures of the display."""
PLAIN_EVERY_S = 5.0
"""Time between two lines without a display; a change is told at once."""

_NO_SAMPLE = {"connected": "it is open but sends nothing", "silent": "it is open but sends nothing"}

DevicesOption = Annotated[
    list[str] | None,
    typer.Option(
        "--device",
        metavar="DEVICE",
        help=DEVICE_WORDS + "virtual (plate) or virtual-ble (plate and bar); may be repeated.",
    ),
]


def register(app: typer.Typer) -> None:
    """Add the commands to the command line."""
    app.command()(record)
    app.command()(replay)
    app.command()(devices)
    app.command()(recover)


def record(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Name of the recording; the suffix is added.")],
    device: DevicesOption = None,
    card: CardOption = None,
    load: Annotated[float | None, typer.Option(help="Bar with plates, in kg.")] = None,
    athlete: Annotated[str | None, typer.Option(help="Name or pseudonym of the lifter.")] = None,
    movement: Annotated[str | None, typer.Option(help="jerk, push press, push jerk, jump dip or dip only.")] = None,
    seconds: Annotated[float | None, typer.Option(help="Stop after this many seconds of signal.")] = None,
    plain: Annotated[bool, typer.Option("--plain", help="Lines of text instead of a display.")] = False,
) -> None:
    """Record from live devices.

    What was sent is on disk, whatever happens to cable, radio or program.
    """
    from forcekit.cli import _card
    from forcekit.errors import DeviceError
    from forcekit.model import AttemptCard

    said = {"athlete": athlete, "load_kg": load, "movement": movement}
    said = {name: value for name, value in said.items() if value is not None}
    path = _journal_name(out, seconds)
    with ExitStack() as stack:
        stop = stack.enter_context(_signals())
        planned, invented = _opened(device or [], stack)
        first = _card(card, said) if card is not None or invented is None else _card(None, _told(invented) | said)
        desk = _desk(path, planned, first, stack)
        _run(desk, stop, seconds, plain)
        if desk.capture.failure:
            raise DeviceError(f"{desk.capture.failure} `forcekit recover {desk.capture.path}` finishes that file.")
        _finish(desk, has_card=first != AttemptCard())


def _journal_name(out: Path, seconds: float | None) -> Path:
    from forcekit.acquire.recorder import JOURNAL_SUFFIX
    from forcekit.errors import InputError

    if seconds is not None and not seconds > 0.0:
        raise InputError(f"--seconds {seconds:g}: a number above 0 is needed.")
    if out.name in ("", ".."):
        raise InputError(f"{out}: this names a folder; name the recording itself, such as {out / 'session1'}.")
    if not out.parent.is_dir():
        raise InputError(f"{out}: there is no folder {out.parent}; make it or record elsewhere.")
    if out.suffix in (".parquet", ".npz", JOURNAL_SUFFIX):
        return out.with_suffix(JOURNAL_SUFFIX)
    return out.with_name(out.name + JOURNAL_SUFFIX)


def _opened(words: Sequence[str], stack: ExitStack) -> tuple[list[Planned], AttemptCard | None]:
    """Devices the words name, and the invented lifter's card when a virtual one is among them."""
    from forcekit.acquire.named_devices import planned_of
    from forcekit.errors import InputError

    if not words:
        raise InputError(
            "no device was named; say --device PORT, --device ble:NAME or --device virtual, and let "
            "`forcekit devices` list what is in reach."
        )
    if len(set(words)) < len(words):
        raise InputError(f"--device names {max(words, key=words.count)} twice; name each device once.")
    virtual = [w for w in words if w in VIRTUAL]
    if len(virtual) > 1:
        raise InputError("virtual and virtual-ble play the same session; name one of them.")
    planned = [planned_of(w) for w in words if w not in VIRTUAL]
    if not virtual:
        return planned, None
    from forcekit.acquire.replay import replay

    radio = virtual[0] == "virtual-ble"
    session = _virtual_session(bar=radio)
    played = stack.enter_context(replay(session, loop=True, radio=radio))
    return [*played, *planned], session.card


def _virtual_session(*, bar: bool) -> Recording:
    """Session of an invented lifter, played by the virtual devices: two jerks, the second lost in front."""
    from dataclasses import replace

    import numpy as np

    from forcekit.model import Recording
    from forcekit.simulate.bar_sensor import SimulatedBarSensor, record_bar
    from forcekit.simulate.faults import faulty_plan
    from forcekit.simulate.plan import LiftPlan
    from forcekit.simulate.sensors import PlateSensor, attempt_card, record_plate
    from forcekit.simulate.session import Step, same_lifter, simulate_session

    body = LiftPlan(body_mass_kg=71.2, stature_m=1.72, foot_length_m=0.258, bar_mass_kg=60.0, stance_s=1.6)
    lost = replace(same_lifter(faulty_plan("back_then_forward"), body), bar_mass_kg=60.0, stance_s=1.6)
    script = [
        Step(name="empty", seconds=1.0),
        Step(name="step on"),
        Step(name="unrack"),
        Step(name="walk out"),
        Step(name="lift", plan=body),
        Step(name="regrip"),
        Step(name="lift", plan=lost),
        Step(name="walk in"),
        Step(name="rerack"),
        Step(name="step off"),
        Step(name="empty", seconds=1.0),
    ]
    motion = simulate_session(script, body, 1)
    sensor = PlateSensor(rate_hz=1000.0, step_n=0.02, saturation_n=4000.0, noise_n=0.6)
    plate = record_plate(motion, sensor, 1).plate
    imu = SimulatedBarSensor(accel_noise=0.002, gyro_noise=0.0001, counts_per_unit=1000.0)
    card = attempt_card(motion, np.random.default_rng(1))
    return Recording(
        plate, record_bar(motion, replace(imu, gravity_mps2=motion.gravity_mps2), 1) if bar else None, card
    )


def _told(invented: AttemptCard) -> dict[str, object]:
    """What is known of the invented lifter before any attempt; the movement is left to the analysis."""
    import msgspec

    table = {k: v for k, v in msgspec.structs.asdict(invented).items() if k not in ("movement", "outcome", "note")}
    return {k: v for k, v in table.items() if v is not None} | {"athlete": "Ines Falkner (invented)"}


@contextmanager
def _signals() -> Iterator[threading.Event]:
    """Event that Ctrl-C and the system's wishes to end set; a second one does not disturb the finishing."""
    import signal
    import threading

    stop = threading.Event()
    names = [n for n in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, n)]
    before = {getattr(signal, n): signal.signal(getattr(signal, n), lambda *_: stop.set()) for n in names}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _desk(path: Path, planned: Sequence[Planned], card: AttemptCard, stack: ExitStack) -> Desk:
    from forcekit.cli_desk import open_desk

    desk = open_desk(path, planned, card)
    stack.callback(desk.capture.close)
    return desk


def _run(desk: Desk, stop: threading.Event, seconds: float | None, plain: bool) -> None:
    """Show the recording until it ends."""
    from forcekit.cli_desk import watch
    from forcekit.cli_keys import keystrokes

    with keystrokes() as (typed, has_keys):
        looks = watch(desk, typed, stop, seconds=seconds, turn_s=TURN_S)
        if plain or not sys.stdout.isatty():
            _show_plain(looks, has_keys)
        else:
            _show_live(looks, has_keys)


def _show_plain(looks: Iterator[Now], has_keys: bool) -> None:
    from forcekit.cli_status import KEYS, plain_line

    if has_keys:
        print(KEYS, flush=True)
    told_s, told = -PLAIN_EVERY_S, ""
    for now in looks:
        state = f"{now.message}{now.typing}{[(d.link.problem, d.sight and d.sight.stillness) for d in now.devices]}"
        if state != told or now.elapsed_s - told_s >= PLAIN_EVERY_S:
            told_s, told = now.elapsed_s, state
            print(plain_line(now), flush=True)


def _show_live(looks: Iterator[Now], has_keys: bool) -> None:
    from rich.console import Console
    from rich.live import Live
    from rich.text import Text

    from forcekit.cli_status import KEYS, now_lines

    foot = KEYS if has_keys else "Ctrl-C stops"
    with Live(console=Console(highlight=False), auto_refresh=False) as live:
        for now in looks:
            live.update(Text("\n".join([*now_lines(now), "", foot])), refresh=True)


def _finish(desk: Desk, *, has_card: bool) -> None:
    """Make the finished file and say where it is."""
    from forcekit.acquire.recording_file import read_take
    from forcekit.cli_status import byte_size
    from forcekit.errors import InputError

    capture = desk.capture
    capture.close()
    if not any(s.n_samples for s in capture.states()):
        heard = any(desk.heard.values()) or len(desk.cards) > int(has_card)
        problems = "; ".join(f"{s.source}: {_why_no_sample(s)}" for s in capture.states())
        if not heard:
            capture.path.unlink()
        kept = f" The journal {capture.path} was kept." if heard else ""
        raise InputError(f"no sample came ({problems}); check cable, power and device file.{kept}")
    path = capture.finish()
    print(f"recording written: {path} ({byte_size(path.stat().st_size)})")
    take = read_take(path)
    for line in [*_take_lines(take), *take.left_out]:
        print(f"  {line}")
    if take.left_out:
        print(f"  the journal {capture.path} was kept")
    print(f"next: forcekit analyze {path}")


def _why_no_sample(link: LinkState) -> str:
    from forcekit.cli_status import UNREADABLE

    return link.problem or (UNREADABLE if link.n_bad else _NO_SAMPLE.get(link.state, link.state))


def _take_lines(take: Take) -> list[str]:
    """What a take holds, a line for each device."""
    out = []
    for s in take.streams:
        t = s.t_s
        out.append(f"{s.device.name} ({s.source}): {t.size} samples in {float(t[-1] - t[0]):.1f} s")
        out += [f"  {note}" for note in s.notes]
    out += list(take.notes)
    if take.cards:
        done = sum(c.card.outcome is not None for c in take.cards)
        out.append(f"{len(take.cards)} attempt card{'' if len(take.cards) == 1 else 's'}, {done} with an outcome")
    return out


def replay(
    recording: Annotated[Path, typer.Argument(metavar="RECORDING", help="Any recording that analyze reads.")],
    device: Annotated[Path | None, typer.Option("--device", help="Device file, for a file that needs one.")] = None,
    bar: Annotated[Path | None, typer.Option(help="Recording of the sensor on the bar.")] = None,
    bar_device: Annotated[Path | None, typer.Option(help="Device file of the bar's sensor.")] = None,
    speed: Annotated[float, typer.Option(help="1 plays at the pace of the recording.")] = 1.0,
    loop: Annotated[bool, typer.Option("--loop", help="Begin anew at the end.")] = False,
    radio: Annotated[bool, typer.Option("--radio", help="As radio sensors instead of serial ports.")] = False,
) -> None:
    """Let a recording appear as a live device until Ctrl-C."""
    import os

    from forcekit.acquire.replay import replay as play
    from forcekit.acquire.source import read

    found = read(recording, device=device, bar=bar, bar_device=bar_device)
    with _signals() as stop, play(found, speed=speed, loop=loop, radio=radio) as planned:
        words = []
        for plan in planned:
            words.append(f'--device "ble:{plan.address}"' if plan.ble else f"--device {plan.address}")
            print(f"{'radio sensor' if plan.ble else 'serial port'}: {plan.address}")
        bus = f"DBUS_SYSTEM_BUS_ADDRESS={os.environ['DBUS_SYSTEM_BUS_ADDRESS']} " if radio else ""
        print(f"it begins when somebody listens: {bus}forcekit record OUT {' '.join(words)}")
        print("Ctrl-C ends it", flush=True)
        stop.wait()


def devices(
    radio_seconds: Annotated[float, typer.Option(help="How long to listen for radio sensors; 0: not at all.")] = 5.0,
) -> None:
    """List serial ports and radio sensors in reach."""
    from forcekit.acquire.ble import scan
    from forcekit.acquire.serial_port import list_ports
    from forcekit.errors import DeviceError

    print("serial ports")
    try:
        ports = list_ports()
        for name, words in ports:
            print(f"  {name:<24} {words}")
        if not ports:
            print("  none; plug the device in, and look at the cable: some carry power only.")
    except DeviceError as error:
        print(f"  {error}")
    if radio_seconds <= 0.0:
        return
    print(f"radio sensors heard within {radio_seconds:g} s")
    try:
        heard = scan(radio_seconds)
        for address, name, dbm in heard:
            print(f"  {f'ble:{name or address}':<24} {address}  {dbm} dBm")
        if not heard:
            print("  none; switch the sensor on and bring it near.")
    except DeviceError as error:
        print(f"  {error}")


def recover(
    journal: Annotated[Path, typer.Argument(metavar="JOURNAL", help="A .forcelog that was left behind.")],
    device: Annotated[
        Path | None, typer.Option("--device", help="Corrected device file of the plate, in place of the journal's.")
    ] = None,
    bar_device: Annotated[Path | None, typer.Option(help="Corrected device file of the bar's sensor.")] = None,
) -> None:
    """Finish the journal of a recording that was cut short.

    What did not fit its device file is read with a corrected one.
    """
    from forcekit.acquire.recover import recover as finish

    found = finish(journal, device=device, bar_device=bar_device)
    print(f"recording written: {found.path}")
    print("  kept:")
    for line in _take_lines(found.take):
        print(f"    {line}")
    if found.n_damaged_bytes:
        print(f"  lost: {found.n_damaged_bytes} bytes of the journal were torn or damaged")
    else:
        print("  lost: nothing that had been written")
    if not found.was_closed:
        print("  the recording was not stopped in good order; what the device sent afterwards was never written")
    for sentence in found.take.left_out:
        print(f"  not read: {sentence}")
    again = "keep it for what was not read, and recover it again with a corrected file (--device, --bar-device)"
    when = again if found.take.left_out else "remove it when the new file is good"
    print(f"  {journal} was left as it is; {when}")
    print(f"next: forcekit analyze {found.path}")
