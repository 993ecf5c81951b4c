"""Damaged lines, rows, frames, registers, preambles and blocks: what a meter did not send is never a reading.

Each parser gets messages as a meter sends them with bytes changed, added, lost or cut, and whatever it takes for a
value must stand in the message, as the test reads it by itself. The long version draws 100,000 of each.
"""

import math
import random
import re
import struct
from decimal import Decimal

import pytest

from benchmon.errors import BadReply
from benchmon.instruments.types import DrivenChannel
from benchmon_drivers.csv_tail import CsvTailChannel, CsvTailDriver, CsvTailSettings
from benchmon_drivers.modbus.driver import ModbusChannel, ModbusDriver, ModbusSettings
from benchmon_drivers.scpi.ieee488_block import BlockReply
from benchmon_drivers.scpi.waveform_format import WaveKeys
from benchmon_drivers.serial.frame_numbers import SerialFramesChannel, frame_value
from benchmon_drivers.serial.frames import FrameLayout, FrameSplitter
from benchmon_drivers.serial.lines import LineSplitter, SerialLinesChannel, SerialLinesDriver, SerialLinesSettings
from benchmon_drivers.value_file import ValueFileChannel, ValueFileDriver, ValueFileSettings
from support.far_ends.damage import NOISE, damaged, numbers_in, stands_in


def line_driver(**keys):
    settings = SerialLinesSettings.model_validate({"address": "loop://"} | keys)
    return SerialLinesDriver("meter", settings, [DrivenChannel("u", "V", 1.0, 1.0, SerialLinesChannel())])


LINES = [
    (line_driver(), lambda v, draw: f"{v:.3f} {draw.choice(('V', 'mV', 'VDC', 'uV'))}\r\n".encode()),
    (line_driver(), lambda v, draw: f"{abs(v):.2f}{draw.choice('+-')}\r\n".encode()),
    (
        line_driver(pattern="U=(?P<value>[0-9.,]+)(?P<sign>[+-]) I=.*"),
        lambda v, _: f"U={abs(v):.2f}- I=0.7A\n".encode(),
    ),
]


def check_lines(draw):
    driver, make = draw.choice(LINES)
    sent = damaged(make(draw.uniform(-300, 300), draw) * draw.randrange(1, 3), draw)
    splitter = LineSplitter()
    splitter.restart(0.0, in_step=True)
    taken = 0
    for line in splitter.feed(sent, 1.0):
        assert line in sent
        text = line.decode("utf-8", "replace").strip()
        value = driver._value(driver.channels["u"], text)
        if isinstance(value, float) and math.isfinite(value):
            taken += 1
            signed = f"{text} -{text.partition('U=')[2]}" if "U=" in text else text
            assert stands_in(value, signed), (value, sent)
    return bool(taken)


HEX = SerialLinesDriver(
    "meter",
    SerialLinesSettings(address="loop://", pattern="V=(?P<value>[0-9A-Fx ]+)"),
    [DrivenChannel("u", "V", 1.0, 1.0, SerialLinesChannel(digits="hexadecimal", bits=16))],
)


def check_hexadecimal(draw):
    text = damaged(f"V={draw.randrange(65536):04X}".encode(), draw, b"0123456789ABCDEFx V=").decode()
    value = HEX._value(HEX.channels["u"], text)
    if not isinstance(value, float):
        return False
    digits = text.removeprefix("V=").replace(" ", "").lower()
    wanted = int(digits, 16)
    assert wanted < 65536
    assert value == (wanted - 65536 if wanted >= 32768 else wanted), text
    return True


TABLE = CsvTailDriver(
    "logger",
    CsvTailSettings(address="log.csv", separator=";", header=False, decimal_comma=True),
    [DrivenChannel(name, "V", 1.0, 1.0, CsvTailChannel(column=at)) for at, name in enumerate("ab", 2)],
)
TABLE._find_columns()


def check_rows(draw):
    row = damaged(f"{draw.randrange(999)};{draw.uniform(-9, 9):.3f};{draw.uniform(0, 9):.2f} mV".encode(), draw)
    taken = False
    for name, value in TABLE._values(row):
        if isinstance(value, float) and math.isfinite(value):
            taken = True
            fields = row.decode("utf-8", "replace").replace('"', "").split(";")
            assert any(stands_in(value, field) for field in fields[1:]), (name, value, row)
    return taken


class WrittenFile(ValueFileDriver):
    """A file whose text a test gives."""

    text = ""

    def _read(self, path):  # noqa: ARG002 - there is none
        return self.text.strip()


FILE = WrittenFile(
    "sensor",
    ValueFileSettings(address="/sys/class/x"),
    [
        DrivenChannel("u", "V", 1.0, 1.0, ValueFileChannel()),
        DrivenChannel("t", "V", 1.0, 1.0, ValueFileChannel(pattern="t=([-0-9.]+)")),
    ],
)


def check_files(draw):
    made = (
        f"{draw.uniform(-300, 300):.3f}\n",
        f"{draw.randrange(999)} mV\n",
        f"crc=3f YES\nt={draw.uniform(-9, 9):.2f}\n",
    )
    FILE.text = damaged(draw.choice(made).encode(), draw).decode("utf-8", "replace")
    taken = False
    for channel in FILE.channels.values():
        try:
            value = FILE._query(channel)
        except BadReply:
            continue
        taken = True
        # What the second pattern leaves out, such as an exponent, is not looked at.
        where = [FILE.text] if channel.name == "u" else re.findall("t=([-0-9.]+)", FILE.text)
        assert stands_in(value, where[0]), (channel.name, value, FILE.text)
    return taken


LAYOUT = FrameLayout(sync=b"\xaa\x55", tail=b"\x0d", length=9, checksum="crc8", checksum_from=2)
FIELD = SerialFramesChannel(at=3, format=">h", fixed_range=True)
DIGITS = SerialFramesChannel.model_validate(
    {"at": 3, "format": "ascii", "count": 4, "ranges": [{"when": [[2, 3, n]], "factor": 10.0**-n} for n in range(4)]}
)


def own_crc8(data):
    """CRC-8 of polynomial x⁸ + x² + x + 1, bit by bit by long division of the whole message."""
    value = int.from_bytes(data, "big") << 8
    for shift in range(8 * len(data) - 1, -1, -1):
        if value >> (shift + 8) & 1:
            value ^= 0x107 << shift
    return value


def check_frames(draw):
    stream = b""
    for _ in range(3):
        body = b"\xaa\x55" + bytes([draw.randrange(4)]) + b"%04d" % draw.randrange(10_000)
        stream += body + bytes([own_crc8(body[2:])]) + b"\x0d"
    stream = damaged(stream, draw, bytes(range(256)))
    windows = {stream[at : at + 9] for at in range(len(stream) - 8)}
    whole = {one for one in windows if one[:2] == b"\xaa\x55" and one[8] == 13 and own_crc8(one[2:7]) == one[7]}
    found = FrameSplitter(LAYOUT).feed(stream, 1.0)
    assert set(found) <= whole
    for frame in found:
        assert frame_value(FIELD, frame) == struct.unpack_from(">h", frame, 3)[0]
        value = frame_value(DIGITS, frame)
        if isinstance(value, float):
            text = frame[3:7].decode("latin-1").strip(" \0")
            assert value == pytest.approx(float(text) / 10 ** (frame[2] & 3), rel=1e-12)
    return bool(found)


METER = ModbusDriver(
    "meter",
    ModbusSettings(address="tcp://127.0.0.1"),
    [
        DrivenChannel(
            "u",
            "V",
            1.0,
            1.0,
            ModbusChannel.model_validate(
                {
                    "register": 0,
                    "type": "bcd32",
                    "sign": {"register": 2, "mask": 0x8000},
                    "exponent": {"register": 2, "type": "decimals", "mask": 0x00F0},
                }
            ),
        )
    ],
)


def check_registers(draw):
    digits = "".join(draw.choice("0123456789" * 6 + "ABCDEF") for _ in range(8))
    beside = draw.randrange(65536)
    value = METER._value(METER.channels["u"], [int(digits[:4], 16), int(digits[4:], 16), beside], {}, {})
    if not digits.isdecimal():
        assert isinstance(value, BadReply)
        return False
    wanted = Decimal(digits).scaleb(-(beside >> 4 & 15))
    assert value == pytest.approx(float(-wanted if beside >> 15 else wanted), rel=1e-12)
    return True


WAVES = WaveKeys(preamble=["points", "x_increment", "y_increment", "y_origin"], separator=";", codes="int8")


def check_preambles(draw):
    step = draw.choice((f"{draw.uniform(1, 90):.3f} us", f"STEP {draw.uniform(1e-6, 1e-3):.3E}", '"4.0E-5"'))
    volts = f"{draw.uniform(1e-3, 1):.3E} V;{draw.uniform(-9, 9):.2f}"
    text = damaged(f"{draw.randrange(2, 9)};{step};{volts}".encode(), draw)
    try:
        preamble = WAVES.read_preamble(text)
    except BadReply:
        return False
    shown = text.decode("utf-8", "replace")
    for name in ("x_increment", "y_increment", "y_origin"):
        assert stands_in(preamble.scale[name], shown.replace('"', "")), (name, preamble, text)
    assert preamble.points in numbers_in(shown.replace('"', ""))
    return True


def check_blocks(draw):
    data = bytes(draw.choice(NOISE) for _ in range(draw.randrange(1, 40)))
    message = damaged(b"#%d%d" % (len(str(len(data))), len(data)) + data + b"\n", draw, bytes(range(256)))
    reply = BlockReply()
    try:
        while message and reply.missing:
            size = max(1, min(reply.missing, draw.randrange(1, 20)))
            reply.take(message[:size])
            message = message[size:]
        found = reply.data()
    except BadReply:
        return False
    whole = bytes(reply._got)
    head = re.match(rb"[^#]*#([0-9])", whole)
    count = int(head[1])
    if count:
        begin = head.end() + count
        assert found == whole[begin : begin + int(whole[head.end() : begin])]
    return True


CHECKS = [
    check_lines,
    check_hexadecimal,
    check_rows,
    check_files,
    check_frames,
    check_registers,
    check_preambles,
    check_blocks,
]


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("draws", [300, pytest.param(100_000, marks=[pytest.mark.long, pytest.mark.timeout(3600)])])
def test_what_was_not_sent_is_never_a_reading(check, draws):
    """Each check asserts that of what it draws, and returns whether a value was taken."""
    draw = random.Random(draws)
    assert sum(check(draw) for _ in range(draws)) > draws / 50, "damage that leaves nothing to read tries nothing"
