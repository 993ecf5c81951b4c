"""`benchmon check --connect` and `--exercise`: what answers, and whether the switch switches."""

import json
import threading

import pytest

from benchmon.cli.main import main
from benchmon.instruments.testing.fake_instrument import FakeTcpInstrument
from support.far_ends.modbus import FakeModbusInstrument, Unit
from support.far_ends.rfc2217 import Rfc2217Port
from support.supplies import supply

SUPPLY = supply("Trial", load={"resistance": "100 Ω"})


def instrument(name, driver, address="", *lines):
    return "\n".join(
        ["[[instrument]]", f'name = "{name}"', f'driver = "{driver}"', f'address = "{address}"', *lines, ""]
    )


def channel(name, of, quantity, *lines):
    head = ["[[channel]]", f'name = "{name}"', f'instrument = "{of}"', f'quantity = "{quantity}"']
    return "\n".join([*head, 'period = "100 ms"', *lines, ""])


SWITCH = '[switch_off]\ninstrument = "relay"\ncoil = 7\nvalue = 0\n'


@pytest.fixture
def run(tmp_path, capsys):
    """Return a function that runs `check` on a bench file and returns exit status, output and errors."""

    def run(text, *options):
        path = tmp_path / "bench.toml"
        path.write_text(SUPPLY + text)
        with pytest.raises(SystemExit) as left:
            main(["check", str(path), *options])
        return (left.value.code, *capsys.readouterr())

    return run


def test_a_driver_that_is_not_installed_is_refused_with_the_nearest_name(run):
    code, out, err = run('[[instrument]]\nname = "dmm"\ndriver = "scip"\n')
    assert (code, out) == (2, "")
    assert 'driver = "scip"' in err
    assert "did you mean scpi?" in err


METER = instrument("dmm", "scpi", "TCPIP::192.0.2.5::5025::SOCKET")
SENSOR = instrument("sensor", "value_file", "t", "poll_every = 3")
VOLTS = channel("out", "dmm", "output.voltage.mean", 'query = "U?"')


@pytest.mark.parametrize(
    ("text", "key", "remedy"),
    [
        (METER.replace("address", "timout = 2\naddress"), "instrument[1].timout = 2", "did you mean timeout?"),
        (METER + VOLTS.replace("query", "querry"), 'channel[1].querry = "U?"', "did you mean query?"),
        (METER + VOLTS.replace('query = "U?"\n', ""), "channel[1].query", "is missing"),
        (SENSOR, "instrument[1].poll_every = 3", "its driver takes no such key"),
        (
            instrument("relay", "modbus", "tcp://192.0.2.6:502") + SWITCH.replace("coil", "coils"),
            "switch_off.coils = 7",
            "did you mean coil?",
        ),
    ],
)
def test_a_key_that_its_driver_does_not_take_is_refused_before_anything_is_connected(text, key, remedy, run):
    code, out, err = run(text)
    assert (code, out) == (2, "")
    assert key in err
    assert remedy in err
    assert "bench.toml:" in err
    assert err.count("\n") == 1


class Mains:
    """A relay that cuts the mains current which the same unit measures, if it `works`."""

    def __init__(self, works=True, milliamperes=750):
        self.works, self.milliamperes = works, milliamperes
        self.coil = True
        self.asked = []

    def answer(self, question):
        on = self.coil or not self.works
        unit = Unit(coil={7: self.coil}, holding={0: self.milliamperes if on else 0})
        self.asked.append(question[0])
        answer = unit.answer(question)
        self.coil = unit.tables["coil"][7]
        return answer


RELAY = channel("line", "relay", "mains.current.rms", "register = 0", "factor = 0.001", 'accuracy = "1 % + 5 mA"')


def test_what_answers_and_what_does_not_is_reported_for_each(run, tmp_path):
    (tmp_path / "t").write_text("41500\n")
    answers = {b"*IDN?": b"Acme,Meter,1,1.0\n", b"SYST:ERR?": b'0,"No error"\n', b"U?": b"22.1\n", b"X?": b"[b]no\n"}
    with FakeTcpInstrument(answers.get) as meter:
        text = (
            instrument("dmm", "scpi", meter.visa_address)
            + instrument("sensor", "value_file", tmp_path / "t")
            + instrument("gone", "modbus", "tcp://127.0.0.1:1")
            + instrument("display", "hand")
            + channel("vout", "dmm", "output.voltage.rms", 'query = "U?"')
            + channel("odd", "dmm", "output.current.rms", 'query = "X?"')
            + channel("case", "sensor", "diode.temperature.case", "factor = 0.001", 'accuracy = "1 K"')
            + channel("lost", "gone", "load.temperature", "register = 0", 'accuracy = "1 K"')
            + channel("typed", "display", "regulator.temperature.case", 'accuracy = "1 K"')
        )
        status, out, _ = run(text, "--connect")
        assert status == 1
        assert max(map(len, out.splitlines())) <= 80
        # What is said of a row may stand below it.
        rows = " ".join(out.split())
        assert "ok dmm Acme,Meter,1,1.0" in rows
        assert "ok dmm vout 22.10 V" in rows
        assert 'NO dmm odd answered "[b]no", which is not a number; check the channel\'s query' in rows
        assert "ok sensor case 41.5 °C" in rows
        assert "NO gone tcp://127.0.0.1:1: the connection is refused" in rows
        assert "ok display is read by hand" in rows
        found = json.loads(run(text, "--connect", "--json")[1])
        assert {"margins", "cautions", "instruments"} <= found.keys()
        [vout] = [row for row in found["instruments"] if row["channel"] == "vout"]
        assert (vout["ok"], vout["value"], vout["unit"]) == (True, 22.1, "V")


def test_where_all_answer_the_answer_is_yes(run):
    with FakeModbusInstrument({1: Mains()}) as relay:
        status, out, _ = run(instrument("relay", "modbus", relay.address) + RELAY + SWITCH, "--connect")
    assert status == 0
    assert "750.0 mA" in out


def test_nothing_is_switched_by_a_mere_connection(run):
    mains = Mains()
    with FakeModbusInstrument({1: mains}) as relay:
        run(instrument("relay", "modbus", relay.address) + RELAY + SWITCH, "--connect")
    assert mains.coil is True
    assert 5 not in mains.asked


def test_exercising_asks_for_a_yes_and_opens_nothing_before_it(run):
    mains = Mains()
    with FakeModbusInstrument({1: mains}) as relay:
        status, out, err = run(instrument("relay", "modbus", relay.address) + RELAY + SWITCH, "--exercise")
        assert (status, out, mains.asked) == (2, "", [])
        assert "switches off by relay; add --yes" in err


def test_a_switch_that_works_is_verified_by_a_reading(run):
    with FakeModbusInstrument({1: Mains()}) as relay:
        status, out, _ = run(instrument("relay", "modbus", relay.address) + RELAY + SWITCH, "--exercise", "--yes")
    assert status == 0
    assert "coil 7 of unit 1 written 0" in out
    assert "verified: line fell from 750.0 mA to 0.0 mA" in out


@pytest.mark.parametrize(
    ("mains", "says", "status"),
    [
        (Mains(works=False), "NOT off: line is still at 750.0 mA", 1),
        # Before power nothing flows that could fall: then the switch itself is asked.
        (Mains(milliamperes=0), "verified: it reads back as off", 0),
    ],
)
def test_a_switch_that_does_not_work_and_one_without_power(run, mains, says, status):
    with FakeModbusInstrument({1: mains}) as relay:
        found = run(instrument("relay", "modbus", relay.address) + RELAY + SWITCH, "--exercise", "--yes")
    assert says in found[1]
    assert found[0] == status


def test_a_switch_that_nothing_shows_anything_of_is_not_verified(run):
    with FakeTcpInstrument({b"*IDN?": b"Acme\n", b"*OPC?": b"1\n", b"SYST:ERR?": b"0\n"}.get) as supply:
        text = instrument("supply", "scpi", supply.visa_address)
        text += '[switch_off]\ninstrument = "supply"\ncommand = "OUTP OFF"\n'
        status, out, _ = run(text, "--exercise", "--yes")
    assert status == 1
    assert "NOT verified: no reading shows it; listen to the relay, or measure" in out


def test_a_switch_that_is_not_there_is_not_switched(run):
    text = instrument("relay", "modbus", "tcp://127.0.0.1:1") + SWITCH
    status, out, _ = run(text, "--exercise", "--yes")
    assert status == 1
    assert "NOT switched off: tcp://127.0.0.1:1: the connection is refused" in out


def test_a_bench_without_a_switch_cannot_be_exercised(run):
    status, _, err = run("", "--exercise", "--yes")
    assert status == 2
    assert "has no [switch_off]" in err


def test_no_thread_is_left_behind(run):
    before = threading.active_count()
    with FakeModbusInstrument({1: Mains()}) as relay:
        run(instrument("relay", "modbus", relay.address) + RELAY + SWITCH, "--connect", "--exercise", "--yes")
    assert threading.active_count() <= before


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial 3.5
def test_a_relay_on_rts_lets_no_power_come_by_a_mere_connection_and_does_when_it_is_exercised(run):
    with Rfc2217Port() as port:
        text = instrument("relay", "serial_lines", port.url)
        text += '[switch_off]\ninstrument = "relay"\nline = "rts"\nlevel = "released"\n'
        port.port.went.clear()
        run(text, "--connect")
        assert {asserted for line, asserted, _ in port.port.went if line == "rts"} == {False}
        status, out, _ = run(text, "--exercise", "--yes")
        assert [asserted for line, asserted, _ in port.port.went if line == "rts"][-2:] == [True, False]
    assert status == 1
    assert "RTS released" in out
    assert "NOT verified" in out
