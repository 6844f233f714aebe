"""Virtual sensors behind a radio that is not there: a private message bus with a service shaped like BlueZ.

The program's own radio library talks to it as to the real one (scan, connect, discover, write, notify, break off);
only the radio itself is missing. Linux only, and the program ``dbus-daemon`` must be installed.

What the service offers follows the public D-Bus interfaces of BlueZ: ObjectManager, Adapter1, Device1,
GattService1, GattCharacteristic1.
"""

from __future__ import annotations

import asyncio
import os
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from forcekit.acquire.arrival import host_now
from forcekit.errors import DeviceError

if TYPE_CHECKING:
    from dbus_fast import Message, Variant
    from dbus_fast.aio import MessageBus

__all__ = ["NOTIFY_UUID", "WRITE_UUID", "PacketPlayer", "RadioPlayer", "VirtualRadio", "VirtualSensor"]

SERVICE_UUID = "6c0f0001-6d1e-4f7a-9a51-3f1f6a7b2c10"
NOTIFY_UUID = "6c0f0002-6d1e-4f7a-9a51-3f1f6a7b2c10"
WRITE_UUID = "6c0f0003-6d1e-4f7a-9a51-3f1f6a7b2c10"

_ADAPTER = "/org/bluez/hci0"
_BLUEZ = "org.bluez"
_DEVICE = f"{_BLUEZ}.Device1"
_CHARACTERISTIC = f"{_BLUEZ}.GattCharacteristic1"
_MTU = 247
_LONGEST_PACKET = _MTU - 3
_BUS_FILE = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>system</type><listen>unix:tmpdir={folder}</listen><auth>EXTERNAL</auth>
<policy context="default"><allow own="*"/><allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/>
<allow user="*"/></policy></busconfig>
"""


class RadioPlayer(Protocol):
    """What a virtual sensor plays; `forcekit.acquire.virtual.Player` and `PacketPlayer` are two."""

    def hear(self, data: bytes, now_s: float) -> bytes:
        """Answers to what the laptop wrote."""

    def due(self, now_s: float) -> list[bytes]:
        """Pieces that are due until now."""


class PacketPlayer:
    """Sends given packets, each as one notification, one every `every_s`; starts when it is connected.

    It stands for a sensor that speaks its own way, described by a device file.
    """

    def __init__(self, packets: Sequence[bytes], *, every_s: float) -> None:
        self.packets, self.every_s = packets, every_s
        self.n_sent = 0
        self._started_s: float | None = None

    def hear(self, data: bytes, now_s: float) -> bytes:
        """Nothing: it takes no commands."""
        return b""

    def due(self, now_s: float) -> list[bytes]:
        """Packets that are due until now."""
        self._started_s = now_s if self._started_s is None else self._started_s
        until = min(int((now_s - self._started_s) / self.every_s) + 1, len(self.packets))
        fresh = list(self.packets[self.n_sent : until])
        self.n_sent = max(until, self.n_sent)
        return fresh


@dataclass(slots=True)
class VirtualSensor:
    """A sensor on the virtual radio.

    `whole_packets` sends each piece of the player as a notification of its own; otherwise pieces are joined and
    cut to packets as a byte stream.
    """

    name: str
    address: str
    player: RadioPlayer
    whole_packets: bool = False
    interval_s: float = 0.015
    """Connection interval: how often packets are sent."""
    frozen: bool = False
    """Connected but sends nothing, as when the sensor's program hangs."""
    absent: bool = False
    """Not heard and not to be connected."""
    connected: bool = field(default=False, init=False)
    notifying: bool = field(default=False, init=False)
    n_notified: int = field(default=0, init=False)
    pending: bytes = field(default=b"", init=False)

    @property
    def path(self) -> str:
        """Object path of the device."""
        return f"{_ADAPTER}/dev_{self.address.replace(':', '_')}"

    @property
    def service_path(self) -> str:
        """Object path of its service."""
        return f"{self.path}/service0001"

    @property
    def notify_path(self) -> str:
        """Object path of the characteristic that notifies."""
        return f"{self.service_path}/char0002"

    @property
    def write_path(self) -> str:
        """Object path of the characteristic that is written."""
        return f"{self.service_path}/char0003"


class VirtualRadio:
    """Private bus and service with these sensors, as a context manager.

    Notes
    -----
    While it is open, the environment variable ``DBUS_SYSTEM_BUS_ADDRESS`` of this program points to the private
    bus, which is where the radio library looks; afterwards it is as before.
    """

    def __init__(self, sensors: Sequence[VirtualSensor]) -> None:
        self.sensors = list(sensors)
        self.error: BaseException | None = None
        self._ready = threading.Event()
        self._stop = threading.Event()
        self._folder = tempfile.mkdtemp(prefix="bus-")
        self._daemon = _start_bus(self._folder)
        assert self._daemon.stdout is not None
        self.address = self._daemon.stdout.readline().strip().split(",guid=")[0]
        self._before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = self.address
        self._thread = threading.Thread(target=self._run, name="virtual radio", daemon=True)
        self._thread.start()
        if not self._ready.wait(10.0) or self.error is not None:
            self.close()
            raise DeviceError(f"the virtual radio did not start ({self.error}); check that dbus-daemon runs.")

    def drop(self, sensor: VirtualSensor) -> None:
        """Break a link off, as when the sensor goes out of reach."""
        asyncio.run_coroutine_threadsafe(self._disconnect(sensor), self._loop).result(timeout=5.0)

    def close(self) -> None:
        """End service and bus; calling it twice is allowed."""
        self._stop.set()
        self._thread.join(timeout=5.0)
        self._daemon.terminate()
        try:
            self._daemon.wait(timeout=3.0)
        except subprocess.TimeoutExpired:
            self._daemon.kill()
            self._daemon.wait()
        if self._daemon.stdout is not None:
            self._daemon.stdout.close()
        if os.environ.get("DBUS_SYSTEM_BUS_ADDRESS") == self.address:
            if self._before is None:
                del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]
            else:
                os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = self._before
        shutil.rmtree(self._folder, ignore_errors=True)

    def __enter__(self) -> VirtualRadio:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ------------------------------------------------------------------------------------------- the service

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except BaseException as error:
            self.error = error
            self._ready.set()

    async def _serve(self) -> None:
        from dbus_fast.aio import MessageBus

        self._loop = asyncio.get_running_loop()
        self._bus: MessageBus = await MessageBus(bus_address=self.address).connect()
        self._bus.add_message_handler(self._handle)
        await self._bus.request_name(_BLUEZ)
        self._ready.set()
        players = [asyncio.ensure_future(self._play(s)) for s in self.sensors]
        while not self._stop.is_set():
            await asyncio.sleep(0.02)
        for task in players:
            task.cancel()
        self._bus.disconnect()

    async def _play(self, sensor: VirtualSensor) -> None:
        while True:
            await asyncio.sleep(sensor.interval_s)
            if sensor.frozen:
                continue
            if not (sensor.notifying and sensor.connected):
                if sensor.n_notified:
                    sensor.player.due(host_now())  # it has no memory: what is due while nobody listens is lost
                continue
            pieces = sensor.player.due(host_now())
            if not sensor.whole_packets:
                stream = sensor.pending + b"".join(pieces)
                sensor.pending = b""
                pieces = [stream[i : i + _LONGEST_PACKET] for i in range(0, len(stream), _LONGEST_PACKET)]
            for piece in pieces:
                sensor.n_notified += 1
                self._changed(sensor.notify_path, _CHARACTERISTIC, {"Value": _variant("ay", piece)})

    def _handle(self, message: Message) -> Message | bool | None:
        from dbus_fast import Message, MessageType

        if message.message_type is not MessageType.METHOD_CALL or message.destination != _BLUEZ:
            return None
        member = message.member or ""
        path = message.path or ""
        sensor = next((s for s in self.sensors if path.startswith(s.path)), None)
        if member == "GetManagedObjects":
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [self._objects()])
        if member == "GetAll":
            found = self._objects().get(path, {}).get(message.body[0], {})
            return Message.new_method_return(message, "a{sv}", [found])
        if member in ("Set", "SetDiscoveryFilter", "StopDiscovery"):
            return Message.new_method_return(message)
        if member == "StartDiscovery":
            for s in self.sensors:
                if not s.absent:
                    self._added(s.path, {_DEVICE: self._device(s)})
            return Message.new_method_return(message)
        if sensor is None or sensor.absent:
            return Message.new_error(message, "org.freedesktop.DBus.Error.UnknownObject", "no such sensor")
        return self._handle_sensor(message, member, path, sensor)

    def _handle_sensor(self, message: Message, member: str, path: str, sensor: VirtualSensor) -> Message | bool | None:
        from dbus_fast import Message

        if member == "Connect":
            self._later(self._connect(sensor, message))
            return True
        if member == "Disconnect":
            self._later(self._disconnect(sensor, message))
            return True
        if member in ("StartNotify", "StopNotify"):
            sensor.notifying = member == "StartNotify"
            self._changed(path, _CHARACTERISTIC, {"Notifying": _variant("b", sensor.notifying)})
            return Message.new_method_return(message)
        if member == "WriteValue" and path == sensor.write_path:
            sensor.pending += sensor.player.hear(bytes(message.body[0]), host_now())
            return Message.new_method_return(message)
        return Message.new_error(message, f"{_BLUEZ}.Error.NotSupported", f"no {member} here")

    def _later(self, coroutine: Any) -> None:
        task = asyncio.ensure_future(coroutine)
        self._tasks = {*getattr(self, "_tasks", set()), task}
        task.add_done_callback(lambda t: self._tasks.discard(t))

    async def _connect(self, sensor: VirtualSensor, message: Message) -> None:
        from dbus_fast import Message

        await asyncio.sleep(0.02)
        sensor.connected = True
        self._changed(sensor.path, _DEVICE, {"Connected": _variant("b", True)})
        await self._bus.send(Message.new_method_return(message))
        for path, interfaces in self._gatt(sensor).items():
            self._added(path, interfaces)
        self._changed(sensor.path, _DEVICE, {"ServicesResolved": _variant("b", True)})

    async def _disconnect(self, sensor: VirtualSensor, message: Message | None = None) -> None:
        from dbus_fast import Message

        if sensor.connected:
            gatt = self._gatt(sensor)
            sensor.connected = sensor.notifying = False
            self._changed(sensor.path, _DEVICE, {"ServicesResolved": _variant("b", False)})
            for path, interfaces in gatt.items():
                self._signal(
                    "/",
                    "org.freedesktop.DBus.ObjectManager",
                    "InterfacesRemoved",
                    "oas",
                    [path, list(interfaces)],
                )
            self._changed(sensor.path, _DEVICE, {"Connected": _variant("b", False)})
        if message is not None:
            await self._bus.send(Message.new_method_return(message))

    # ------------------------------------------------------------------------------------------- the objects

    def _objects(self) -> dict[str, dict[str, dict[str, Variant]]]:
        adapter = {
            "Address": _variant("s", "00:00:00:00:00:01"),
            "Name": _variant("s", "virtual"),
            "Alias": _variant("s", "virtual"),
            "Powered": _variant("b", True),
            "Discovering": _variant("b", False),
            "Roles": _variant("as", ["central"]),
            "UUIDs": _variant("as", []),
        }
        found: dict[str, dict[str, dict[str, Variant]]] = {_ADAPTER: {f"{_BLUEZ}.Adapter1": adapter}}
        for s in self.sensors:
            if s.connected:
                found[s.path] = {_DEVICE: self._device(s)}
                found |= self._gatt(s)
        return found

    def _device(self, s: VirtualSensor) -> dict[str, Variant]:
        return {
            "Address": _variant("s", s.address),
            "AddressType": _variant("s", "random"),
            "Name": _variant("s", s.name),
            "Alias": _variant("s", s.name),
            "Adapter": _variant("o", _ADAPTER),
            "Connected": _variant("b", s.connected),
            "Paired": _variant("b", False),
            "Trusted": _variant("b", False),
            "ServicesResolved": _variant("b", s.connected),
            "UUIDs": _variant("as", [SERVICE_UUID]),
            "RSSI": _variant("n", -50),
        }

    def _gatt(self, s: VirtualSensor) -> dict[str, dict[str, dict[str, Variant]]]:
        service = {
            "UUID": _variant("s", SERVICE_UUID),
            "Primary": _variant("b", True),
            "Device": _variant("o", s.path),
        }
        found = {s.service_path: {f"{_BLUEZ}.GattService1": service}}
        for path, uuid, flag in (
            (s.notify_path, NOTIFY_UUID, "notify"),
            (s.write_path, WRITE_UUID, "write-without-response"),
        ):
            found[path] = {
                _CHARACTERISTIC: {
                    "UUID": _variant("s", uuid),
                    "Service": _variant("o", s.service_path),
                    "Flags": _variant("as", [flag]),
                    "Notifying": _variant("b", False),
                    "Value": _variant("ay", b""),
                    "MTU": _variant("q", _MTU),
                }
            }
        return found

    def _added(self, path: str, interfaces: dict[str, dict[str, Variant]]) -> None:
        self._signal("/", "org.freedesktop.DBus.ObjectManager", "InterfacesAdded", "oa{sa{sv}}", [path, interfaces])

    def _changed(self, path: str, interface: str, changes: dict[str, Variant]) -> None:
        self._signal(
            path,
            "org.freedesktop.DBus.Properties",
            "PropertiesChanged",
            "sa{sv}as",
            [interface, changes, []],
        )

    def _signal(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        from dbus_fast import Message

        self._bus.send(Message.new_signal(path, interface, member, signature, body))


def _start_bus(folder: str) -> subprocess.Popen[str]:
    program = shutil.which("dbus-daemon")
    if program is None:
        raise DeviceError(
            "the virtual radio needs the program dbus-daemon; install it (Debian: package dbus-daemon), "
            "or use the virtual serial device."
        )
    config = Path(folder) / "bus.conf"
    config.write_text(_BUS_FILE.format(folder=folder))
    return subprocess.Popen(
        [program, f"--config-file={config}", "--nofork", "--print-address=1"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )


def _variant(signature: str, value: object) -> Variant:
    from dbus_fast import Variant

    return Variant(signature, value)
