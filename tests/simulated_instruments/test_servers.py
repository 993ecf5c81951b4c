"""Every family of instruments, server against driver over the real line: registers, frames, files, tables."""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

from benchmon.bench import read_bench
from benchmon.errors import BadInput
from benchmon.instruments.registry import prepare
from benchmon_simulated import SimulatedBench
from support.supplies import easy
from support.waiting import until

INSTRUMENT = '[[instrument]]\nname = "meter"\ndriver = "{}"\naddress = "{}"\ntimeout = "9 s"\n'
"""An instrument whose driver waits longer for an answer than a busy machine holds it up."""
CHANNEL = (
    '[[channel]]\nname = "{}"\ninstrument = "meter"\nquantity = "{}"\naccuracy = "0.1 % + 10 mV"\nperiod = "0.1 s"\n'
)
VOLTS = CHANNEL.format("output", "output.voltage.mean")
WATTS = CHANNEL.format("power", "mains.power.active").replace("10 mV", "0.1 W")
AIR = CHANNEL.format("air", "ambient.temperature").replace("0.1 % + 10 mV", "0.5 K")


def readings(simulated, names):
    """Read the named channels once through the driver that the bench names."""
    (driver,) = prepare(read_bench(simulated.bench_text()))
    driver.open()
    try:
        found = {}
        if driver.streams:
            until(lambda: found.update((r.channel, r.value) for r in driver.receive(0.1)) or set(names) <= set(found))
        else:
            found = {name: driver.read(name).value for name in names}
        return found
    finally:
        driver.close()


def near_truth(simulated, names):
    """Return about what the named channels should read now."""
    true = simulated.supply.snapshot.values
    quantities = {"output": "output.voltage.mean", "power": "mains.power.active", "air": "ambient.temperature"}
    return pytest.approx({name: true[quantities[name]] for name in names}, rel=8e-3, abs=0.6)


TYPES = ["uint16", "int16", "uint32", "int32", "uint64", "int64", "float32", "float64"]


@pytest.mark.parametrize(
    ("address", "served"),
    [
        ("tcp://192.0.2.5:502", "tcp://127.0.0.1:"),
        ("udp://192.0.2.5", "udp://127.0.0.1:"),
        ("/dev/ttyUSB0", "/"),
    ],
)
def test_modbus_registers_of_every_type_and_order(address, served):
    channels, expected = "", {}
    for at, kind in enumerate(TYPES):
        name = f"output {kind}"
        factor = "" if kind.startswith("float") else "factor = 0.01\n"
        order = f'word_order = "{"little" if at % 2 else "big"}"\nbyte_order = "{"little" if at % 3 else "big"}"\n'
        function = f'function = "{"input" if at % 2 else "holding"}"\n'
        channels += VOLTS.replace('"output"', f'"{name}"') + f'register = {10 * at}\ntype = "{kind}"\n'
        channels += factor + order + function + ("unit = 7\n" if at == 3 else "")
        expected[name] = "output.voltage.mean"
    with SimulatedBench(easy(INSTRUMENT.format("modbus", address) + channels), seed=2) as simulated:
        until(lambda: simulated.supply.snapshot.time > 0.3)
        found = readings(simulated, expected)
        true = simulated.supply.snapshot.values["output.voltage.mean"]
    assert simulated.addresses["meter"].startswith(served)
    assert found == pytest.approx(dict.fromkeys(expected, true), rel=5e-3)


def test_modbus_digits_masks_signs_and_exponents_over_ascii():
    channels, expected = "", {}
    for at, keys in enumerate(
        [
            'type = "bcd32"\nfactor = 0.001\n',
            "mask = 0x7FFF\nsign = { register = 10, mask = 0x8000 }\nfactor = 0.01\n",
            "exponent = { register = 21 }\n",
            'exponent = { register = 37, type = "decimals", mask = 0x0F }\nsign = { register = 37, mask = 0x80 }\n',
        ]
    ):
        channels += VOLTS.replace('"output"', f'"output {at}"') + f"register = {10 * at}\n" + keys
        expected[f"output {at}"] = "output.voltage.mean"
    text = INSTRUMENT.format("modbus", "/dev/ttyUSB0") + 'framing = "ascii"\n' + channels
    with SimulatedBench(easy(text), seed=2) as simulated:
        until(lambda: simulated.supply.snapshot.time > 0.3)
        found = readings(simulated, expected)
        true = simulated.supply.snapshot.values["output.voltage.mean"]
    assert found == pytest.approx(dict.fromkeys(expected, true), rel=5e-3)


def test_modbus_registers_that_are_not_there_are_refused():
    text = INSTRUMENT.format("modbus", "tcp://127.0.0.1:0") + VOLTS + 'register = 3\ntype = "float32"\n'
    with SimulatedBench(easy(text)) as simulated:
        elsewhere = simulated.bench_text().replace("register = 3", "register = 4")
        (driver,) = prepare(read_bench(elsewhere))
        driver.open()
        try:
            reading = driver.read("output")
        finally:
            driver.close()
    assert reading.value is None
    assert "illegal data address" in reading.problem


def test_a_scpi_meter_with_an_echo_commas_reversed_leads_and_units():
    keys = 'identity = "ID?"\necho = true\nseparator = ";"\ndecimal_comma = true\nread_termination = "\\u0003"\n'
    text = INSTRUMENT.format("scpi", "TCPIP::192.0.2.5::5025::SOCKET") + keys
    text += VOLTS + 'query = "MEAS:ALL?"\nindex = 1\nfactor = -1\nunit = "mV"\n'
    text += WATTS + 'query = "POW?"\npattern = "P=(?P<value>[-+0-9.]+) (?P<unit>\\\\w+) ok"\nunit = "mW"\n'
    text += AIR + 'query = "MEAS:ALL?"\nindex = 0\nunit = "°F"\n'
    with SimulatedBench(easy(text), seed=2) as simulated:
        assert readings(simulated, ["output", "power", "air"]) == near_truth(simulated, ["output", "power", "air"])


def test_lines_in_another_unit_with_reversed_leads():
    text = INSTRUMENT.format("serial_lines", "/dev/ttyUSB0")
    text += VOLTS + 'pattern = "U=(?P<value>[-+0-9.]+)"\nfactor = -0.5\nunit = "mV"\n'
    text += AIR + 'pattern = "T (?P<value>[-+0-9.]+) (?P<unit>\\\\S+)"\nunit = "K"\noffset = 2\n'
    with SimulatedBench(easy(text), seed=2) as simulated:
        assert readings(simulated, ["output", "air"]) == near_truth(simulated, ["output", "air"])


def test_lines_of_hexadecimal_digits():
    text = INSTRUMENT.format("serial_lines", "/dev/ttyUSB0")
    text += VOLTS + 'pattern = "U(?P<value>[0-9A-F]{4}).*"\ndigits = "hexadecimal"\nunit = "mV"\n'
    text += AIR + 'pattern = "T(?P<value>[0-9a-f]{6})"\ndigits = "hexadecimal"\nbits = 24\nfactor = -0.01\n'
    with SimulatedBench(easy(text), seed=2) as simulated:
        until(lambda: simulated.supply.snapshot.time > 0.3)
        assert readings(simulated, ["output", "air"]) == near_truth(simulated, ["output", "air"])


def test_lines_asked_by_a_control_code_and_ended_by_another():
    text = INSTRUMENT.format("serial_lines", "/dev/ttyUSB0") + 'write_termination = ""\nread_termination = "\\u0003"\n'
    text += VOLTS + 'query = "\\u0005"\n'
    with SimulatedBench(easy(text), seed=2) as simulated:
        until(lambda: simulated.supply.snapshot.time > 0.3)
        assert readings(simulated, ["output"]) == near_truth(simulated, ["output"])


@pytest.mark.parametrize(
    ("name", "how"),
    [
        ("serial_lines", 'text = "mains 2 off"\nconfirm = "mains 2?"\noff_answer = "off"\n'),
        ("serial_lines", 'bytes = "3C 10 00"\nconfirm = "3C 20 00"\noff_answer = "3C 11 00"\n'),
        ("modbus", "register = 9\nvalue = 165\n"),
        ("modbus", "coil = 9\nvalue = 1\n"),
        ("modbus", 'coil = 3\nvalue = true\nconfirm = ["discrete", 19, 0]\n'),
        ("modbus", 'register = 40\nvalue = 0\nconfirm = ["input", 7, 258]\n'),
        ("modbus", 'coil = 3\nvalue = 0\nconfirm = ["holding", 90, 0]\n'),
        ("modbus", 'coil = 3\nvalue = 0\nconfirm = ["coil", 4, 1]\n'),
    ],
)
def test_a_relay_board_switches_the_supply_off_and_confirms(name, how):
    text = INSTRUMENT.format(name, "/dev/ttyUSB0") + '[switch_off]\ninstrument = "meter"\n' + how
    with SimulatedBench(easy(text), seed=2) as simulated:
        (driver,) = prepare(read_bench(simulated.bench_text()))
        driver.arm_switch()
        try:
            assert driver.is_off() is False
            driver.switch_off()
            until(driver.is_off)
            assert not simulated.supply.on
        finally:
            driver.ending = True
            driver.close()


FRAME_LAYOUTS = [
    'sync = "AA 55"\nlength = 12\nchecksum = "sum"\n',
    'sync = "AA"\nlength = 14\nchecksum = "xor"\ntail = "0D 0A"\nchecksum_from = 1\n',
    'length = 12\nchecksum = "crc16"\n',
    'sync = "7E"\nlength_at = 1\nlength_adds = 2\nchecksum = "crc16"\nchecksum_order = "big"\ntail = "7F"\n',
    'sync = "02"\nlength = 11\ntail = "03"\n',
]


@pytest.mark.parametrize("query", ["", 'query = "01 10"\n'])
@pytest.mark.parametrize("layout", FRAME_LAYOUTS)
def test_frames_of_every_layout(layout, query):
    text = INSTRUMENT.format("serial_frames", "/dev/ttyUSB0") + layout + query
    text += VOLTS + 'at = 3\nformat = ">h"\nfactor = 0.01\n' + WATTS + 'at = 5\nformat = "<f"\n'
    with SimulatedBench(easy(text), seed=2) as simulated:
        until(lambda: simulated.supply.snapshot.time > 0.3)
        assert readings(simulated, ["output", "power"]) == near_truth(simulated, ["output", "power"])


PAGE = files("benchmon").joinpath("manual/serial-frames.md").read_text("utf-8")
WORKED_EXAMPLES = re.findall(r"Sent:\s`[0-9A-F ]+`\. Read: `[^`]+`\..*?```toml\n(.*?)```", PAGE, re.DOTALL)


@pytest.mark.parametrize("text", WORKED_EXAMPLES)
def test_the_worked_examples_of_the_manual_have_a_far_end(text):
    name = re.search(r'name = "(output .*)"', text)[1]
    with SimulatedBench(easy(text), seed=2) as simulated:
        until(lambda: simulated.supply.snapshot.time > 0.3)
        found = readings(simulated, [name])
        true = simulated.supply.snapshot.values["output.voltage.mean"]
    assert found[name] == pytest.approx(true, rel=2e-2)


@pytest.mark.parametrize(
    ("checksum", "number"),
    [
        ("sum16", 'format = "s24"\nfactor = 0.0001\n'),
        ("negated sum", 'format = "<u24"\nfactor = 0.0001\n'),
        ("crc8", 'format = "hex"\ncount = 5\nfactor = 0.001\n'),
        ("ccitt", 'format = "bcd"\ncount = 5\nmask = 15\nfixed_range = true\nfactor = 0.001\n'),
        ("xmodem", 'format = "ascii"\ncount = 6\npoint = [[10, 1, 3], [10, 2, 2], [10, 4, 1]]\n'),
        ("inverted sum", 'format = "B"\nexponent = [10, 7, -4]\n'),
    ],
)
def test_digits_and_checksums_of_frames(checksum, number):
    layout = f'sync = "AA"\nlength = 14\nchecksum = "{checksum}"\n'
    text = INSTRUMENT.format("serial_frames", "/dev/ttyUSB0") + layout + VOLTS + "at = 3\n" + number
    with SimulatedBench(easy(text), seed=2) as simulated:
        until(lambda: simulated.supply.snapshot.time > 0.3)
        assert readings(simulated, ["output"]) == near_truth(simulated, ["output"])


def test_frames_of_several_kinds_differ_by_a_byte():
    text = INSTRUMENT.format("serial_frames", "/dev/ttyUSB0") + 'sync = "AA"\nlength = 6\nchecksum = "sum"\n'
    text += VOLTS + 'at = 2\nformat = ">H"\nfactor = 0.001\nwhen = [1, 16]\n'
    text += AIR + 'at = 2\nformat = ">h"\nfactor = 0.1\noffset = -40\nwhen = [1, 17]\n'
    with SimulatedBench(easy(text), seed=2) as simulated:
        until(lambda: simulated.supply.snapshot.time > 0.3)
        assert readings(simulated, ["output", "air"]) == near_truth(simulated, ["output", "air"])


def test_numbers_in_files():
    text = INSTRUMENT.format("value_file", "/sys/class/hwmon/hwmon*")
    text += AIR + 'file = "temp1_input"\nfactor = 0.001\n' + VOLTS + 'file = "in0_input"\n'
    with SimulatedBench(easy(text), seed=2) as simulated:
        until(lambda: simulated.supply.snapshot.time > 0.5)
        assert readings(simulated, ["air", "output"]) == near_truth(simulated, ["air", "output"])


def test_a_one_wire_thermometer_s_text():
    text = INSTRUMENT.format("value_file", "/sys/bus/w1/devices/28-*/w1_slave")
    text += AIR + "pattern = 'YES\\s[^=]*t=(-?\\d+)'\nfactor = 0.001\n"
    with SimulatedBench(easy(text), seed=2) as simulated:
        assert readings(simulated, ["air"]) == near_truth(simulated, ["air"])


@pytest.mark.parametrize("keys", ["", 'separator = ";"\ndecimal_comma = true\n', "header = false\n"])
def test_a_logger_s_table(keys):
    text = INSTRUMENT.format("csv_tail", "/home/me/log.csv") + keys
    columns = ("column = 4\n", "column = 2\n") if "false" in keys else ('column = "U out"\n', 'column = "T"\n')
    text += VOLTS + columns[0] + AIR + columns[1]
    with SimulatedBench(easy(text), seed=2) as simulated:
        until(lambda: simulated.supply.snapshot.time > 0.5)
        assert readings(simulated, ["output", "air"]) == near_truth(simulated, ["output", "air"])


@pytest.mark.parametrize(
    ("text", "names"),
    [
        (INSTRUMENT.format("modbus", "COM3") + VOLTS, ["'output'", "register"]),
        (INSTRUMENT.format("modbus", "COM3") + VOLTS + 'register = 1\ntype = "text"\n', ["'output'", "type"]),
        (
            INSTRUMENT.format("modbus", "COM3") + VOLTS + "register = 1\n" + WATTS + 'register = 0\ntype = "int32"\n',
            ["'power'", "another channel"],
        ),
        (INSTRUMENT.format("modbus", "COM3") + VOLTS + 'register = 1\nfunction = "coil"\n', ["'output'", "function"]),
        (
            INSTRUMENT.format("serial_frames", "COM3") + 'sync = "G"\n' + VOLTS + 'at = 1\nformat = "h"\n',
            ["'meter'", "sync", "hexadecimal"],
        ),
        (INSTRUMENT.format("serial_frames", "COM3") + VOLTS + 'at = 1\nformat = ">z"\n', ["format"]),
        (INSTRUMENT.format("serial_frames", "COM3") + "length = 4\n" + VOLTS + 'at = 3\nformat = ">h"\n', ["'output'"]),
        (INSTRUMENT.format("value_file", "/x") + VOLTS + 'file = "../secret"\n', ["'output'", "file"]),
        (INSTRUMENT.format("value_file", "/x") + VOLTS + "pattern = '(a|b)+'\n", ["'output'", "pattern"]),
    ],
)
def test_what_has_no_twin_is_refused(text, names):
    with pytest.raises(BadInput) as refusal:
        SimulatedBench(easy(text))
    assert all(name in str(refusal.value) for name in names), str(refusal.value)
    assert str(refusal.value).isprintable()


SWITCHES = [
    ("scpi", "TCPIP::127.0.0.1::0::SOCKET", 'command = "OUTPut OFF"\nconfirm = "OUTPut?"\n'),
    ("scpi", "ASRL/dev/ttyS0::INSTR", 'command = "OUTP 0"\n'),
    ("modbus", "tcp://127.0.0.1:0", "coil = 3\nvalue = true\n"),
    ("modbus", "tcp://127.0.0.1:0", "coil = 0\nvalue = 0\nunit = 9\n"),
    ("modbus", "udp://192.0.2.5", "coil = 3\nvalue = true\n"),
    ("modbus", "/dev/ttyUSB0", "coil = 65535\nvalue = 1\n"),
]


@pytest.mark.parametrize("stuck", [False, True])
@pytest.mark.parametrize(("driver", "address", "keys"), SWITCHES)
def test_a_switch_cuts_the_mains_unless_its_contacts_have_welded(driver, address, keys, stuck):
    ask = 'query = "MEAS:VOLT?"\n' if driver == "scpi" else 'register = 0\ntype = "float32"\n'
    text = INSTRUMENT.format(driver, address) + VOLTS + ask + '[switch_off]\ninstrument = "meter"\n' + keys
    with SimulatedBench(easy(text), faults=["stuck-relay"] if stuck else []) as simulated:
        (driver,) = prepare(read_bench(simulated.bench_text()))
        driver.open()
        try:
            driver.arm_switch()
            assert simulated.supply.on
            assert driver.is_off() in (None, False)
            driver.switch_off()
            until(lambda: not simulated.supply.on)
            assert driver.is_off() in (None, True)
            cut = simulated.supply.snapshot.time + 0.5
            until(lambda: simulated.supply.snapshot.time > cut)
            volts = driver.read("output").value
        finally:
            driver.close()
    assert (volts > 5.0) if stuck else (abs(volts) < 0.1)


def test_datagrams_of_json_and_of_lines():
    text = INSTRUMENT.format("udp", "udp://192.168.1.2:5005?from=192.168.1.7")
    text += VOLTS + 'json = "$.sensors[1].volts"\n' + WATTS + "json = \"$['power meter'].watts\"\n"
    text += AIR + 'pattern = "air=([-0-9.]+) C"\nfactor = 0.5\noffset = 3\n'
    with SimulatedBench(easy(text), seed=2) as simulated:
        assert simulated.addresses["meter"].endswith("?from=127.0.0.1")
        assert readings(simulated, ["output", "power", "air"]) == near_truth(simulated, ["output", "power", "air"])


def test_topics_of_an_old_broker():
    text = INSTRUMENT.format("mqtt", "mqtt://broker.example") + 'topic = "lab/plug"\nstatus_topic = "lab/state"\n'
    text += VOLTS + 'json = "$.output"\nunit = "mV"\n' + WATTS + 'json = "$.mains.watts"\n'
    text += AIR + 'topic = "lab/air"\n'
    with SimulatedBench(easy(text), seed=2) as simulated:
        assert readings(simulated, ["output", "power", "air"]) == near_truth(simulated, ["output", "power", "air"])


def test_pages_of_json_and_of_text():
    text = INSTRUMENT.format("http", "http://192.0.2.7/readings?all=1")
    text += VOLTS + 'json = "$.output"\nunit = "mV"\n' + WATTS + 'json = "$.mains.watts"\n'
    text += AIR + 'path = "/air.html"\npattern = "<b>(?P<value>[-0-9.]+)</b>"\n'
    with SimulatedBench(easy(text), seed=2) as simulated:
        assert readings(simulated, ["output", "power", "air"]) == near_truth(simulated, ["output", "power", "air"])


@pytest.mark.parametrize(
    "keys",
    ["", "factor = 0.01\noffset = -273.15\n", 'separator = ";"\ndecimal_comma = true\nskip_lines = 2\n'],
    ids=["text", "image", "text with commas"],
)
def test_pictures_of_temperatures(keys):
    text = INSTRUMENT.format("thermal_picture", "/home/me/pictures/*") + "size = [32, 24]\n" + keys
    text += AIR + "region = [3, 4, 5, 6]\n"
    text += AIR.replace('"air"', '"cool"') + 'region = [20, 0, 4, 4]\nmeasure = "minimum"\n'
    text += AIR.replace('"air"', '"mean"') + 'region = [20, 4, 4, 4]\nmeasure = "mean"\n'
    with SimulatedBench(easy(text), seed=2) as simulated:
        found = readings(simulated, ["air", "cool", "mean"])
        true = simulated.supply.snapshot.values["ambient.temperature"]
    assert found == pytest.approx(dict.fromkeys(found, true), abs=0.6)


def test_frames_in_datagrams():
    text = INSTRUMENT.format("udp_frames", "udp://192.168.1.2:5005?from=192.168.1.7") + FRAME_LAYOUTS[0]
    text += VOLTS + 'at = 3\nformat = ">h"\nfactor = 0.01\n' + WATTS + 'at = 5\nformat = "<f"\n'
    with SimulatedBench(easy(text), seed=2) as simulated:
        until(lambda: simulated.supply.snapshot.time > 0.3)
        assert readings(simulated, ["output", "power"]) == near_truth(simulated, ["output", "power"])
