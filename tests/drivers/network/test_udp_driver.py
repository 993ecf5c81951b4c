"""Datagrams over loopback: the kit, who may send, and what hostile senders achieve."""

import random
import socket
from contextlib import contextmanager

import pytest
from pydantic import ValidationError

from benchmon.errors import InstrumentError
from benchmon.instruments.testing.conformance import DriverConformance
from benchmon.instruments.types import DrivenChannel
from benchmon_drivers.network.messages import MessageChannel
from benchmon_drivers.network.udp import UdpDriver, UdpFramesDriver, UdpFramesSettings, UdpSettings
from benchmon_drivers.serial.frame_numbers import SerialFramesChannel, frame_value
from benchmon_drivers.serial.frames import FrameLayout, FrameSplitter
from support.far_ends.rigs import WHOLE_MESSAGES, streaming_rig


def free_port():
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


class Sender:
    """A meter that sends datagrams to a port of this machine."""

    def __init__(self, source="127.0.0.1"):
        self.source, self.port = source, free_port()

    def __enter__(self):
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind((self.source, 0))
        return self

    def __exit__(self, *_):
        self._socket.close()

    def send(self, data):
        if data:
            self._socket.sendto(data, ("127.0.0.1", self.port))


def driver(port, *channels, sender="127.0.0.1", host="127.0.0.1", timeout=0.4):
    settings = UdpSettings(address=f"udp://{host}:{port}?from={sender}", timeout=timeout)
    driven = [
        DrivenChannel(name, unit, 0.1, scale, MessageChannel.model_validate(keys))
        for name, unit, scale, keys in channels
    ]
    return UdpDriver("meter", settings, driven)


VOLTS = ("u", "V", 1.0, {"pattern": r"U=(?P<value>\S+) (?P<unit>m?V)"})


class TestUdpLines(DriverConformance):
    def rig(self):
        channels = (VOLTS, ("i", "A", 10.0, {"pattern": r"I=(\S+)", "factor": "0.001"}))
        return streaming_rig(
            Sender(), lambda sender: driver(sender.port, *channels), lambda made: made,
            b"U=22100 mV\r\nI=-25\n", {"u": 22.1, "i": -0.25},
            one_bad=b"U=22100 mV\r\nI=-2.5.1\n", why=WHOLE_MESSAGES,
        )  # fmt: skip


class TestUdpJson(DriverConformance):
    def rig(self):
        channels = (("u", "V", 1.0, {"json": "$.u"}), ("i", "A", 10.0, {"json": "$.more[1]", "unit": "mA"}))
        return streaming_rig(
            Sender(), lambda sender: driver(sender.port, *channels), lambda made: made,
            b'{"u": 22.1, "more": [0, -25]}', {"u": 22.1, "i": -0.25},
            one_bad=b'{"u": 22.1, "more": [0]}', why=WHOLE_MESSAGES,
        )  # fmt: skip


FRAME = b"\xaa\x55\xf7\x5e\x02\x50\xfb"
"""-2210, 250, and the xor of their bytes."""


def frames_driver(port):
    layout = {"sync": "AA 55", "length": 7, "checksum": "xor", "checksum_from": 2}
    address = f"udp://127.0.0.1:{port}?from=127.0.0.1"
    return UdpFramesDriver(
        "meter",
        UdpFramesSettings.model_validate({"address": address, "timeout": 0.4} | layout),
        [
            DrivenChannel("u", "V", 0.1, 1.0, SerialFramesChannel(at=2, format=">h", factor=0.01)),
            DrivenChannel(
                "i",
                "A",
                0.1,
                2.0,
                SerialFramesChannel(at=4, format="bcd", count=2, fixed_range=True, factor=0.001),
            ),
        ],
    )


class TestUdpFrames(DriverConformance):
    def rig(self):
        return streaming_rig(
            Sender(),
            lambda sender: frames_driver(sender.port),
            lambda made: made,
            FRAME + FRAME,
            {"u": -22.1, "i": 0.5},
            one_bad=b"\xaa\x55\xf7\x5e\x02\xf0\x5b",
            why=WHOLE_MESSAGES,
        )


def test_a_frame_is_never_put_together_from_two_datagrams():
    with Sender() as sender:
        meter = frames_driver(sender.port)
        meter.open()
        sender.send(FRAME[:4])
        sender.send(FRAME[4:])
        assert meter.receive(0.2) == []
        sender.send(b"noise" + FRAME + FRAME[:3])
        assert {reading.channel: reading.value for reading in meter.receive(2.0)} == {"u": -22.1, "i": 0.5}
        meter.close()


def frames_of_damaged_datagrams(draws):
    """Yield each frame that is found in a damaged datagram, and the datagram."""
    draw = random.Random(draws)
    layout = FrameLayout(sync=b"\xaa\x55", length=7, checksum="xor", checksum_from=2)
    for _ in range(draws):
        data = bytearray(FRAME * draw.randrange(1, 4))
        for _ in range(draw.randrange(1, 5)):
            data[draw.randrange(len(data))] = draw.randrange(256)
        del data[: draw.randrange(3)]
        frames = FrameSplitter(layout)
        frames.restart(in_step=True)
        for frame in frames.feed(bytes(data), 0.0):
            yield frame, bytes(data)


VOLTS_OF_FRAME = SerialFramesChannel(at=2, format=">h", factor=0.01)


@pytest.mark.parametrize("draws", [2_000, pytest.param(100_000, marks=pytest.mark.long)])
def test_damaged_frames_give_nothing_that_was_not_sent(draws):
    """Every value is that of a frame with the right checksum that the datagram holds."""
    taken = 0
    for frame, datagram in frames_of_damaged_datagrams(draws):
        taken += 1
        assert frame in datagram
        assert frame[:2] == b"\xaa\x55"
        assert frame[6] == frame[2] ^ frame[3] ^ frame[4] ^ frame[5]
        assert frame_value(VOLTS_OF_FRAME, frame) == int.from_bytes(frame[2:4], "big", signed=True) * 0.01
    assert taken > draws / 50, "damage that leaves nothing to read tries nothing"


@contextmanager
def listening(*channels, source="127.0.0.1", **others):
    with Sender(source) as sender:
        meter = driver(sender.port, *channels, **others)
        meter.open()
        try:
            yield sender, meter
        finally:
            meter.close()


def wait_for_the_time_out(meter):
    while True:
        assert meter.receive(0.2) == []


def test_datagrams_of_others_are_no_readings():
    with listening(VOLTS, source="127.0.0.2") as (stranger, meter):
        stranger.send(b"U=99 V")
        assert meter.receive(0.5) == []
        with pytest.raises(InstrumentError, match=r"nothing came from 127\.0\.0\.1 .* 1 datagrams of others"):
            wait_for_the_time_out(meter)


def test_anybody_may_send_where_the_file_says_so_with_a_caution():
    with listening(VOLTS, source="127.0.0.2", sender="any") as (sender, meter):
        sender.send(b"U=22 V")
        (reading,) = meter.receive(2.0)
        assert reading.value == 22.0
        assert "any computer of the network" in meter.cautions()[0]


def test_what_was_sent_before_it_listens_is_never_read():
    with Sender() as sender:
        sender.send(b"U=1 V")
        meter = driver(sender.port, VOLTS)
        meter.open()
        sender.send(b"U=2 V")
        assert [reading.value for reading in meter.receive(2.0)] == [2.0]
        meter.close()


def test_a_port_that_is_taken_is_named():
    with listening(VOLTS) as (sender, _), pytest.raises(InstrumentError, match="taken by another program"):
        driver(sender.port, VOLTS).open()


def test_an_address_that_is_not_ours_is_named():
    with pytest.raises(InstrumentError, match="no address of this computer"):
        driver(free_port(), VOLTS, host="192.0.2.9").open()


@pytest.mark.parametrize(
    "address",
    ["", "udp://127.0.0.1:5005", "udp://127.0.0.1?from=any", "tcp://127.0.0.1:1?from=any", "udp://h:5?from=any",
     "udp://127.0.0.1:99999?from=any", "udp://127.0.0.1:5?from=x", "udp://127.0.0.1:5/a?from=any"],
)  # fmt: skip
def test_an_address_says_where_and_from_whom(address):
    with pytest.raises(ValidationError, match="this computer's address and port"):
        UdpSettings(address=address)


def test_a_flood_of_noise_is_bounded_and_a_reading_still_comes_through():
    draw = random.Random(7)
    with listening(VOLTS) as (sender, meter):
        for _ in range(500):
            sender.send(draw.randbytes(draw.randrange(1, 2000)))
        found = []
        for _ in range(20):
            found += meter.receive(0.0)
        assert [reading for reading in found if reading.value is not None] == []
        sender.send(b"U=22 V\n" * 1000)
        assert {reading.value for reading in meter.receive(2.0)} == {22.0}
        assert len(meter.receive(0.0)) == 0
