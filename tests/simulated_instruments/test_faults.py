"""The catalogue of faults: what each can affect, when it begins and ends, what it does to supply and meters."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.bench import load_bench
from benchmon.errors import BadInput
from benchmon_simulated import SimulatedBench, SupplyUnderTest
from benchmon_simulated.fault_schedule import MOST_FAULTS, FaultSchedule, split_times
from benchmon_simulated.faults import FAULTS, CircuitFault, LineFault, MeterFault, fault_named
from benchmon_simulated.scenarios import SCENARIOS
from benchmon_simulated.servers.transports import misread
from benchmon_simulated.supply.parts import HEALTHY
from support.supplies import SMOOTHING, easy

TRANSFORMER = (
    'primary_voltage = "230 V"\nopen_circuit_voltage = "20 V"\nprimary_resistance = "6 Ω"\n'
    'secondary_resistance = "0.2 Ω"\nsecondaries = 2\nconnection = "{}"\n'
)
HEAT = 'saturation_current = "10 nA"\nemission_coefficient = 1.8\nthermal_resistance = "18 K/W"\n'
HEAT += 'thermal_time_constant = "10 s"'
METER = '[[instrument]]\nname = "{}"\ndriver = "{}"\naddress = "{}"\n'
CHANNEL = '[[channel]]\nname = "{}"\ninstrument = "{}"\nquantity = "{}"\naccuracy = "0.1 % + 10 mV"\n'


def supply_of(kind="bridge", connection="series", load='kind = "resistor"\nresistance = "10 Ω"'):
    bench = easy(
        SMOOTHING,
        rectifier=f'kind = "{kind}"',
        transformer=TRANSFORMER.format(connection),
        diode=HEAT,
        load=load,
    )
    return SupplyUnderTest(bench, seed=4)


def with_fault(name, seconds=1.0, **circuit):
    """Return the values of a supply before and after a fault has been at work for some seconds."""
    supply = supply_of(**circuit)
    before = supply.advance(2.0).values
    name, _, which = name.partition(":")
    fault = fault_named(name)(which, supply)
    start = supply.snapshot.time
    while supply.snapshot.time < start + seconds:
        supply.defects = fault.modify(HEALTHY, supply.snapshot.time - start)
        supply.advance(min(0.25, seconds))
    return before, supply.snapshot.values


def ratio(pair, quantity):
    before, after = pair
    return after[quantity] / before[quantity]


def test_there_are_many_faults_each_with_a_name_a_line_and_what_it_does():
    assert len(FAULTS) >= 24
    assert len({fault.name for fault in FAULTS}) == len(FAULTS)
    for fault in FAULTS:
        assert fault.name == fault.name.lower().replace(" ", "-")
        assert 10 < len(fault.description) < 90
        assert "\n" not in fault.description
        assert len(fault.__doc__ or "") > 40, fault.name
        assert fault.target in ("", "diode", "winding", "output", "channel", "instrument")
    kinds = {kind: sum(issubclass(fault, kind) for fault in FAULTS) for kind in (CircuitFault, MeterFault, LineFault)}
    assert min(kinds.values()) >= 8


def test_the_faults_of_every_scenario_are_faults_of_its_bench():
    for scenario in SCENARIOS:
        bench = load_bench(scenario.path)
        SimulatedBench(bench, faults=scenario.faults)
        with pytest.raises(BadInput):
            SimulatedBench(bench, faults=[*scenario.faults, "no-such-fault"])


def test_sag_surge_and_failure_of_the_mains():
    assert ratio(with_fault("mains-sag"), "mains.voltage.rms") == pytest.approx(0.8, rel=2e-3)
    assert ratio(with_fault("mains-surge"), "mains.voltage.rms") == pytest.approx(1.12, rel=2e-3)
    gone = with_fault("mains-failure")[1]
    assert gone["mains.voltage.rms"] == 0.0
    assert gone["output.voltage.mean"] < 0.5


def test_a_flat_top_leaves_the_rms_and_takes_from_the_peak():
    pair = with_fault("distorted-mains")
    assert ratio(pair, "mains.voltage.rms") == pytest.approx(1.0, rel=3e-3)
    assert ratio(pair, "output.voltage.mean") < 0.99
    assert ratio(pair, "mains.current.peak") < 0.9


def test_a_loose_terminal_drops_volts_that_no_mains_meter_sees():
    pair = with_fault("loose-terminal")
    assert ratio(pair, "mains.voltage.rms") == pytest.approx(1.0, rel=3e-3)
    assert ratio(pair, "output.voltage.mean") < 0.97
    assert ratio(pair, "mains.current.thd") < 0.98


def test_loads_twice_half_and_none():
    for load in ('kind = "resistor"\nresistance = "10 Ω"', 'kind = "current"\ncurrent = "2 A"'):
        twice, half = (with_fault(name, load=load) for name in ("double-load", "half-load"))
        assert 1.7 < ratio(twice, "output.current.mean") <= 2.001
        assert 0.499 <= ratio(half, "output.current.mean") < 0.6
    none = with_fault("open-load", seconds=3.0)
    assert none[1]["output.current.mean"] == 0.0
    assert ratio(none, "output.voltage.mean") > 1.05
    assert none[1]["output.voltage.ripple"] < 0.02


def test_a_drifting_resistor_creeps():
    before, after = with_fault("drifting-resistor", seconds=30.0)
    ohms = [values["output.voltage.mean"] / values["output.current.mean"] for values in (before, after)]
    assert ohms[1] / ohms[0] == pytest.approx(1.04, rel=2e-3)


def test_reservoirs_dried_and_open():
    dried = with_fault("dried-reservoir")
    assert ratio(dried, "reservoir.voltage.ripple") == pytest.approx(2.0, rel=0.15)
    before, after = with_fault("open-reservoir")
    assert after["output.voltage.ripple_factor"] == pytest.approx(0.4834, rel=0.06)
    assert after["reservoir.current.rms"] < 1e-3 * before["reservoir.current.rms"]


def test_lost_cooling_lets_the_diode_creep_to_more_than_twice_the_rise():
    before, after = (with_fault("lost-cooling", seconds=seconds)[1] for seconds in (0.25, 120.0))
    rises = [values["diode.temperature.junction"] - values["ambient.temperature"] for values in (before, after)]
    assert rises[1] == pytest.approx(2.5 * 18.0 * after["diode.power.mean"], rel=0.02)
    # Not at once: it takes time constants, and longer ones than before.
    assert rises[0] < 0.3 * rises[1]


def test_a_hot_room_warms_the_air_by_20_kelvins_in_four_minutes_and_no_more():
    supply = supply_of()
    before = supply.advance(0.5).values["ambient.temperature"]
    fault = fault_named("hot-room")("", supply)
    for seconds, kelvins in ((0.0, 0.0), (60.0, 5.0), (240.0, 20.0), (4000.0, 20.0)):
        supply.defects = fault.modify(HEALTHY, seconds)
        rise = supply.advance(0.1).values["ambient.temperature"] - before
        assert rise == pytest.approx(kelvins, abs=0.05)


@pytest.mark.parametrize("kind", ["bridge", "centre tap", "split rail", "full-wave doubler"])
def test_half_wave_wiring_leaves_pulses_at_the_mains_frequency(kind):
    before, after = with_fault("half-wave-wiring", kind=kind)
    assert before["output.voltage.frequency"] == pytest.approx(100.0, rel=1e-3)
    assert after["output.voltage.frequency"] == pytest.approx(50.0, rel=1e-3)
    if kind == "bridge":
        # One diode in the path where there were two: with nothing else changed a little more would be left.
        assert after["diode.current.mean"] == pytest.approx(after["output.current.mean"], rel=1e-3)


@pytest.mark.parametrize(
    ("name", "circuit", "why"),
    [
        ("reversed-winding", {"connection": "parallel", "kind": "half wave"}, None),
        ("half-wave-wiring", {"kind": "half wave"}, "half-wave already"),
        ("open-diode:3", {"kind": "centre tap"}, "1 to 2"),
        ("open-diode:x", {}, "1 to 4"),
        ("reversed-winding:3", {}, "1 to 2"),
        ("mains-sag:2", {}, "takes nothing"),
        ("double-load", {"load": 'kind = "open"'}, "no load"),
        ("drifting-resistor", {"load": 'kind = "current"\ncurrent = "1 A"'}, "no resistor"),
    ],
)
def test_a_fault_that_a_supply_cannot_have_is_refused_with_the_reason(name, circuit, why):
    supply = supply_of(**circuit)
    fault, _, which = name.partition(":")
    if why is None:
        fault_named(fault)(which, supply)
        return
    with pytest.raises(BadInput, match=why):
        fault_named(fault)(which, supply)


def test_supplies_without_reservoir_fuse_or_second_winding_refuse_their_faults():
    supply = SupplyUnderTest(easy())
    for name in ("dried-reservoir", "open-reservoir", "reversed-winding"):
        with pytest.raises(BadInput, match=name):
            fault_named(name)("", supply)
    with pytest.raises(BadInput, match="fuse"):
        supply.replace_fuse()


class Bench:
    """A bench of servers that are not started: what affects their meters and lines can be looked at."""

    def __init__(self, bench, seed=2):
        simulated = SimulatedBench(bench, seed)
        self.supply, self.servers, self.schedule = simulated.supply, simulated._servers, simulated._schedule
        self.supply.advance(2.0)

    def server(self, name):
        return next(server for server in self.servers if server.name == name)

    def read(self, name):
        (meter,) = (meter for server in self.servers for meter in server.meters if meter.channel.name == name)
        return meter.read(self.supply.snapshot)


@pytest.fixture
def bench():
    text = METER.format("lan", "scpi", "TCPIP::127.0.0.1::0::SOCKET")
    text += METER.format("thermometer", "serial_lines", "/dev/ttyUSB0")
    text += "pattern = '(?P<case>[0-9.]+) (?P<air>[0-9.]+) at (?P<time>[0-9.]+)'\n"
    for number, (name, quantity) in enumerate(
        {
            "rms": "output.voltage.rms",
            "AC": "output.voltage.ac_rms",
            "mean": "output.voltage.mean",
            "amperes": "diode.current.mean",
            "watts": "mains.power.active",
        }.items()
    ):
        accuracy = "0.1 % + 10 mV" if "voltage" in quantity else "0.1 %"
        text += CHANNEL.format(name, "lan", quantity).replace("0.1 % + 10 mV", accuracy)
        text += f'query = "MEAS:VAL? (@{number})"\n'
    for name, quantity in {"case": "diode.temperature.case", "air": "ambient.temperature"}.items():
        text += CHANNEL.format(name, "thermometer", quantity).replace("0.1 % + 10 mV", "0.5 K") + f'group = "{name}"\n'
    return Bench(easy(text, diode=HEAT))


async def test_detectors_make_of_a_wave_what_the_closed_forms_say(bench):
    wave = bench.supply.snapshot.waveforms["output.voltage"]
    expected = {
        "average-detector:rms": ("rms", 1.1107 * np.abs(wave).mean()),
        "average-detector:AC": ("AC", 1.1107 * np.abs(wave - wave.mean()).mean()),
        "ac-coupling:rms": ("rms", wave.std()),
        "ac-coupling:mean": ("mean", wave.std()),
        "dc-coupling:rms": ("rms", wave.mean()),
        "dc-coupling:AC": ("AC", wave.mean()),
        "reversed-leads:mean": ("mean", -wave.mean()),
        "clamp-tenfold:amperes": ("amperes", 10 * bench.supply.snapshot.values["diode.current.mean"]),
        "clamp-tenth:amperes": ("amperes", bench.supply.snapshot.values["diode.current.mean"] / 10),
    }
    for fault, (channel, value) in expected.items():
        bench.schedule.plan(fault, 0.0)
        await bench.schedule.advance(0.0)
        # The meter's own filter has to follow.
        for _ in range(20):
            bench.supply.advance(0.1)
            shown = bench.read(channel)
        assert shown == pytest.approx(value, rel=0.012), fault
        bench.schedule.clear(fault)


async def test_meters_overload_freeze_creep_and_lose_their_probe(bench):
    for fault in ("overload:rms", "frozen-value:mean", "weak-battery:watts", "loose-probe:case"):
        bench.schedule.plan(fault, bench.supply.snapshot.time)
    await bench.schedule.advance(bench.supply.snapshot.time)
    first = {name: bench.read(name) for name in ("rms", "mean", "watts")}
    bench.supply.set_load(12.0)
    bench.supply.advance(60.0, each=2.0)
    values = bench.supply.snapshot.values
    assert first["rms"] == bench.read("rms") == math.inf
    assert bench.read("mean") == first["mean"]
    assert bench.read("watts") == pytest.approx(1.03 * values["mains.power.active"], rel=5e-3)
    assert bench.read("case") == pytest.approx(values["ambient.temperature"], abs=0.6)
    assert values["diode.temperature.case"] > values["ambient.temperature"] + 2.0


@pytest.mark.parametrize(
    ("spec", "words"),
    [
        ("nonsense", ["nonsense", "demo --list"]),
        ("unplugged:nobody", ["nobody", "lan", "thermometer"]),
        ("wrong-baud:lan", ["serial line", "lan"]),
        ("decimal-comma:lan", ["text", "lan"]),
        ("control-codes:thermometer", ["name", "thermometer"]),
        ("clock-jump:lan", ["time", "lan"]),
        ("average-detector:mean", ["rms", "mean"]),
        ("loose-probe:air", ["temperature", "air"]),
        ("overload:nobody", ["nobody", "rms"]),
        ("open-diode@yesterday", ["yesterday", "time"]),
        ("open-diode@-3s", ["-3"]),
        ("open-diode@5s..5s", ["ends before"]),
        ("open-diode\x1b[2J", ["x1b"]),
    ],
)
async def test_what_is_no_fault_or_has_no_place_is_refused_in_one_line(bench, spec, words):
    with pytest.raises(BadInput) as refusal:
        bench.schedule.plan(spec, 0.0)
    assert all(word in str(refusal.value) for word in words), str(refusal.value)
    assert str(refusal.value).isprintable()


async def test_a_fault_finds_its_own_place_where_none_is_named(bench):
    titles = {name: bench.schedule.plan(name, 0.0).title for name in ("wrong-baud", "clock-jump", "ac-coupling")}
    assert titles == {
        "wrong-baud": "wrong-baud:thermometer",
        "clock-jump": "clock-jump:thermometer",
        "ac-coupling": "ac-coupling:rms",
    }
    assert bench.schedule.plan("overload:lan", 0.0).title == "overload:lan"
    await bench.schedule.advance(0.0)
    assert all(math.isinf(bench.read(name)) for name in ("AC", "mean", "amperes", "watts"))


async def test_faults_begin_and_end_at_their_times_and_add_up(bench):
    schedule, supply = bench.schedule, bench.supply
    for spec in ("double-load@10s..30s", "open-diode:2@20s", "mains-sag@20s..25s"):
        schedule.plan(spec, 0.0)
    assert await schedule.advance(9.9) == []
    assert supply.defects.load == 1.0
    assert [line.split()[:2] for line in await schedule.advance(10.0)] == [["double-load", "begins:"]]
    assert supply.defects.load == 2.0
    assert len(await schedule.advance(20.0)) == 2
    assert (supply.defects.load, supply.defects.mains, supply.defects.diodes) == (2.0, 0.8, {2: "open"})
    assert await schedule.advance(25.0) == ["mains-sag ends"]
    assert await schedule.advance(31.0) == ["double-load ends"]
    assert (supply.defects.load, supply.defects.mains, supply.defects.diodes) == (1.0, 1.0, {2: "open"})
    assert schedule.clear("all") == ["open-diode:2"]
    await schedule.advance(32.0)
    assert supply.defects.diodes == {}


async def test_clearing_takes_a_name_or_a_place_and_refuses_what_is_not_there(bench):
    schedule = bench.schedule
    for spec in ("open-diode:1", "open-diode:2", "overload:rms", "overload:mean"):
        schedule.plan(spec, 0.0)
    assert schedule.clear("overload:rms") == ["overload:rms"]
    assert schedule.clear("open-diode") == ["open-diode:1", "open-diode:2"]
    with pytest.raises(BadInput, match="overload:mean"):
        schedule.clear("open-diode")
    for number in range(MOST_FAULTS - len(schedule.titles)):
        schedule.plan(f"open-diode@{number + 1}s..{number + 2}s", 0.0)
    with pytest.raises(BadInput, match="enough"):
        schedule.plan("open-diode", 0.0)


def test_a_fault_ends_without_a_trace():
    supply = supply_of(connection="parallel")
    before = supply.advance(3.0).values
    for fault in FAULTS:
        if issubclass(fault, CircuitFault) and fault.name not in ("lost-cooling", "hot-room"):
            supply.defects = fault("", supply).modify(HEALTHY, 1.0)
            supply.advance(0.1)
            supply.defects = HEALTHY
    after = supply.advance(3.0).values
    for quantity in ("output.voltage.mean", "output.voltage.ripple", "mains.current.rms", "secondary.current.rms"):
        assert after[quantity] == pytest.approx(before[quantity], rel=0.015), quantity


@given(st.text(max_size=60))
def test_no_text_whatever_breaks_the_reading_of_times(text):
    try:
        what, begin, end = split_times(text)
    except BadInput as refusal:
        what, begin, end = str(refusal), 0.0, 1.0
        text = what
    assert 0 <= begin < end
    assert len(what) <= len(text)


@given(st.binary(max_size=40))
def test_a_receiver_at_the_right_speed_receives_what_was_sent(data):
    assert misread(data, 1.0) == data
    # A tenth of a bit a byte is within what every receiver forgives.
    assert misread(data, 1.03) == data
    assert misread(data, 0.97) == data


@given(st.binary(min_size=1, max_size=40), st.sampled_from([0.25, 0.5, 2.0, 4.0]))
def test_a_receiver_at_another_speed_receives_something_of_about_the_length_that_the_time_allows(data, speed):
    received = misread(data, speed)
    assert len(received) <= math.ceil(len(data) * max(1.0, speed)) + 1
    assert received


def test_what_receivers_at_other_speeds_make_of_bytes_by_hand():
    # A is 0 10000010 1 on the line. Twice as fast, the eight samples after the fall are 0 1 1 0 0 0 0 0, lowest first.
    assert misread(b"A", 2.0)[0] == 0x06
    # A zero is low for nine bits. At half the speed three samples are low, the others see the stop bit and rest.
    assert misread(b"\x00", 0.5) == b"\xf8"


def test_a_schedule_needs_no_instruments():
    schedule = FaultSchedule(SupplyUnderTest(easy()), [])
    assert schedule.plan("open-diode", 0.0).title == "open-diode:1"
    with pytest.raises(BadInput, match="this bench"):
        schedule.plan("overload", 0.0)
    with pytest.raises(BadInput, match="none"):
        schedule.plan("unplugged", 0.0)
