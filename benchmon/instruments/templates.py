"""Templates of instruments, one for each family, by what a person sees on the meter.

Pure data, over which any kind of form can be built: which keys of the bench file are asked for, with a usual answer for
each. What a key means stands in the driver's own models.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from benchmon.instruments.types import Port
from benchmon.quantities import UNITS

Value = str | int | float | Sequence["Value"]


@dataclass(frozen=True, slots=True)
class TemplateKey:
    """A key of an `[[instrument]]` or a `[[channel]]` that a person is asked for, and its usual value.

    `value` may be a function of the channel's quantity; None is a key without a usual value. A key `waves.preamble` is
    the key `preamble` in the section `waves` of an instrument.
    """

    key: str
    value: Value | Callable[[str], Value | None] | None = None

    def usual(self, quantity: str = "") -> Value | None:
        """Return the usual value, for a channel of `quantity`; None where there is none."""
        return self.value(quantity) if callable(self.value) else self.value


@dataclass(frozen=True, slots=True)
class Template:
    """A family of meters: `seen` is what a person sees on one, `driver` reads it, `page` of the manual describes it.

    `extra` is the extra of the package that its driver needs, "" for none. `address` is a usual address; ports whose
    address begins with one of `ports` may be such a meter.
    """

    name: str
    seen: str
    driver: str
    page: str
    address: str = ""
    ports: tuple[str, ...] = ()
    instrument: tuple[TemplateKey, ...] = ()
    channel: tuple[TemplateKey, ...] = ()
    period: str = "1 s"
    extra: str = ""

    def fitting(self, found: Sequence[Port]) -> Iterator[Port]:
        """Yield those of the ports that were `found` where such a meter may be; of one place only one."""
        seen = set()
        for port in found:
            here = port
            if port.driver == "serial_lines" and "ASRL" in self.ports:
                here = replace(port, driver="scpi", address=f"ASRL{port.address}::INSTR")
            fits = here.driver == self.driver or (here.driver == "serial_lines" and "/dev/" in self.ports)
            if fits and here.is_instrument and here.address.startswith(self.ports) and here.address not in seen:
                seen.add(here.address)
                yield here


def scpi_query(quantity: str) -> str | None:
    """Return the usual SCPI query for a quantity (SCPI-1999 volume 2, 3 MEASure), None where there is none."""
    return next((query for ending, query in _QUERIES if quantity.endswith(ending)), None)


def _member(quantity: str) -> str:
    """Return a JSON path with the last part of a quantity that says what it is."""
    parts = [part for part in quantity.split(".") if part not in ("rms", "mean", "active", "case")]
    return f"$.{parts[-1]}"


_QUERIES = (
    (".voltage.mean", "MEASure:VOLTage:DC?"),
    (".current.mean", "MEASure:CURRent:DC?"),
    (".voltage.ac_rms", "MEASure:VOLTage:AC?"),
    (".voltage.rms", "MEASure:VOLTage:AC?"),
    (".current.rms", "MEASure:CURRent:AC?"),
    (".frequency", "MEASure:FREQuency?"),
    ("temperature", "MEASure:TEMPerature?"),
    ("temperature.case", "MEASure:TEMPerature?"),
)
_QUERY = TemplateKey("query", scpi_query)
_BAUD = TemplateKey("baud", 9600)
_ONE_NUMBER = r"(?P<value>[-+]?[0-9.]+)"
_ONE_OF_SEVERAL = r"U=(?P<volts>[-+]?[0-9.]+) I=(?P<amps>[-+]?[0-9.]+)"


def _group(quantity: str) -> str:
    return "amps" if UNITS.get(quantity) == "A" else "volts"


_PREAMBLE = ("points", "x_increment", "x_origin", "-", "y_increment", "y_origin")

TEMPLATES: tuple[Template, ...] = (
    Template("numbers only", "it shows numbers only: no plug for a computer", "hand", "hand", period="60 s"),
    Template(
        "SCPI on the network",
        "a LAN socket, and SCPI commands in its manual",
        "scpi",
        "scpi",
        "TCPIP::192.0.2.5::5025::SOCKET",
        ("TCPIP",),
        channel=(_QUERY,),
    ),
    Template(
        "SCPI by USB",
        "a USB plug, and SCPI commands in its manual (USB-TMC)",
        "scpi",
        "scpi",
        "USB0::0x1234::0x5678::SERIAL::INSTR",
        ("USB", "/dev/usbtmc"),
        channel=(_QUERY,),
    ),
    Template(
        "SCPI by GPIB",
        "a wide GPIB plug (IEEE 488), and SCPI commands in its manual",
        "scpi",
        "scpi",
        "GPIB0::22::INSTR",
        ("GPIB",),
        channel=(_QUERY,),
    ),
    Template(
        "SCPI on a serial line",
        "a serial plug (RS-232, or USB that shows up as a serial port), and SCPI commands in its manual",
        "scpi",
        "scpi",
        "ASRL/dev/ttyUSB0::INSTR",
        ("ASRL",),
        instrument=(_BAUD,),
        channel=(_QUERY,),
    ),
    Template(
        "a scope",
        "a scope or digitiser with SCPI commands, whose waves are to be measured",
        "scpi",
        "scpi",
        "TCPIP::192.0.2.6::5025::SOCKET",
        ("TCPIP", "USB", "/dev/usbtmc"),
        instrument=(TemplateKey("waves.preamble", _PREAMBLE),),
        channel=(TemplateKey("preamble", "TRACe:PREamble? CH1"), TemplateKey("wave", "TRACe:DATA? CH1")),
    ),
    Template(
        "lines by itself",
        "it sends lines of text by itself over a serial line, a number each",
        "serial_lines",
        "serial-lines",
        "/dev/ttyUSB0",
        ("/dev/",),
        instrument=(_BAUD,),
    ),
    Template(
        "several values a line",
        "it sends lines of text by itself over a serial line, several numbers each",
        "serial_lines",
        "serial-lines",
        "/dev/ttyUSB0",
        ("/dev/",),
        instrument=(_BAUD, TemplateKey("pattern", _ONE_OF_SEVERAL)),
        channel=(TemplateKey("group", _group),),
    ),
    Template(
        "lines when asked",
        "it answers a line of text over a serial line when it is asked",
        "serial_lines",
        "serial-lines",
        "/dev/ttyUSB0",
        ("/dev/",),
        instrument=(_BAUD,),
        channel=(TemplateKey("query", "READ?"),),
    ),
    Template(
        "binary frames",
        "a cable, often optical, that sends bytes which are no text; its manual has a table of the frame",
        "serial_frames",
        "serial-frames",
        "/dev/ttyUSB0",
        ("/dev/",),
        instrument=(_BAUD, TemplateKey("sync", "AA 55"), TemplateKey("length", 8), TemplateKey("checksum", "sum")),
        channel=(TemplateKey("at", 2), TemplateKey("format", ">h"), TemplateKey("factor", "0.001")),
    ),
    Template(
        "Modbus on the network",
        "a LAN socket, and a table of Modbus registers in its manual",
        "modbus",
        "modbus",
        "tcp://192.0.2.5:502",
        ("tcp://",),
        channel=(TemplateKey("register", 0), TemplateKey("type", "float32")),
    ),
    Template(
        "Modbus on two wires",
        "two wires A and B (RS-485), and a table of Modbus registers in its manual",
        "modbus",
        "modbus",
        "/dev/ttyUSB0",
        ("/dev/",),
        instrument=(_BAUD,),
        channel=(TemplateKey("register", 0), TemplateKey("type", "float32")),
    ),
    Template(
        "MQTT",
        "a smart plug or a gateway that publishes to an MQTT broker",
        "mqtt",
        "mqtt",
        "mqtt://broker.example",
        instrument=(TemplateKey("topic", "bench/plug/readings"),),
        channel=(TemplateKey("json", _member),),
        period="10 s",
        extra="mqtt",
    ),
    Template(
        "a page",
        "it has a web page, or URLs that answer numbers or JSON",
        "http",
        "http",
        "http://192.0.2.7/readings",
        channel=(TemplateKey("json", _member),),
        period="2 s",
        extra="http",
    ),
    Template(
        "datagrams",
        "it sends datagrams (UDP) to this computer by itself",
        "udp",
        "udp",
        "udp://192.168.1.2:5005?from=192.168.1.7",
        channel=(TemplateKey("json", _member),),
    ),
    Template(
        "Bluetooth",
        "Bluetooth Low Energy: a program of a phone shows its numbers",
        "ble",
        "bluetooth",
        "AA:BB:CC:DD:EE:FF",
        instrument=(TemplateKey("characteristic", "ffe1"), TemplateKey("message", "line")),
        period="2 s",
        extra="bluetooth",
    ),
    Template(
        "a sensor of this computer",
        "Linux shows it as a file with a number, such as a thermometer under /sys",
        "value_file",
        "files",
        "/sys/class/hwmon/hwmon0",
        channel=(TemplateKey("file", "temp1_input"), TemplateKey("factor", "0.001")),
    ),
    Template(
        "a logger's table",
        "a program or a logger that appends lines to a table in a file",
        "csv_tail",
        "files",
        "/home/me/log.csv",
        instrument=(TemplateKey("separator", ","),),
        channel=(TemplateKey("column", 2),),
    ),
    Template(
        "a thermal camera",
        "a thermal camera whose program writes or serves pictures of temperatures",
        "thermal_picture",
        "thermal-pictures",
        "/home/me/pictures/*.png",
        instrument=(
            TemplateKey("size", (160, 120)),
            TemplateKey("factor", "0.01"),
            TemplateKey("offset", "-273.15"),
        ),
        channel=(TemplateKey("region", (40, 30, 20, 20)), TemplateKey("measure", "maximum")),
        period="2 s",
        extra="pictures",
    ),
)
"""The templates, in the order in which they are offered."""
