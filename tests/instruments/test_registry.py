import sys
import types
from importlib.metadata import EntryPoint

import pytest

from benchmon.bench import read_bench
from benchmon.errors import BadInput, BenchFileError
from benchmon.instruments import registry
from benchmon.instruments.driver import Driver
from benchmon.instruments.registry import driver_names, load_driver, prepare
from benchmon.instruments.types import InstrumentSettings, Limits
from support.supplies import supply

SUPPLY = supply("t")

SCPI = """
[[instrument]]
name = "dmm"
driver = "scpi"
address = "TCPIP::127.0.0.1::5025::SOCKET"
"""

LINES = """
[[instrument]]
name = "thermo"
driver = "serial_lines"
address = "/dev/ttyUSB7"
"""


def channel(instrument, *lines, name="c", quantity="output.voltage.mean"):
    head = ["[[channel]]", f'name = "{name}"', f'instrument = "{instrument}"', f'quantity = "{quantity}"']
    return "\n".join([*head, *lines]) + "\n"


def refusal(text):
    with pytest.raises(BenchFileError) as caught:
        prepare(read_bench(SUPPLY + text), "my.toml")
    message = str(caught.value)
    assert "\n" not in message
    return message


def line_in(text, wanted):
    return 1 + next(n for n, line in enumerate((SUPPLY + text).splitlines()) if wanted in line)


def test_both_built_in_drivers_are_found_by_their_entry_points():
    assert {"scpi", "serial_lines"} <= set(driver_names())
    assert all(issubclass(load_driver(name), Driver) for name in driver_names())


def test_drivers_come_in_the_order_of_the_file_with_their_channels():
    text = LINES + SCPI
    text += channel("dmm", 'query = "MEAS?"', name="u") + channel(
        "thermo", 'group = "value"', 'period = "2 s"', name="t", quantity="load.temperature"
    )
    thermo, dmm = prepare(read_bench(SUPPLY + text))
    assert [*thermo.channels] == ["t"]
    assert (dmm.name, dmm.channels["u"].settings.query, dmm.channels["u"].unit) == ("dmm", "MEAS?", "V")
    assert thermo.streams
    assert not dmm.streams


def test_a_channel_s_limits_reach_its_driver():
    limits = ['warn_above = "20 V"', 'trip_above = "25 V"', 'trip_below = "1 V"']
    [driver] = prepare(read_bench(SUPPLY + SCPI + channel("dmm", 'query = "MEAS?"', *limits)))
    assert driver.channels["c"].limits == Limits(below=(1.0,), above=(20.0, 25.0))


def test_preparing_opens_nothing():
    text = SCPI.replace("127.0.0.1", "192.0.2.1") + LINES
    assert len(prepare(read_bench(SUPPLY + text))) == 2


def test_an_unknown_driver_is_refused_with_those_there_are():
    text = SCPI.replace('"scpi"', '"scpy"')
    message = refusal(text)
    assert message.startswith(f"my.toml:{line_in(text, 'scpy')}: instrument[1].driver")
    assert '"scpy"' in message
    assert "did you mean scpi?" in message
    assert ", ".join(driver_names()) in message


@pytest.mark.parametrize(
    ("text", "wanted", "says"),
    [
        (SCPI + "bau = 9600\n", "bau", "takes no such key; it takes address, backend, baud"),
        (SCPI + "tiemout = 1\n", "tiemout", "did you mean timeout?"),
        (SCPI + channel("dmm", 'query = "MEAS?"', 'acuracy = "1 %"'), "acuracy", "did you mean accuracy?"),
        (SCPI + 'timeout = "2 V"\n', "timeout", "not a duration"),
        (SCPI + 'timeout = "0 s"\n', "timeout", "greater than 0"),
        (SCPI + "baud = 9600\n", "baud", "belongs to a serial line"),
        (SCPI + 'error_queue = "no"\n', "error_queue", "boolean"),
        (SCPI + 'backend = "@nonesuch"\n', "backend", "no PyVISA backend"),
        (SCPI + 'read_termination = "end"\n', "read_termination", "control codes"),
        (SCPI + 'setup = ["*RST\\nSYST:PRES"]\n', "setup", "one line"),
        (SCPI.replace("TCPIP::127.0.0.1::5025::SOCKET", "127.0.0.1:5025"), "address", "TCPIP::192.0.2.5::5025::SOCKET"),
        (SCPI.replace("TCPIP::127.0.0.1::5025::SOCKET", "/dev/ttyUSB0"), "address", "ASRL/dev/ttyUSB0::INSTR"),
        (SCPI + channel("dmm"), "[[channel]]", "query: is missing"),
        (SCPI + channel("dmm", 'query = "MEAS?\\u0007"'), "query", "printable"),
        (SCPI + channel("dmm", 'query = "MEAS?"', "index = -1"), "index", "greater than or equal to 0"),
        (SCPI + channel("dmm", 'query = "MEAS?"', "factor = 0"), "factor", "must not be 0"),
        (SCPI + channel("dmm", 'query = "MEAS?"', 'unit = "mX"'), "unit", "no unit of a reading"),
        (LINES.replace("/dev/ttyUSB7", ""), "address", "must be a serial port"),
        (LINES + 'parity = "sometimes"\n', "parity", "'none', 'even'"),
        (LINES + "stop_bits = 3\n", "stop_bits", "1, 1.5 or 2"),
        (LINES + "pattern = '(?P<value>['\n", "pattern", "no regular expression"),
        (LINES + "pattern = '(?P<volts>.*)'\n" + channel("thermo"), "pattern", 'no group "value" for c, only volts'),
        (
            LINES + channel("thermo", 'query = "T?"') + channel("thermo", name="d"),
            "[[instrument]]",
            "with a query (c) and without",
        ),
    ],
)
def test_a_driver_s_key_is_refused_with_key_reason_and_line(text, wanted, says):
    message = refusal(text)
    assert says in message
    assert message.startswith(f"my.toml:{line_in(text, wanted)}: ")
    if "[[" not in wanted:
        assert f".{wanted}" in message.split(" = ")[0].split(": ")[1]


def test_the_second_channel_s_line_is_named():
    text = SCPI + channel("dmm", 'query = "MEAS?"') + channel("dmm", 'query = "MEAS?"', "indx = 1", name="d")
    assert refusal(text).startswith(f"my.toml:{line_in(text, 'indx')}: channel[2].indx = 1: its driver takes no such")


MODBUS = """
[[instrument]]
name = "relay"
driver = "modbus"
address = "tcp://192.0.2.7"
"""


def switch_off(instrument, *lines):
    return "\n".join(["[switch_off]", f'instrument = "{instrument}"', *lines]) + "\n"


def test_the_switch_is_fitted_to_its_instrument_and_to_no_other():
    text = SCPI + MODBUS + switch_off("relay", "coil = 3", "value = false")
    dmm, relay = prepare(read_bench(SUPPLY + text))
    assert (dmm.switch, relay.switch.coil, relay.switch.value) == (None, 3, False)


@pytest.mark.parametrize(
    ("text", "wanted", "says"),
    [
        (SCPI + switch_off("dmm"), "[switch_off]", "command: is missing; its driver needs it"),
        (SCPI + switch_off("dmm", 'command = ""'), "command =", "must not be empty"),
        (SCPI + switch_off("dmm", "coil = 3", "value = 0"), "coil =", "no such key; it takes command, confirm"),
        (MODBUS + switch_off("relay", "coil = 3"), "[switch_off]", "value: is missing"),
        (LINES + switch_off("thermo", 'line = "cts"', 'level = "released"'), "line =", "'rts' or 'dtr'"),
        (
            LINES + 'handshake = "rts/cts"\n' + switch_off("thermo", 'line = "rts"', 'level = "released"'),
            "line =",
            "is taken by the handshake rts/cts",
        ),
        (
            MODBUS.replace("modbus", "hand") + switch_off("relay"),
            "[switch_off]",
            "its driver cannot switch the power off; name an instrument whose driver can",
        ),
    ],
)
def test_an_impossible_switch_off_is_refused_with_its_line(text, wanted, says):
    message = refusal(text)
    assert says in message
    line = line_in(text, wanted) + (1 if "cannot switch" in says else 0)
    assert message.startswith(f"my.toml:{line}: switch_off")


@pytest.fixture
def installed(monkeypatch):
    """Make `entry_points` return what the test gives, from a module of its own."""
    module = types.ModuleType("foreign_driver_of_a_test")
    monkeypatch.setitem(sys.modules, module.__name__, module)
    entries = []

    def entry_points(group, name=None):
        return [entry for entry in entries if entry.group == group and name in (None, entry.name)]

    monkeypatch.setattr(registry, "entry_points", entry_points)

    def install(value, **members):
        vars(module).update(members)
        entries.append(EntryPoint("foreign", value, "benchmon.drivers"))

    return install


def test_a_driver_package_that_fails_to_import_is_one_clear_line(installed, tmp_path, monkeypatch):
    (tmp_path / "broken_driver_of_a_test.py").write_text("import a_library_that_is_not_there\n")
    monkeypatch.syspath_prepend(tmp_path)
    installed("broken_driver_of_a_test:Driver")
    message = refusal(SCPI.replace('"scpi"', '"foreign"'))
    assert "cannot be loaded" in message
    assert "a_library_that_is_not_there" in message


@pytest.mark.parametrize("value", ["foreign_driver_of_a_test:Missing", "foreign_driver_of_a_test:thing"])
def test_what_is_no_driver_is_refused(installed, value):
    installed(value, thing=object())
    with pytest.raises(BadInput, match=r"cannot be loaded|is no benchmon driver"):
        load_driver("foreign")


def test_two_packages_that_offer_one_name_are_not_chosen_between(installed):
    installed("foreign_driver_of_a_test:One")
    installed("foreign_driver_of_a_test:Two")
    with pytest.raises(BadInput, match="several packages"):
        load_driver("foreign")


def test_one_package_seen_twice_is_one(installed):
    class One(Driver):
        def _open(self): ...
        def _close(self): ...

    installed("foreign_driver_of_a_test:One", One=One)
    installed("foreign_driver_of_a_test:One")
    assert load_driver("foreign") is One


@pytest.mark.parametrize(
    ("problem", "says"),
    [
        (BadInput("needs the moon in the second house"), "needs the moon in the second house"),
        (ZeroDivisionError("oops\n"), r"its driver failed (ZeroDivisionError: oops\n); report this to its author"),
    ],
)
def test_what_a_foreign_driver_raises_on_being_built_is_one_line(installed, problem, says):
    class Fussy(Driver):
        def __init__(self, *_):
            raise problem

        def _open(self): ...
        def _close(self): ...

    installed("foreign_driver_of_a_test:Fussy", Fussy=Fussy)
    assert Fussy.settings_model is InstrumentSettings
    assert refusal(SCPI.replace('"scpi"', '"foreign"')).endswith(f"instrument[1]: {says}")
