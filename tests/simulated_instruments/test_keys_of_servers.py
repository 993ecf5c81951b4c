"""The simulated instruments read the keys of a bench file by themselves: each is a key of the driver, by default too.

They share no parsing with the drivers, so nothing but this test keeps the two lists of keys together.
"""

import pytest

from benchmon.bench.fields import field_of
from benchmon.instruments.registry import load_driver
from benchmon_simulated import SimulatedBench
from benchmon_simulated.servers.driver_settings import Keys
from support.supplies import easy

CHANNEL = '[[channel]]\nname = "u"\ninstrument = "meter"\nquantity = "output.voltage.mean"\naccuracy = "1 %"\n'
BENCHES = {
    "scpi": ("TCPIP::192.0.2.5::5025::SOCKET", 'query = "Q?"\n', 'command = "OUTP OFF"\nconfirm = "OUTP?"\n'),
    "modbus": ("tcp://192.0.2.5:502", "register = 1\n", "coil = 1\nvalue = 0\n"),
    "serial_lines": ("/dev/ttyUSB0", "", 'text = "off"\n'),
    "serial_frames": ("/dev/ttyUSB0", 'at = 1\nformat = ">h"\n', None),
    "csv_tail": ("log.csv", 'column = "U"\n', None),
    "value_file": ("/sys/class/x", 'file = "a"\n', None),
    "thermal_picture": ("pictures/*.png", "", None),
    "http": ("http://192.0.2.7/", 'json = "$.u"\n', None),
    "mqtt": ("mqtt://broker.example", 'json = "$.u"\ntopic = "u"\n', None),
    "udp": ("udp://192.168.1.2:5005?from=192.168.1.7", 'json = "$.u"\n', None),
}
WITH_DEFAULTS = ("text", "number", "real", "integer", "choice", "flag")
MORE = {"thermal_picture": "size = [8, 6]\n"}
"""Keys of an instrument that its server needs."""
OF_THE_SIMULATOR = {("serial_lines", "pattern"), ("serial_frames", "length"), ("serial_frames", "checksum_at")}
"""Keys for which a server makes up a message of its own where the bench file says nothing."""


@pytest.fixture
def asked(monkeypatch):
    """Return what is asked of keys: the section, the key, and its default."""
    found = []
    for name in WITH_DEFAULTS:
        original = getattr(Keys, name)

        def spy(self, key, *rest, _original=original, **more):
            default = more.get("default", rest[0] if rest else None)
            found.append((self._owner, key, default))
            return _original(self, key, *rest, **more)

        monkeypatch.setattr(Keys, name, spy)
    return found


@pytest.mark.parametrize("name", BENCHES)
def test_what_a_server_reads_is_a_key_of_its_driver_with_the_same_default(name, asked):
    address, channel, switch = BENCHES[name]
    text = f'[[instrument]]\nname = "meter"\ndriver = "{name}"\naddress = "{address}"\n'
    text += MORE.get(name, "") + CHANNEL + channel
    text += f'[switch_off]\ninstrument = "meter"\n{switch}' if switch else ""
    SimulatedBench(easy(text))
    driver = load_driver(name)
    models = {"channel": driver.channel_model, "instrument": driver.settings_model, "switch_off": driver.switch_model}
    assert asked
    for owner, key, default in asked:
        field = field_of(models[owner.split()[0]], key)
        wanted = field.default
        if (name, key) in OF_THE_SIMULATOR or default in (None, "") or wanted is None or field.is_required():
            continue
        assert default == wanted, (owner, key)
