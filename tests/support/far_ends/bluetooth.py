"""A Bluetooth meter behind a stand-in for BlueZ, on a D-Bus daemon of its own.

The library runs as it is: it speaks D-Bus to the stand-in, which answers as BlueZ describes its interfaces
(org.bluez.Adapter1, Device1, GattService1, GattCharacteristic1; from memory). There is no radio.
"""

import asyncio
import os
import shutil
import subprocess
import threading

import pytest

dbus_fast = pytest.importorskip("dbus_fast", reason="the extra `bluetooth` (bleak) is not installed here")
from dbus_fast import BusType, Message, MessageType, Variant  # noqa: E402
from dbus_fast.aio import MessageBus  # noqa: E402

DBUS_DAEMON = shutil.which("dbus-daemon")
NOTIFIES, TAKES, READS = (f"0000{short}-0000-1000-8000-00805f9b34fb" for short in ("ffe1", "ffe2", "2a19"))
_ADAPTER = "/org/bluez/hci0"
_LARGEST = 20
"""Bytes of a notification with the smallest MTU that all devices have (23)."""


class BlueZ:
    """The stand-in. `meters` are those that advertise, by their path."""

    def __init__(self):
        self._daemon = subprocess.Popen(
            [DBUS_DAEMON, "--session", "--nofork", "--print-address"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = self._daemon.stdout.readline().decode().strip()
        self.meters = {}
        self.is_on = True
        self.loop = asyncio.new_event_loop()
        self._next = self.loop.call_later(0.0, lambda: None)
        self._thread = threading.Thread(target=self.loop.run_forever)
        self._thread.start()
        asyncio.run_coroutine_threadsafe(self._serve(), self.loop).result(10)

    async def _serve(self):
        self._bus = await MessageBus(bus_type=BusType.SYSTEM).connect()
        self._bus.add_message_handler(self._answer)
        await self._bus.request_name("org.bluez")

    def stop(self):
        self.loop.call_soon_threadsafe(self._bus.disconnect)
        self.loop.call_soon_threadsafe(self.loop.stop)
        self._thread.join(10)
        self.loop.close()
        self._daemon.terminate()
        self._daemon.wait(10)
        self._daemon.stdout.close()
        del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]

    def _objects(self):
        roles = {"Address": ("s", "00:00:5E:00:53:00"), "Roles": ("as", ["central"]), "Powered": ("b", self.is_on)}
        there = {_ADAPTER: {"org.bluez.Adapter1": variants(roles)}}
        for meter in self.meters.values():
            if meter.was_seen:
                there |= meter.objects()
        return there

    def _answer(self, message):
        if message.message_type is not MessageType.METHOD_CALL or message.destination is None:
            return None
        if message.member == "GetManagedObjects":
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [self._objects()])
        if message.member == "StartDiscovery":
            self._next.cancel()
            self._next = self.loop.call_later(0.01, self._advertise)
        elif message.member == "StopDiscovery":
            self._next.cancel()
        for path, meter in self.meters.items():
            if message.path.startswith(path):
                error = meter.called(message)
                if error:
                    return Message.new_error(message, "org.bluez.Error.Failed", error)
        return Message.new_method_return(message)

    def _advertise(self):
        """Show what is near again and again, as meters advertise themselves, until the scan ends."""
        self._next = self.loop.call_later(0.1, self._advertise)
        for meter in list(self.meters.values()):
            if meter.advertises and not meter.is_connected:
                meter.was_seen = True
                self.add(meter.objects())

    def add(self, objects):
        for path, interfaces in objects.items():
            self._signal("/", "org.freedesktop.DBus.ObjectManager", "InterfacesAdded", "oa{sa{sv}}", path, interfaces)

    def remove(self, objects):
        for path, interfaces in objects.items():
            gone = list(interfaces)
            self._signal("/", "org.freedesktop.DBus.ObjectManager", "InterfacesRemoved", "oas", path, gone)

    def change(self, path, interface, **values):
        name = "org.freedesktop.DBus.Properties"
        self._signal(path, name, "PropertiesChanged", "sa{sv}as", interface, variants(values), [])

    def _signal(self, path, interface, member, signature, *body):
        self._bus.send(Message.new_signal(path, interface, member, signature, list(body)))


def variants(properties):
    return {name: Variant(*value) for name, value in properties.items()}


class BluetoothMeter:
    """A meter with a characteristic that notifies, one that takes bytes, and one that is only read.

    `written` is what it was sent, in order. With `needs`, it sends nothing until it was sent that.
    """

    def __init__(self, bluez, address="C0:FF:EE:00:00:01", name="bench meter", needs=b""):
        self.bluez, self.address, self.name, self._needs = bluez, address, name, needs
        self.path = f"{_ADAPTER}/dev_{address.replace(':', '_')}"
        self.was_seen = self.is_connected = self._notifies = False
        self.advertises = True
        self.refuses = ""
        self.written = []

    def __enter__(self):
        self._call(self.bluez.meters.__setitem__, self.path, self)
        return self

    def __exit__(self, *_):
        self._call(self.break_off_now)
        self._call(self.bluez.meters.pop, self.path)

    def _call(self, what, *args):
        async def now():
            return what(*args)

        asyncio.run_coroutine_threadsafe(now(), self.bluez.loop).result(10)

    def objects(self):
        device = {
            "Address": ("s", self.address), "Name": ("s", self.name), "Alias": ("s", self.name),
            "Adapter": ("o", _ADAPTER), "Connected": ("b", self.is_connected), "Paired": ("b", False),
            "ServicesResolved": ("b", self.is_connected), "RSSI": ("n", -60), "UUIDs": ("as", []),
        }  # fmt: skip
        found = {self.path: {"org.bluez.Device1": variants(device)}}
        return found | (self._services() if self.is_connected else {})

    def _services(self):
        service = f"{self.path}/service0010"
        about = {"UUID": ("s", NOTIFIES.replace("ffe1", "ffe0")), "Device": ("o", self.path), "Primary": ("b", True)}
        found = {service: {"org.bluez.GattService1": variants(about)}}
        ways = ((NOTIFIES, ["notify", "write"]), (TAKES, ["write-without-response"]), (READS, ["read"]))
        for number, (uuid, flags) in enumerate(ways):
            keys = {"UUID": ("s", uuid), "Service": ("o", service), "Flags": ("as", flags), "MTU": ("q", 23)}
            found[f"{service}/char{0x11 + number:04x}"] = {"org.bluez.GattCharacteristic1": variants(keys)}
        return found

    def called(self, message):
        """Do what the library asks for; return why not, "" where it is done."""
        if message.member == "Connect":
            if self.refuses:
                return self.refuses
            self.is_connected = True
            self.bluez.change(self.path, "org.bluez.Device1", Connected=("b", True))
            self.bluez.add(self._services())
            self.bluez.change(self.path, "org.bluez.Device1", ServicesResolved=("b", True))
        elif message.member == "Disconnect":
            self.break_off_now()
        elif message.member == "StartNotify":
            self._notifies = not self._needs
        elif message.member == "WriteValue":
            self.written.append((message.path[-4:], bytes(message.body[0])))
            self._notifies = self._notifies or message.body[0] == self._needs
        return ""

    def break_off_now(self):
        if self.is_connected:
            services = self._services()
            self.is_connected = self._notifies = False
            self.bluez.change(self.path, "org.bluez.Device1", Connected=("b", False), ServicesResolved=("b", False))
            self.bluez.remove(services)

    def break_off(self):
        """Vanish without a word, as a meter does that is carried away."""
        self._call(self.break_off_now)

    def send(self, data):
        self._call(self._send, data)

    def _send(self, data):
        if self._notifies:
            for at in range(0, len(data), _LARGEST):
                part = ("ay", data[at : at + _LARGEST])
                self.bluez.change(f"{self.path}/service0010/char0011", "org.bluez.GattCharacteristic1", Value=part)
