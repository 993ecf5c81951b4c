"""Faults over real lines and drivers: what the session of a recording holds of each.

Several faults share one recording, each on an instrument of its own, so that the whole stays short.
"""

from __future__ import annotations

import math
from contextlib import contextmanager
from dataclasses import dataclass, field

import pytest

from benchmon.bench import read_bench
from benchmon.session.follower import open_session_view
from benchmon.watch.records import Flag, Judgement, Verdict
from benchmon_simulated import SimulatedBench
from benchmon_simulated.scenarios import scenario_named
from support.live_recordings import live_recording
from support.supplies import SMOOTHING, easy

INSTRUMENT = '[[instrument]]\nname = "{name}"\ndriver = "{driver}"\naddress = "{address}"\n{keys}'
CHANNEL = (
    '[[channel]]\nname = "{name}"\ninstrument = "{instrument}"\nquantity = "{quantity}"\naccuracy = "{accuracy}"\n'
)
SOCKET = "TCPIP::127.0.0.1::0::SOCKET"
PATIENT = 'timeout = "9 s"\n'
"""A driver waits longer for an answer than a busy machine holds the simulated bench up."""

MAINS = 'voltage = "230 V"\nfrequency = "50 Hz"\ntolerance = "6 %"\nharmonics = []'
PERIOD = 'period = "0.1 s"\n'
FRAMES = 'sync = "AA 55"\nlength = 8\nchecksum = "sum"\n'
FRAME_FIELD = 'at = 2\nformat = ">i"\nfactor = 0.0001\n'


def meter(name, driver, address, ask, keys=""):
    """Return an instrument with one channel of the same name that reads the output's mean."""
    channel = CHANNEL.format(name=name, instrument=name, quantity="output.voltage.mean", accuracy="0.2 % + 20 mV")
    return INSTRUMENT.format(name=name, driver=driver, address=address, keys=keys) + channel + PERIOD + ask


QUERY = 'query = "MEASure:VOLTage:DC?"\n'
REGISTER = 'register = 0\ntype = "float32"\n'


@dataclass
class Course:
    """What a session holds of one channel."""

    judgements: list[Judgement] = field(default_factory=list)

    @property
    def last(self):
        return self.judgements[-1]

    @property
    def values(self):
        return [(j.time, j.value) for j in self.judgements if j.value is not None and math.isfinite(j.value)]

    @property
    def stale(self):
        return [judgement.time for judgement in self.judgements if Flag.STALE in judgement.flags]

    @property
    def reads_on(self):
        """Whether no usable reading is called stale, the last ones neither."""
        return not any(Flag.STALE in one.flags for one in self.judgements if one.value is not None)

    def between(self, start, end):
        return [value for time, value in self.values if start <= time <= end]


@dataclass
class Recording:
    """What a whole session holds, and the session times between which each fault was seen in all its readings."""

    courses: dict[str, Course]
    events: tuple
    spells: dict[str, tuple[float, float]] = field(default_factory=dict)


@contextmanager
def simulated_recording(bench, path, faults=()):
    """Record a simulated bench with `faults` while the context lasts; give the bench and the live recording."""
    with SimulatedBench(bench, seed=3, faults=faults) as simulated:  # noqa: SIM117 - the text needs the addresses
        with live_recording(read_bench(simulated.bench_text()), path) as live:
            yield simulated, live


def collected(path, spells=None):
    """Return what the session at `path` holds."""
    view = open_session_view(path)
    update = view.poll()
    view.close()
    courses: dict[str, Course] = {}
    for judgement in update.judgements:
        courses.setdefault(judgement.channel, Course()).judgements.append(judgement)
    return Recording(courses, update.events, spells or {})


METERS = {
    "healthy": ("scpi", SOCKET, QUERY, ""),
    "socket pulled": ("scpi", SOCKET, QUERY, ""),
    "adapter pulled": ("scpi", "ASRL/dev/ttyS0::INSTR", QUERY, ""),
    "off": ("scpi", SOCKET, QUERY, ""),
    "late": ("scpi", SOCKET, QUERY, ""),
    "halves": ("serial_lines", "/dev/ttyUSB0", "", ""),
    "noise": ("serial_lines", "/dev/ttyUSB1", "", ""),
    "too fast": ("scpi", "ASRL/dev/ttyS1::INSTR", QUERY, ""),
    "comma": ("serial_lines", "/dev/ttyUSB2", "", ""),
    "rude": ("scpi", SOCKET, QUERY, ""),
    "half frames": ("serial_frames", "/dev/ttyUSB3", FRAME_FIELD, FRAMES),
    "noisy registers": ("modbus", "/dev/ttyUSB4", REGISTER, ""),
    "registers pulled": ("modbus", "tcp://127.0.0.1:0", REGISTER, ""),
    "ahead": ("csv_tail", "/x/log.csv", 'column = "U"\n', ""),
    "gone file": ("value_file", "/x/value", "", ""),
}
PASSING = [
    "unplugged:socket pulled",
    "unplugged:adapter pulled",
    "auto-power-off:off",
    "late-replies:late",
    "half-lines:halves",
    "garbage:noise",
    "wrong-baud:too fast",
    "half-lines:half frames",
    "garbage:noisy registers",
    "unplugged:registers pulled",
    "unplugged:gone file",
]
LASTING = ["decimal-comma:comma", "clock-jump:ahead"]
ENOUGH = 8
"""Readings of a channel before the faults, during them and after them."""


@pytest.fixture(scope="module")
def lines(tmp_path_factory):
    """Record all lines: healthy, with their faults until these have shown, and until every line reads again."""
    text = SMOOTHING + "".join(
        meter(name, driver, address, ask, keys) for name, (driver, address, ask, keys) in METERS.items()
    )
    path = tmp_path_factory.mktemp("lines") / "a.benchmon"
    silent, reading = {*CUT_OFF, "noisy registers"}, METERS.keys() - {*CUT_OFF, "noisy registers"}
    with simulated_recording(easy(text), path, ["control-codes:rude"]) as (simulated, live):
        live.read(ENOUGH)
        for fault in (*PASSING, *LASTING):
            simulated.execute(f"fault {fault}")
        began = live.now
        live.start_again()
        live.until(lambda seen: all(any(one.value is None for one in seen.judgements.get(name, ())) for name in silent))
        live.read(ENOUGH, *reading)
        ended = live.now
        for fault in PASSING:
            simulated.execute(f"clear {fault}")
        live.read(ENOUGH)
    return collected(path, {"unplugged": (began, ended)})


CUT_OFF = {
    "socket pulled": "no answer",
    "adapter pulled": "plugged in",
    "off": "switched on",
    "late": "no answer",
    "halves": "pattern",
    "noise": "pattern",
    "too fast": "no answer",
    "registers pulled": "no answer",
    "gone file": "plugged in",
}


@pytest.fixture(scope="module")
def spell(lines):
    """Return when the faults of the lines began and ended; all of them at the same times."""
    return lines.spells["unplugged"]


def test_no_line_fault_makes_a_wrong_value_a_reading(lines, spell):
    for name, course in lines.courses.items():
        values = course.between(spell[0] - 0.6, math.inf)
        assert len(values) > 5, name
        # The mains wanders, and a file that was just written again may be a tenth of a second old: no more.
        assert max(values) - min(values) < 0.03 * values[0], name


@pytest.mark.parametrize("name", CUT_OFF)
def test_a_line_that_is_cut_off_or_sends_nonsense_turns_stale_and_recovers(lines, spell, name):
    course = lines.courses[name]
    assert course.between(spell[0] + 0.4, spell[1] - 0.05) == []
    assert [at for at in course.stale if spell[0] < at < spell[1]]
    lost = [event.message for event in lines.events if event.kind == "lost" and event.message.startswith(f"{name}:")]
    assert any(CUT_OFF[name] in message for message in lost)
    assert course.between(spell[1] + 0.5, math.inf)
    assert course.reads_on


def test_registers_full_of_noise_are_no_readings_and_come_back(lines, spell):
    course = lines.courses["noisy registers"]
    assert [at for at in course.stale if spell[0] < at < spell[1]]
    assert course.between(spell[1] + 0.5, math.inf)
    assert course.reads_on


@pytest.mark.parametrize("name", ["healthy", "comma", "rude", "ahead", "half frames"])
def test_what_only_looks_odd_is_read_on(lines, spell, name):
    course = lines.courses[name]
    assert len(course.between(*spell)) > 4
    assert course.reads_on


def test_control_codes_in_a_name_are_shown_as_text(lines):
    # A busy machine may lose the line and find it again.
    (identity,) = {
        event.message for event in lines.events if event.kind == "connected" and event.message.startswith("rude")
    }
    assert identity.isprintable()
    assert "\\x1b[2J" in identity
    assert all(event.message.isprintable() for event in lines.events)


BRIDGE_METERS = {
    # name: quantity, accuracy, fault
    "mains": ("mains.voltage.rms", "0.2 % + 0.1 V", ""),
    "output": ("output.voltage.rms", "0.5 % + 20 mV", ""),
    "output on AC": ("output.voltage.rms", "0.5 % + 20 mV", "ac-coupling"),
    "output on DC": ("output.voltage.rms", "0.5 % + 20 mV", "dc-coupling"),
    "output averaged": ("output.voltage.ac_rms", "0.5 % + 20 mV", "average-detector"),
    "winding": ("secondary.current.rms", "1 % + 10 mA", ""),
    "winding tenfold": ("secondary.current.rms", "1 % + 10 mA", "clamp-tenfold"),
    "winding tenth": ("secondary.current.rms", "1 % + 10 mA", "clamp-tenth"),
    "mean": ("output.voltage.mean", "0.2 % + 20 mV", ""),
    "mean turned": ("output.voltage.mean", "0.2 % + 20 mV", "reversed-leads"),
    "held range": ("output.voltage.mean", "0.2 % + 20 mV", "overload"),
    "frozen": ("output.voltage.mean", "0.2 % + 20 mV", "frozen-value"),
}


@pytest.fixture(scope="module")
def meters(tmp_path_factory):
    text = INSTRUMENT.format(name="meter", driver="scpi", address=SOCKET, keys=PATIENT)
    for number, (name, (quantity, accuracy, _)) in enumerate(BRIDGE_METERS.items(), 1):
        text += CHANNEL.format(name=name, instrument="meter", quantity=quantity, accuracy=accuracy)
        text += f'period = "0.25 s"\nquery = "MEASure:VOLTage? (@{number})"\n'
    faults = [f"{fault}:{name}" for name, (_, _, fault) in BRIDGE_METERS.items() if fault]
    path = tmp_path_factory.mktemp("meters") / "a.benchmon"
    right = [name for name, (_, _, fault) in BRIDGE_METERS.items() if not fault]
    with simulated_recording(easy(text, mains=MAINS), path, faults) as (simulated, live):
        live.until(lambda seen: seen.all_are(Verdict.AGREES, *right))
        simulated.execute("fault mains-sag")
        live.until(lambda seen: max(seen.values(3, "mains"), default=math.inf) < 200.0)
        # The mains itself is outside its tolerance now.
        live.until(lambda seen: seen.all_are(Verdict.AGREES, *(name for name in right if name != "mains")))
        live.read(3)
    return collected(path)


def test_meters_that_are_set_wrong_disagree_as_their_detectors_say_and_the_others_agree(meters):
    last = {name: course.last for name, course in meters.courses.items()}
    rms, mean, winding = (last[name].value for name in ("output", "mean", "winding"))
    for name, (_, _, fault) in BRIDGE_METERS.items():
        if name != "mains" and fault not in ("overload", "frozen-value"):
            # An average-responding detector is wrong by a few per cent here: not every meter is exact enough to notify.
            wrong = {Verdict.DISAGREES, Verdict.QUESTIONABLE} if "average" in fault else {Verdict.DISAGREES}
            assert last[name].verdict in (wrong if fault else {Verdict.AGREES}), name
    # Closed forms of a rectified wave: what is left without its mean, and 1.1107 times the rectified rest.
    assert last["output on AC"].value == pytest.approx(math.sqrt(rms**2 - mean**2), rel=0.02)
    assert last["output on DC"].value == pytest.approx(mean, rel=0.01)
    assert 0.8 < last["output averaged"].value / last["output on AC"].value < 0.99
    assert last["winding tenfold"].value == pytest.approx(10 * winding, rel=0.02)
    assert last["winding tenth"].value == pytest.approx(winding / 10, rel=0.1)
    assert last["mean turned"].value == pytest.approx(-mean, rel=0.01)


def test_overload_is_a_flag_and_no_number(meters):
    course = meters.courses["held range"]
    assert Flag.OVERRANGE in course.last.flags
    assert course.values == []


def test_a_frozen_value_shows_when_all_others_move(meters):
    frozen, living = meters.courses["frozen"], meters.courses["mean"]
    assert len({value for _, value in frozen.values}) == 1
    # It was right before the mains fell to 80 %, and the living one still is.
    assert living.last.value == pytest.approx(0.78 * frozen.last.value, rel=0.05)
    assert frozen.last.verdict is Verdict.DISAGREES
    assert living.last.verdict is Verdict.AGREES


def test_a_sag_that_the_mains_meter_sees_is_expected_everywhere(meters):
    assert meters.courses["mains"].last.value == pytest.approx(0.8 * 230.0, rel=0.025)
    assert meters.courses["output"].last.verdict is Verdict.AGREES


STRUCK = {
    "dried-reservoir": ["ripple"],
    "open-diode": ["output", "ripple", "winding"],
    "double-load": ["winding", "line"],
}
"""Faults of the supply that come and go, and the channels that disagree under each."""


@pytest.fixture(scope="module")
def supply(tmp_path_factory):
    quantities = {
        "mains": ("mains.voltage.rms", "0.2 % + 0.1 V"),
        "output": ("output.voltage.mean", "0.2 % + 20 mV"),
        "ripple": ("reservoir.voltage.ripple", "2 % + 20 mV"),
        "winding": ("secondary.current.rms", "1 % + 10 mA"),
        "line": ("mains.current.rms", "1 % + 2 mA"),
    }
    text = INSTRUMENT.format(name="meter", driver="scpi", address=SOCKET, keys=PATIENT)
    for number, (name, (quantity, accuracy)) in enumerate(quantities.items(), 1):
        text += CHANNEL.format(name=name, instrument="meter", quantity=quantity, accuracy=accuracy)
        text += f'period = "0.2 s"\nquery = "MEASure:VOLTage? (@{number})"\n'
    transformer = 'primary_voltage = "230 V"\nopen_circuit_voltage = "20 V"\nprimary_resistance = "8 Ω"\n'
    transformer += 'secondary_resistance = "0.15 Ω"\nno_load_current = "30 mA"\nno_load_loss = "3 W"\n'
    transformer += 'leakage_inductance = "0 H"'
    fuse = '[fuse]\nrating = "0.5 A"\nspeed = "fast"\n'
    bench = easy(
        fuse + SMOOTHING.replace("esr", 'tolerance = "20 %"\nesr') + text, transformer=transformer, mains=MAINS
    )
    path, spells = tmp_path_factory.mktemp("supply") / "a.benchmon", {}

    def spell(live):
        began = live.now
        live.read(6)
        return began, live.now

    with simulated_recording(bench, path) as (simulated, live):
        live.until(lambda seen: seen.all_are(Verdict.AGREES))
        spells["healthy"] = spell(live)
        for fault, struck in STRUCK.items():
            simulated.execute(f"fault {fault}")
            live.until(lambda seen, struck=struck: seen.all_are(Verdict.DISAGREES, *struck))
            spells[fault] = spell(live)
            simulated.execute(f"clear {fault}")
            live.until(lambda seen: seen.all_are(Verdict.AGREES))
        spells["healthy again"] = spell(live)
        simulated.execute("fault shorted-diode")
        live.until(lambda seen: max(seen.values(3, "output"), default=math.inf) < 0.1)
    return collected(path, spells)


def verdicts(recording, start, end):
    """Return the verdicts on each channel's readings between two times.

    A busy machine may miss a reading, or have none to compare it with yet, where the mains have just moved on.
    """
    usable = {
        name: [one for one in course.judgements if start <= one.time <= end and one.value is not None]
        for name, course in recording.courses.items()
    }
    return {name: {one.verdict for one in each} - {Verdict.UNPREDICTED} for name, each in usable.items()}


def test_a_healthy_supply_agrees_before_and_after_its_faults(supply):
    for spell in ("healthy", "healthy again"):
        assert verdicts(supply, *supply.spells[spell]) == {name: {Verdict.AGREES} for name in supply.courses}


def test_a_dried_reservoir_doubles_the_ripple(supply):
    when = supply.spells["dried-reservoir"]
    equivalent = verdicts(supply, *when)
    assert equivalent["ripple"] == {Verdict.DISAGREES}
    assert equivalent["mains"] == {Verdict.AGREES}
    ripple = supply.courses["ripple"]
    assert ripple.between(*when)[-1] == pytest.approx(2 * ripple.between(*supply.spells["healthy"])[-1], rel=0.15)


def test_an_open_diode_is_seen_everywhere_but_at_the_mains(supply):
    when = supply.spells["open-diode"]
    equivalent = verdicts(supply, *when)
    struck = {name: equivalent[name] for name in STRUCK["open-diode"]}
    assert struck == {name: {Verdict.DISAGREES} for name in struck}
    assert equivalent["mains"] == {Verdict.AGREES}
    # One pulse a period has to bring what two brought: higher, and the ripple larger.
    winding = supply.courses["winding"]
    assert winding.between(*when)[-1] > 1.08 * winding.between(*supply.spells["healthy"])[-1]


def test_twice_the_load_draws_twice_the_current(supply):
    when = supply.spells["double-load"]
    equivalent = verdicts(supply, *when)
    assert equivalent["winding"] == equivalent["line"] == {Verdict.DISAGREES}
    winding = supply.courses["winding"]
    assert winding.between(*when)[-1] == pytest.approx(1.8 * winding.between(*supply.spells["healthy"])[-1], rel=0.15)


def test_a_shorted_diode_melts_the_fuse_and_everything_is_dead_at_full_mains(supply):
    last = {name: course.last for name, course in supply.courses.items()}
    assert last["line"].value == pytest.approx(0.0, abs=2e-3)
    assert last["output"].value == pytest.approx(0.0, abs=0.1)
    assert last["mains"].verdict is Verdict.AGREES
    assert last["output"].verdict is Verdict.DISAGREES


@pytest.mark.parametrize(("faults", "kind"), [([], "switched off"), (["stuck-relay"], "switch-off failed")])
def test_a_trip_cuts_the_mains_by_a_coil_and_a_welded_relay_is_an_event(tmp_path, faults, kind):
    text = scenario_named("regulated").path.read_text(encoding="utf-8")
    text = text.replace('warn_above = "85 °C"\n', "").replace('trip_above = "105 °C"', 'trip_above = "21 °C"')
    path = tmp_path / "a.benchmon"
    with simulated_recording(read_bench(text), path, faults) as (_, live):
        live.until(lambda seen: kind in seen.kinds)
        live.read(4)
    recording = collected(path)
    kinds = [event.kind for event in recording.events]
    assert kinds.index("tripped") < kinds.index("switching off") < kinds.index(kind)
    last = {name: course.last.value for name, course in recording.courses.items()}
    if faults:
        assert last["output"] == pytest.approx(12.0, rel=0.03)
    else:
        assert last["mains current"] < 0.01
