"""Bytes from a serial port, in one thread that looks every 10 ms and opens the port again when it is lost."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from forcekit.acquire.arrival import Arrival, LinkEvent, Sink, host_now
from forcekit.acquire.watch import RETRY_S, Watch, heard, look
from forcekit.errors import DeviceError

if TYPE_CHECKING:
    from serial import Serial

__all__ = ["POLL_S", "SerialConnection", "list_ports"]

POLL_S = 0.01
"""Time between two looks at the port; adds at most this much delay and costs 4 % of a core at 4000 frames/s."""

START_S = 5.0
"""Longest wait for an answer after the port was opened, before it is opened again: many boards start anew when that
happens, and hear nothing for a second or two (our choice)."""

_AT_ONCE = 65536


def list_ports() -> list[tuple[str, str]]:
    """Serial ports of this laptop: name and what the system says of each."""
    _need_pyserial()
    from serial.tools import list_ports as ports

    return sorted((p.device, p.description) for p in ports.comports())


class SerialConnection:
    """Serial link that keeps itself open.

    Parameters
    ----------
    port : str
        Name of the port.
    device : int
        Number of the device in this recording.
    sink : callable
        Gets every `Arrival` and `LinkEvent`, from the link's thread.
    baud : int
    hello : bytes
        Sent each time the port has been opened, and each second while it is `unanswered`.
    unanswered : callable, optional
        Whether the device has not answered yet; left out, whatever comes is an answer.
    watch_data : bool
        Treat a port without data as lost, see `forcekit.acquire.watch`.
    """

    def __init__(
        self,
        port: str,
        device: int,
        sink: Sink,
        *,
        baud: int = 921600,
        hello: bytes = b"",
        unanswered: Callable[[], bool] | None = None,
        watch_data: bool = True,
    ) -> None:
        _need_pyserial()
        self.port, self.device, self.sink = port, device, sink
        self.baud, self.hello, self.watch_data = baud, hello, watch_data
        self._unanswered = unanswered
        self._stop = threading.Event()
        self._serial: Serial | None = None
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, name=f"serial {port}", daemon=True)

    def start(self) -> None:
        """Begin to connect and to hand over; returns at once."""
        self._thread.start()

    def send(self, data: bytes) -> bool:
        """Send bytes to the device; False when the link is not open."""
        with self._lock:
            if self._serial is None:
                return False
            try:
                self._serial.write(data)
            except _broken():
                return False
            return True

    def stop(self) -> None:
        """Close the link; nothing is handed over afterwards."""
        self._stop.set()
        if self._thread.is_alive() and self._thread is not threading.current_thread():
            self._thread.join(timeout=2.0)

    def _tell(self, what: str, text: str = "") -> None:
        if not self._stop.is_set():
            self.sink(LinkEvent(self.device, host_now(), what, text))  # type: ignore[arg-type]

    def _run(self) -> None:
        complaint = ""
        while not self._stop.is_set():
            try:
                port = self._open()
            except _not_opened() as error:
                if str(error) != complaint:
                    complaint = str(error)
                    self._tell("failed", complaint)
                self._stop.wait(RETRY_S)
                continue
            complaint = ""
            self._tell("connected")
            reason = self._read(port)
            with self._lock:
                self._serial = None
            try:
                port.close()
            except _broken():
                reason = reason or "the port could not be closed"
            self._tell("lost", reason)

    def _open(self) -> Serial:
        import serial

        port = serial.Serial(self.port, self.baud, timeout=0, write_timeout=1.0, exclusive=True)
        try:
            if self.hello:
                port.write(self.hello)
        except BaseException:
            port.close()  # it is opened for nobody else: the next attempt would find it taken by ourselves
            raise
        with self._lock:
            self._serial = port
        return port

    def _read(self, port: Serial) -> str:
        """Hand over what comes until the port is lost or stopped; gives the reason."""
        opened = greeted = now = host_now()
        watch = Watch(now, now)
        any_data = False
        while not self._stop.wait(POLL_S):
            try:
                data = port.read(_AT_ONCE)
                now = host_now()
                any_data = any_data or bool(data)
                unanswered = not any_data if self._unanswered is None else self._unanswered()
                if unanswered and self.hello and now - greeted > 1.0:
                    greeted = now
                    port.write(self.hello)
            except _broken() as error:
                return _plain(error)
            if data:
                verdict, watch = heard(watch, now)
                if verdict != "fine":
                    self._tell(verdict)
                self.sink(Arrival(self.device, now, data))
                continue
            verdict, watch = look(watch, now)
            if verdict in ("silent", "asleep"):
                self._tell(verdict)
            elif verdict == "dead" and self.watch_data and not (unanswered and now - opened < START_S):
                return "no data for 2 s"
        return "stopped"


def _broken() -> tuple[type[BaseException], ...]:
    """Give what a port that is gone may raise: pyserial's error is an OSError, that of termios is not."""
    try:
        import termios
    except ImportError:
        return (OSError, TypeError)
    return (OSError, TypeError, termios.error)


def _not_opened() -> tuple[type[BaseException], ...]:
    """Give what opening a port may raise: a speed that it cannot have is a ValueError."""
    return (*_broken(), ValueError)


def _plain(error: BaseException) -> str:
    number = getattr(error, "errno", None)
    return os.strerror(number) if isinstance(number, int) else "the port was unplugged"


def _need_pyserial() -> None:
    try:
        import serial  # noqa: F401
    except ImportError:
        raise DeviceError(
            'reading a serial port needs pyserial; install it with pip install "forcekit[serial]".'
        ) from None
