"""A sensor without hardware: any recording played as frames through a real pseudo-terminal.

The same bytes go the same way as those of a real sensor: port, pyserial, journal, decoder. It is used to try the
program, to show it, and to play a recording again at any speed.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
import threading
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
import numpy.typing as npt

from forcekit.acquire.arrival import host_now
from forcekit.acquire.device_file import device_text
from forcekit.acquire.receive import Receiver, receive
from forcekit.acquire.wire import (
    Answer,
    Command,
    CommandCode,
    Result,
    Status,
    encode,
    encode_description,
    encode_samples,
)
from forcekit.errors import DeviceError, InputError
from forcekit.model import Channel, DeviceFile, FloatArray, Link, Stream, TimeAxis

__all__ = ["Player", "Start", "VirtualSerial", "wire_form"]

_STEPS = 2**22
"""Steps into which the range of a channel with broken numbers is cut, when it has to be sent as whole ones."""

SEND_BUFFER = 65536
"""Bytes the virtual sensor keeps while the line is full; what comes on top is thrown away and counted (our choice)."""

_STATUS_EVERY_S = 1.0


def wire_form(stream: Stream, link: Link) -> tuple[DeviceFile, npt.NDArray[np.int64], int]:
    """Device file, whole numbers of shape (n, k) and bytes a number with which a stream can be sent.

    Parameters
    ----------
    stream : Stream
    link : Link
        How the virtual sensor is reached.

    Notes
    -----
    Whole numbers within 32 bits go as they are. Others are cut into 2^22 steps over their range, and the scale
    in the device file makes up for it: the value in newtons is the same up to half a step.
    """
    channels, columns = [], []
    for channel in stream.device.channels:
        made, numbers = _whole(channel, stream.raw[channel.name])
        channels.append(made)
        columns.append(numbers)
    raw = np.stack(columns, axis=1)
    width = next(w for w in (2, 3, 4) if np.abs(raw).max() < 2 ** (8 * w - 1))
    rate_hz = 1.0 / float(np.median(np.diff(stream.t_s)))
    device = msgspec.structs.replace(
        stream.device,
        table=type(stream.device.table)(),
        time=TimeAxis(rate_hz=round(rate_hz, 6)),
        channels=tuple(channels),
        link=link,
    )
    return device, raw, width


def _whole(channel: Channel, numbers: FloatArray) -> tuple[Channel, npt.NDArray[np.int64]]:
    plain = msgspec.structs.replace(channel, column=None)
    if not np.all(np.isfinite(numbers)):
        raise InputError(
            f'channel "{channel.name}" holds numbers that are none; cut the recording there before it is played.'
        )
    if np.all(numbers == np.rint(numbers)) and np.abs(numbers).max() < 2**31:
        return plain, numbers.astype(np.int64)
    step = max(float(np.abs(numbers - channel.offset).max()), 1e-12) / _STEPS
    limits = [
        None if v is None else float(np.rint((v - channel.offset) / step)) for v in (channel.lowest, channel.highest)
    ]
    made = msgspec.structs.replace(plain, scale=channel.scale * step, offset=0.0, lowest=limits[0], highest=limits[1])
    return made, np.rint((numbers - channel.offset) / step).astype(np.int64)


@dataclass(slots=True)
class Start:
    """When playing began, on the laptop's clock; players that share one begin together at the first start command."""

    at_s: float | None = None


class Player:
    """A sensor that plays a stream; it has no port and no clock of its own, time is given to it.

    Parameters
    ----------
    stream : Stream
    link : Link
        Stands in the description it gives of itself.
    speed : float
        1 plays at the pace of the recording.
    drift : float
        Its clock's gain over true time, as a fraction.
    boot_us : int, microsecond
        Its clock at the first sample.
    loop : bool
        Begin anew at the end, with clock and index running on.
    start : Start, optional
        Shared with other players of one recording.
    first_s, round_s : float, second
        When the first sample comes after the start, and after what time a loop begins anew.
    """

    def __init__(
        self,
        stream: Stream,
        link: Link,
        *,
        speed: float = 1.0,
        drift: float = 0.0,
        boot_us: int = 0,
        loop: bool = False,
        start: Start | None = None,
        first_s: float = 0.0,
        round_s: float | None = None,
    ) -> None:
        if stream.t_s.size < 2:
            raise InputError(f"{stream.source}: a recording of one sample cannot be played; give a longer one.")
        self.device, self._raw, self._width = wire_form(stream, link)
        step_s = float(np.median(np.diff(stream.t_s)))
        from_first_s = stream.t_s - stream.t_s[0]
        self._t_s = from_first_s + first_s
        self._number = np.rint(from_first_s / step_s).astype(np.int64)
        self._round_s = round_s or float(from_first_s[-1]) + step_s
        self._round_n = max(round(self._round_s / step_s), int(self._number[-1]) + 1)
        self._speed, self._drift, self._boot_us, self._loop = speed, drift, boot_us, loop
        self._description = b"".join(encode_description(device_text(self.device)))
        self._receiver = Receiver()
        self._start = start or Start()
        self._on = False
        self._rounds = 0
        self._next = 0
        self.n_sent = 0
        self.n_overruns = 0
        self._status_s = -np.inf

    @property
    def done(self) -> bool:
        """The recording was played to its end."""
        return self._on and not self._loop and self._next >= self._t_s.size

    def hear(self, data: bytes, now_s: float) -> bytes:
        """Answers to what the laptop sent."""
        frames, self._receiver = receive(data, self._receiver)
        return b"".join(self._obey(f, now_s) for f in frames if isinstance(f, Command))

    def due(self, now_s: float) -> list[bytes]:
        """Frames that are due until now."""
        if not self._on:
            return []
        frames = []
        played_s = self._played_s(now_s)
        while self._next < self._t_s.size:
            at_s = self._rounds * self._round_s + float(self._t_s[self._next])
            if at_s > played_s:
                break
            frames.append(
                encode_samples(
                    self._raw[self._next : self._next + 1],
                    index=self._rounds * self._round_n + int(self._number[self._next]),
                    device_us=self._clock_us(at_s),
                    width=self._width,
                )
            )
            self._next += 1
            if self._loop and self._next == self._t_s.size:
                self._next, self._rounds = 0, self._rounds + 1
        self.n_sent += len(frames)
        if now_s - self._status_s > _STATUS_EVERY_S:
            self._status_s = now_s
            frames.append(self._status(played_s))
        return frames

    def throw_away(self, n_frames: int) -> None:
        """Count frames that found no room: the line is full."""
        self.n_overruns += n_frames

    def restart(self) -> None:
        """Be as after a loss of power: silent, clock and index at their start."""
        self._on, self._start, self._next, self._rounds = False, Start(), 0, 0
        self._receiver = Receiver()

    def _played_s(self, now_s: float) -> float:
        return 0.0 if self._start.at_s is None else (now_s - self._start.at_s) * self._speed

    def _clock_us(self, at_s: float) -> int:
        return self._boot_us + round(at_s * (1.0 + self._drift) * 1e6)

    def _status(self, played_s: float) -> bytes:
        status = Status(self._clock_us(played_s), self.n_sent, self.n_overruns, 0, 3.9, 24.0, streaming=self._on)
        return encode(status)

    def _obey(self, command: Command, now_s: float) -> bytes:
        before = b""
        result = Result.DONE
        if command.code == CommandCode.DESCRIBE:
            before = self._description
        elif command.code == CommandCode.START:
            # A second start while playing goes on: the laptop greets until it hears something.
            self._on = True
            self._start.at_s = now_s if self._start.at_s is None else self._start.at_s
        elif command.code == CommandCode.STOP:
            self._on, self._start, self._next, self._rounds = False, Start(), 0, 0
        elif command.code == CommandCode.STATUS:
            before = self._status(self._played_s(now_s))
        elif command.code != CommandCode.IDENTIFY:
            result = Result.UNKNOWN
        return before + encode(Answer(command.code, command.token, result, self._clock_us(self._played_s(now_s))))


class VirtualSerial:
    """A virtual sensor behind a pseudo-terminal of the system, as a context manager.

    Parameters
    ----------
    player : Player

    Attributes
    ----------
    port : str
        Name to open, the same after `unplug` and `plug_in`.
    """

    def __init__(self, player: Player) -> None:
        try:
            import pty  # noqa: F401
        except ImportError:
            raise DeviceError(
                "this system has no pseudo-terminals, so there is no virtual serial device here; use Linux or macOS."
            ) from None
        self.player = player
        self._folder = tempfile.mkdtemp(prefix="virtual-")
        self.port = str(Path(self._folder) / "port")
        self._fds: tuple[int, int] | None = None
        self._pending = bytearray()
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="virtual device", daemon=True)
        self.plug_in()
        self._thread.start()

    def plug_in(self) -> None:
        """Make the port appear."""
        import pty
        import tty

        with self._lock:
            if self._fds is not None:
                return
            master, slave = pty.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)
            os.symlink(os.ttyname(slave), self.port)
            self._fds = (master, slave)

    def unplug(self, *, power_lost: bool = False) -> None:
        """Make the port vanish as if the cable was pulled; with `power_lost` the sensor starts anew later."""
        with self._lock:
            if self._fds is not None:
                for fd in self._fds:
                    os.close(fd)
                self._fds = None
                self._pending.clear()
                os.unlink(self.port)
            if power_lost:
                self.player.restart()

    def close(self) -> None:
        """End it; calling it twice is allowed."""
        self._stop.set()
        self._thread.join(timeout=2.0)
        self.unplug()
        with contextlib.suppress(OSError):
            os.rmdir(self._folder)

    def __enter__(self) -> VirtualSerial:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _run(self) -> None:
        while not self._stop.wait(0.004):
            with self._lock:
                self._turn(host_now())

    def _turn(self, now_s: float) -> None:
        if self._fds is None:
            self.player.throw_away(len(self.player.due(now_s)))
            return
        master = self._fds[0]
        with contextlib.suppress(OSError):  # nothing was sent to it, or nobody has the port open
            self._pending += self.player.hear(os.read(master, 4096), now_s)
        frames = self.player.due(now_s)
        if len(self._pending) > SEND_BUFFER:
            self.player.throw_away(len(frames))
        else:
            self._pending += b"".join(frames)
        with contextlib.suppress(OSError):  # the line is full, or nobody has the port open
            while self._pending:
                del self._pending[: os.write(master, self._pending[:4096])]
