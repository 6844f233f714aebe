"""Notifications from a Bluetooth LE sensor, in one thread with its own event loop, connected again when lost.

The callback of the radio only puts the bytes and the moment into a queue: whatever takes time there holds up the
whole loop. A second thread hands them over. The system's word on whether a link is open is not trusted: without
data for two seconds it is closed and opened again.
"""

from __future__ import annotations

import asyncio
import queue
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from forcekit.acquire.arrival import Arrival, LinkEvent, Sink, host_now
from forcekit.acquire.watch import RETRY_S, Watch, heard, look
from forcekit.errors import DeviceError
from forcekit.model import Link

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.device import BLEDevice

__all__ = ["SCAN_S", "BleConnection", "scan"]

SCAN_S = 10.0
"""Longest search for a sensor before the search is started anew (our choice)."""

_LOOK_S = 0.05
_CLOSE_S = 3.0
_STANDARD_UUID_END = "-0000-1000-8000-00805f9b34fb"


def scan(seconds: float = 5.0) -> list[tuple[str, str, int]]:
    """Radio sensors that can be heard: address, name and signal strength (dBm), strongest first.

    Raises
    ------
    DeviceError
        If the radio library is not installed or the laptop's radio does not answer.
    """
    _need_bleak()
    from bleak import BleakScanner

    async def listen() -> list[tuple[str, str, int]]:
        heard_of = await BleakScanner.discover(timeout=seconds, return_adv=True)
        return [(d.address, d.name or "", adv.rssi) for d, adv in heard_of.values()]

    try:
        return sorted(asyncio.run(listen()), key=lambda s: -s[2])
    except _broken() as error:
        raise DeviceError(f"the radio cannot be used: {_plain(error)}.") from None


class BleConnection:
    """Radio link that keeps itself open.

    Parameters
    ----------
    address : str
        Address or advertised name of the sensor.
    device : int
        Number of the device in this recording.
    sink : callable
        Gets every `Arrival` (one a notification) and `LinkEvent`, from the link's second thread.
    link : Link, optional
        Which characteristics to use. Left out, the sensor must have exactly one that notifies and at most one
        that is written, outside the standard services.
    hello : bytes
        Written each time the link has been opened, and each second while it is `unanswered`.
    unanswered : callable, optional
        Whether the sensor has not answered yet; left out, whatever comes is an answer.
    """

    def __init__(
        self,
        address: str,
        device: int,
        sink: Sink,
        *,
        link: Link | None = None,
        hello: bytes = b"",
        unanswered: Callable[[], bool] | None = None,
    ) -> None:
        _need_bleak()
        self.address, self.device, self.sink, self.hello = address, device, sink, hello
        self._notify = link.notify if link else None
        self._write = link.write if link else None
        self._queue: queue.SimpleQueue[Arrival | LinkEvent | None] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._client: BleakClient | None = None
        self._heard_s = 0.0
        self._n_heard = 0
        self._unanswered = unanswered or (lambda: self._n_heard == 0)
        name = f"ble {address}"
        self._radio = threading.Thread(target=self._run, name=name, daemon=True)
        self._hand = threading.Thread(target=self._hand_over, name=name + " out", daemon=True)

    def start(self) -> None:
        """Begin to search and to hand over; returns at once."""
        self._radio.start()
        self._hand.start()

    def send(self, data: bytes) -> bool:
        """Send bytes to the device; False when the link is not open."""
        client, loop = self._client, self._loop
        if client is None or loop is None or not client.is_connected or self._write is None:
            return False
        future = asyncio.run_coroutine_threadsafe(self._put(client, data), loop)
        try:
            future.result(timeout=2.0)
        except _broken():
            return False
        return True

    def stop(self) -> None:
        """Close the link; nothing is handed over afterwards."""
        self._stop.set()
        if self._radio.is_alive():
            self._radio.join(timeout=_CLOSE_S + 2.0)
        self._queue.put(None)
        if self._hand.is_alive() and self._hand is not threading.current_thread():
            self._hand.join(timeout=2.0)

    def _hand_over(self) -> None:
        while (item := self._queue.get()) is not None:
            self.sink(item)

    def _tell(self, what: str, text: str = "") -> None:
        if not self._stop.is_set():
            self._queue.put(LinkEvent(self.device, host_now(), what, text))  # type: ignore[arg-type]

    def _run(self) -> None:
        asyncio.run(self._keep_open())

    async def _keep_open(self) -> None:
        self._loop = asyncio.get_running_loop()
        complaint = ""
        while not self._stop.is_set():
            try:
                found = await self._find()
                if found is None:
                    raise DeviceError("the sensor is not heard; switch it on and bring it near")
                reason = await self._session(found)
            except _broken() as error:
                text = _plain(error)
                if text != complaint:
                    complaint = text
                    self._tell("failed", text)
                await asyncio.sleep(RETRY_S)
            else:
                complaint = ""
                self._tell("lost", reason)

    async def _find(self) -> BLEDevice | None:
        from bleak import BleakScanner

        wanted = self.address.casefold()
        async with BleakScanner() as scanner:
            until = host_now() + SCAN_S
            while host_now() < until and not self._stop.is_set():
                for d, _ in scanner.discovered_devices_and_advertisement_data.values():
                    if wanted in (d.address.casefold(), (d.name or "").casefold()):
                        return d
                await asyncio.sleep(_LOOK_S)
        return None

    async def _session(self, found: BLEDevice) -> str:
        """Be connected once; gives the reason why it ended."""
        from bleak import BleakClient

        gone = asyncio.Event()
        client = BleakClient(found, disconnected_callback=lambda _: gone.set())
        await asyncio.wait_for(client.connect(), SCAN_S)
        try:
            notify = self._choose(client)
            self._heard_s, self._n_heard = host_now(), 0
            await client.start_notify(notify, self._on_data)
            self._client = client
            self._tell("connected")
            return await self._watch(client, gone)
        finally:
            self._client = None
            try:
                await asyncio.wait_for(client.disconnect(), _CLOSE_S)
            except _broken():
                pass  # a service that died cannot close anything; the next search starts afresh

    def _on_data(self, _: object, data: bytearray) -> None:
        now = host_now()
        self._heard_s = now
        self._n_heard += 1
        if not self._stop.is_set():
            self._queue.put(Arrival(self.device, now, bytes(data)))

    async def _watch(self, client: BleakClient, gone: asyncio.Event) -> str:
        now = host_now()
        watch, greeted, seen = Watch(now, now), -1.0, 0
        while not self._stop.is_set():
            if gone.is_set():
                return "the radio link broke off"
            now = host_now()
            if self.hello and self._write and self._unanswered() and now - greeted > 1.0:
                greeted = now
                await self._put(client, self.hello)
            if self._n_heard != seen:
                seen = self._n_heard
                verdict, watch = heard(watch, self._heard_s)
                if verdict != "fine":
                    self._tell(verdict)
            verdict, watch = look(watch, now)
            if verdict in ("silent", "asleep"):
                self._tell(verdict)
            elif verdict == "dead":
                return "no data for 2 s"
            await asyncio.sleep(_LOOK_S)
        return "stopped"

    def _choose(self, client: BleakClient) -> str:
        """Characteristic that notifies; sets the one to write too."""
        own = [c for s in client.services if not s.uuid.endswith(_STANDARD_UUID_END) for c in s.characteristics]
        writes = [c.uuid for c in own if "write-without-response" in c.properties or "write" in c.properties]
        if self._write is None and len(writes) == 1:
            self._write = writes[0]
        if self._notify is not None:
            if client.services.get_characteristic(self._notify) is None:
                raise DeviceError(f"it has no characteristic {self._notify}; this is not the sensor we know")
            return self._notify
        notifies = [c.uuid for c in own if "notify" in c.properties]
        if len(notifies) != 1:
            raise DeviceError(
                f"it has {len(notifies)} characteristics that notify ({', '.join(notifies) or 'none'}); "
                "name one as notify in the [link] of its device file"
            )
        return notifies[0]

    async def _put(self, client: BleakClient, data: bytes) -> None:
        if self._write is None:
            return
        characteristic = client.services.get_characteristic(self._write)
        if characteristic is None:
            raise DeviceError(f"it has no characteristic {self._write}; this is not the sensor we know")
        silent = "write-without-response" in characteristic.properties
        size = characteristic.max_write_without_response_size if silent else 20
        for at in range(0, len(data), size):
            await client.write_gatt_char(characteristic, data[at : at + size], response=not silent)


def _broken() -> tuple[type[BaseException], ...]:
    """Give what a radio link that is gone may raise; no bus at all and a time-out are plain OSErrors."""
    from bleak.exc import BleakError

    return (BleakError, OSError, EOFError)


def _plain(error: BaseException) -> str:
    if isinstance(error, (ConnectionRefusedError, FileNotFoundError)):
        return "the laptop's radio service does not answer; switch Bluetooth on"
    text = " ".join(str(error).split())[:160].rstrip(".")
    return text or type(error).__name__


def _need_bleak() -> None:
    try:
        import bleak  # noqa: F401
    except ImportError:
        raise DeviceError('reading a radio sensor needs bleak; install it with pip install "forcekit[ble]".') from None
