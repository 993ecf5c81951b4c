"""Bluetooth meters, by the library and a stand-in for BlueZ: the kit, what is refused, and lost meters."""

from contextlib import contextmanager

import pytest
from pydantic import ValidationError

from benchmon.errors import InstrumentError
from benchmon.instruments.testing.conformance import Behaviour, DriverConformance
from benchmon.instruments.types import DrivenChannel
from benchmon_drivers.network import bluetooth
from benchmon_drivers.network.bluetooth import BleDriver, BleFramesDriver, BleFramesSettings, BleSettings
from benchmon_drivers.network.messages import MessageChannel
from benchmon_drivers.serial.frame_numbers import SerialFramesChannel
from support.far_ends.bluetooth import DBUS_DAEMON, NOTIFIES, TAKES, BluetoothMeter, BlueZ
from support.far_ends.rigs import streaming_rig

pytestmark = pytest.mark.skipif(DBUS_DAEMON is None, reason="dbus-daemon is not installed here")


@pytest.fixture(scope="module", autouse=True)
def bluez():
    started = BlueZ()
    yield started
    started.stop()


@pytest.fixture(autouse=True)
def _for_the_kit(request, bluez, monkeypatch):
    monkeypatch.setattr(bluetooth, "_SHORTEST_SCAN", 0.3)
    if request.instance is not None:
        request.instance.bluez = bluez


def lines_driver(address, *channels, timeout=0.5, **keys):
    settings = BleSettings.model_validate(
        {"address": address, "characteristic": "FFE1", "timeout": timeout, "retries": 0} | keys
    )
    driven = [
        DrivenChannel(name, unit, 0.1, scale, MessageChannel.model_validate(own))
        for name, unit, scale, own in channels or (VOLTS,)
    ]
    return BleDriver("meter", settings, driven)


VOLTS = ("u", "V", 1.0, {"pattern": r"U=(\S+) V I=.*"})
AMPS = ("i", "A", 10.0, {"pattern": r"U=.* I=(\S+)", "factor": "0.001"})
LINE = b"U=22.10 V I=-2.500000000000\r\n"


class TestLinesByBluetooth(DriverConformance):
    @contextmanager
    def rig(self):
        meter = BluetoothMeter(self.bluez)
        with streaming_rig(
            meter, lambda far_end: far_end.address, lambda address: lines_driver(address, VOLTS, AMPS), LINE,
            {"u": 22.1, "i": -0.025}, one_bad=b"U=22.10 V I=2.5.5\r\n", drips=True,
        ) as rig:  # fmt: skip
            behave = rig.behave

            def named(behaviour):
                meter.name = "\x1b[2J[red]" + 40 * "x" if behaviour is Behaviour.CONTROL_CODES else "bench meter"
                behave(behaviour)

            yield type(rig)(rig.driver, rig.shows, named, rig.plays, rig.why_no_more)


class TestFramesByBluetooth(DriverConformance):
    @contextmanager
    def rig(self):
        def make(address):
            keys = {"sync": "AA 55", "length": 7, "checksum": "xor", "checksum_from": 2, "characteristic": "ffe1"}
            digits = {"at": 4, "format": "bcd", "count": 2, "factor": 0.001, "fixed_range": True}
            return BleFramesDriver(
                "meter",
                BleFramesSettings.model_validate(keys | {"address": address, "timeout": 0.5, "retries": 0}),
                [
                    DrivenChannel("u", "V", 0.1, 1.0, SerialFramesChannel(at=2, format=">h", factor=0.01)),
                    DrivenChannel("i", "A", 0.1, 2.0, SerialFramesChannel.model_validate(digits)),
                ],
            )

        with streaming_rig(
            BluetoothMeter(self.bluez), lambda far_end: far_end.address, make, b"\xaa\x55\xf7\x5e\x02\x50\xfb",
            {"u": -22.1, "i": 0.5}, one_bad=b"\xaa\x55\xf7\x5e\x02\xf0\x5b", drips=True,
        ) as rig:  # fmt: skip
            yield rig


def first(driver, tries=50):
    """Return the first reading with a value."""
    for _ in range(tries):
        for reading in driver.receive(0.1):
            if reading.value is not None:
                return reading
    raise AssertionError("no reading came")


def test_a_meter_is_found_by_its_name_which_is_warned_of(bluez):
    with BluetoothMeter(bluez, name="bench 7") as meter:
        driver = lines_driver("bench 7", message="notification")
        assert driver.cautions() == ["reads any meter near here that calls itself bench 7; give its Bluetooth address"]
        assert lines_driver(meter.address).cautions() == []
        assert driver.open() == "bench 7"
        meter.send(b"U=5.5 V I=1")
        assert first(driver).value == 5.5
        driver.close()


def test_what_a_meter_must_be_sent_first_is_written_where_it_takes_it(bluez):
    with BluetoothMeter(bluez, needs=b"\xf0\x01") as meter:
        driver = lines_driver(meter.address, setup=["F0 01"], setup_characteristic=TAKES, message="notification")
        driver.open()
        meter.send(b"U=5.5 V I=1")
        assert first(driver).value == 5.5
        assert meter.written == [("0012", b"\xf0\x01")]
        driver.close()


def test_a_meter_that_vanishes_is_lost_at_once_and_read_again_when_it_is_back(bluez):
    with BluetoothMeter(bluez) as meter:
        driver = lines_driver(meter.address, timeout=30, message="notification")
        driver.open()
        meter.advertises = False
        meter.break_off()
        with pytest.raises(InstrumentError, match="has disconnected"):
            driver.receive(5)
        driver.close()
        meter.advertises = True
        driver.open()
        meter.send(b"U=6.5 V I=1")
        assert first(driver).value == 6.5
        driver.close()


@pytest.mark.parametrize(
    ("keys", "meter_keys", "problem"),
    [
        ({}, {"advertises": False}, "no such meter was seen by Bluetooth in"),
        ({"characteristic": "2a19"}, {}, f"no characteristic 00002a19.* notifies here, only: {NOTIFIES}; check char"),
        ({"setup": ["00"], "setup_characteristic": "2a19"}, {}, "takes bytes here, only: .*; check setup_char"),
        ({}, {"refuses": "br-connection-canceled\x1b[2J"}, "Bluetooth fails"),
    ],
    ids=["not there", "no notifications", "takes no bytes", "refused"],
)
def test_what_stands_in_the_way_is_said(bluez, keys, meter_keys, problem):
    with BluetoothMeter(bluez) as meter:
        for key, value in meter_keys.items():
            setattr(meter, key, value)
        # A busy machine takes its time to see a meter that is there.
        driver = lines_driver(meter.address, timeout=30 if meter.advertises else 0.3, **keys)
        with pytest.raises(InstrumentError, match=problem) as caught:
            driver.open()
        assert "\x1b" not in str(caught.value)


def test_a_meter_that_sends_more_than_is_read_never_gives_a_number_of_two_lines(bluez):
    with BluetoothMeter(bluez) as meter:
        driver = lines_driver(meter.address)
        complaints = []
        driver.on_complaint = complaints.append
        driver.open()
        meter.send(b"U=1")
        driver.receive(1.0)
        for _ in range(1001):
            driver._sent.put(b"x")  # faster than any radio
        meter.send(b"5.0 V I=1\nU=22.1 V I=1\n")
        assert first(driver).value == 22.1
        assert complaints == ["sent more than is read; some of it is lost"]
        driver.close()


@pytest.mark.parametrize(
    "keys", [{"address": ""}, {"address": "a\x1bb"}, {"characteristic": "ffe"}, {"setup": ["zz"]}, {"message": "word"}]
)
def test_keys_that_mean_nothing_are_refused(keys):
    with pytest.raises(ValidationError):
        BleSettings.model_validate({"address": "meter", "characteristic": "ffe1"} | keys)
