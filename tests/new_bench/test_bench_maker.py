"""From answers to a bench file: new ones, changes to one that is there, drafts."""

from __future__ import annotations

from importlib.resources import files

import pytest

from benchmon.bench import read_bench
from benchmon.errors import BadInput
from benchmon.instruments.registry import prepare
from benchmon.new_bench.bench_maker import BenchMaker
from benchmon.prediction import predict

BENCHES = {
    each.name: each.read_text(encoding="utf-8")
    for each in (files("benchmon_simulated") / "benches").iterdir()
    if each.name.endswith(".toml")
}
OWN = BENCHES["bridge.toml"]


def answered(tmp_path, answers, base=""):
    maker = BenchMaker(tmp_path / "bench.toml", base)
    if not base:
        maker.add_meter()
    for name, typed in answers.items():
        maker.answer(name, typed)
    return maker


def test_what_was_measured_is_written_with_the_keys_for_it(tmp_path):
    maker = answered(
        tmp_path,
        {
            "mains.distortion": "5, 2.4 %, 180°; 7, 0.9 %, 47°",
            "transformer.no_load_test": "207 V, 15 mA, 1.2 W; 230 V, 22 mA, 1.6 W",
            "transformer.short_circuit": "11.8 V, 0.35 A, 2.1 W",
            "filter.tolerance": "-20 %, 80 %",
            "filter.esr": "40 mΩ",
            "regulator.output_voltage": "12 V",
            "regulator.ripple_rejection": "62 dB",
        },
    )
    bench = maker.bench()
    assert [order for order, _, _ in bench.mains.harmonics] == [5, 7]
    assert len(bench.transformer.no_load) == 2
    assert bench.transformer.short_circuit[0] == 11.8
    assert bench.filter[0].tolerance_limits == (-0.2, 0.8)
    assert bench.regulator.ripple_rejection == 62.0
    assert predict(bench).quantities["output.voltage.mean"].value == pytest.approx(12.0)


def test_who_it_is_for_stands_in_the_part_for_the_report(tmp_path):
    maker = answered(tmp_path, {"report.customer": "Organ works", "report.author": "?"})
    assert (maker.bench().report.customer, maker.bench().report.author) == ("Organ works", "")


@pytest.mark.parametrize(
    ("typed", "current", "points"),
    [("25 mA", 0.025, None), ("25 mA, 2 W", 0.0, ((230.0, 0.025, 2.0),)), ("not measured", 0.0, None)],
)
def test_a_test_without_load_may_be_a_current_a_point_or_nothing(tmp_path, typed, current, points):
    transformer = answered(tmp_path, {"transformer.no_load_test": typed}).bench().transformer
    assert (transformer.no_load_current, transformer.no_load) == (current, points)


def test_a_clamp_becomes_a_scale_and_an_averaging_meter_says_so(tmp_path):
    lan = "a LAN socket, and SCPI"
    maker = answered(
        tmp_path, {"meter.1.seen": lan, "channel.1.1.point": "secondary", "channel.1.1.what": "current.rms"}
    )
    maker.answer("channel.1.1.ratio", "100 mV/A")
    maker.answer("channel.1.1.responds", "the mean")
    channel = maker.bench().channel[0]
    assert (channel.scale, channel.responds) == (10.0, "mean")


def test_usual_values_that_nobody_confirmed_are_marked_in_the_file(tmp_path):
    maker = answered(tmp_path, {"mains.voltage": "115"})
    lines = maker.text().splitlines()
    assert not any("not confirmed" in line for line in lines if line.startswith('voltage = "115 V"'))
    assert any("not confirmed" in line for line in lines if line.startswith("rated_voltage"))
    before = maker.unconfirmed()
    maker.answer("transformer.rated_voltage", "18 V")
    assert maker.unconfirmed() == before - 1


def test_what_was_not_confirmed_is_so_when_the_file_is_opened_again(tmp_path):
    maker = answered(tmp_path, {"channel.1.1.point": "load"})
    again = BenchMaker(maker.path, maker.text())
    assert again.unconfirmed() == maker.unconfirmed()
    again.answer("channel.1.1.warn_above", "80 °C")
    again.answer("mains.tolerance", "6 %")
    assert again.unconfirmed() == maker.unconfirmed() - 2
    changed = set(again.text().splitlines()) - set(maker.text().splitlines())
    assert sorted(line.partition("#")[0].strip() for line in changed) == ['tolerance = "6 %"', 'warn_above = "80 °C"']


def test_an_accuracy_that_nobody_confirmed_goes_with_its_quantity(tmp_path):
    again = BenchMaker(tmp_path / "bench.toml", answered(tmp_path, {}).text())
    again.answer("channel.1.1.point", "ambient")
    assert again.asked()["channel.1.1.accuracy"] == "2 K"
    assert again.problem() == ""


@pytest.mark.parametrize("name", sorted(BENCHES))
def test_a_file_that_is_opened_and_not_changed_stays_to_the_letter(name, tmp_path):
    assert BenchMaker(tmp_path / name, BENCHES[name]).text() == BENCHES[name]


def test_every_key_of_a_channel_that_no_question_asks_for_stays(tmp_path):
    more = (
        'warn_below = "3 V"\ntrip_below = "2 V"\nwarn_delay = "5 s"\nbandwidth = "9 kHz"\nzero = "1 mV"\ngain = 1.002\n'
        'serial = "M-7"\ncalibrated = 2026-03-01\ncalibration_due = 2027-03-01\naccuracy ='
    )
    heading, _, channels = OWN.partition("[[channel]]")
    base = f"{heading}[[channel]]{channels.replace('accuracy =', more, 1)}"
    assert BenchMaker(tmp_path / "bench.toml", base).text() == base


def test_a_change_touches_one_line(tmp_path):
    maker = answered(tmp_path, {"mains.voltage": "115"}, OWN)
    changed = set(maker.text().splitlines()) ^ set(OWN.splitlines())
    assert sorted(changed) == [
        'voltage = "115 V"              # as measured without load',
        'voltage = "230 V"              # as measured without load',
    ]


def test_parts_and_meters_come_and_go_and_names_follow(tmp_path):
    maker = answered(
        tmp_path,
        {
            "fuse.rating": "none",
            "filter.capacitance": "10 mF",
            "load.kind": "current",
            "load.current": "2",
            "meter.1.name": "bench DMM",
        },
        OWN,
    )  # fmt: skip
    first = maker.asked()["channel.1.1.name"]
    maker.answer("channel.1.1.name", "out")
    maker.remove(2)
    added = maker.add_meter()
    maker.answer(f"meter.{added}.seen", "it shows")
    maker.answer(f"channel.{added}.1.point", "load")
    bench = read_bench(maker.text())
    prepare(bench)
    assert bench.fuse is None
    assert bench.filter[0].capacitance == pytest.approx(0.01)
    assert bench.load.current == 2.0
    assert bench.instrument[0].name == "bench DMM"
    assert first not in [channel.name for channel in bench.channel]
    assert all(first not in step.needs for step in bench.step)
    assert [channel.quantity for channel in bench.channel if channel.instrument == f"meter {added}"] == [
        "load.temperature"
    ]


def test_a_draft_is_gone_on_from_and_goes_with_the_file(tmp_path):
    maker = answered(tmp_path, {"mains.voltage": "115"})
    maker.keep_draft()
    again = BenchMaker(maker.path)
    assert again.take_draft()
    assert again.asked()["mains.voltage"] == "115 V"
    again.write()
    assert [each.name for each in tmp_path.iterdir()] == ["bench.toml"]
    assert not BenchMaker(maker.path).take_draft()


@pytest.mark.parametrize("content", ["", "{}", "[1]", '{"base": "", "answers": {"mains.voltage": 3}}', "\udcff" * 3])
def test_a_spoilt_draft_is_left_alone(tmp_path, content):
    maker = BenchMaker(tmp_path / "bench.toml")
    maker.draft_path.write_text(content, encoding="utf-8", errors="surrogateescape")
    assert not maker.take_draft()
    assert maker.given == {}


def test_a_draft_of_another_state_of_the_file_is_left_alone(tmp_path):
    maker = answered(tmp_path, {"mains.voltage": "115"}, OWN)
    maker.keep_draft()
    assert not BenchMaker(maker.path, f"# edited\n{OWN}").take_draft()


def test_what_does_not_fit_together_is_explained(tmp_path):
    maker = answered(tmp_path, {"mains.distortion": "socket.csv"})
    assert "socket.csv" in maker.problem()


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_lines_of_a_file_end_as_they_did(tmp_path, line_end):
    path = tmp_path / "bench.toml"
    path.write_text(OWN, encoding="utf-8", newline=line_end)
    maker = BenchMaker.of_file(path)
    maker.answer("mains.voltage", "115")
    maker.answer("report.customer", "Organ works")
    maker.write()
    written = path.read_bytes()
    assert written.count(b"\n") == written.count(line_end.encode())
    assert read_bench(written.decode()).mains.voltage == 115.0


CHAINS = {
    "the reservoir alone": ["capacitor"],
    "choke, then the reservoir": ["choke", "capacitor"],
    "reservoir, choke, second capacitor": ["capacitor", "choke", "capacitor"],
    "reservoir, resistor, second capacitor": ["capacitor", "resistor", "capacitor"],
}


@pytest.mark.parametrize("first", CHAINS)
@pytest.mark.parametrize("then", CHAINS)
def test_a_filter_becomes_another_and_is_read_as_what_it_is(tmp_path, first, then):
    maker = answered(tmp_path, {"filter.capacitance": "3300u", "filter.chain": first, "ntc.r25": "10"})
    assert [part.kind for part in maker.bench().filter] == CHAINS[first]
    again = BenchMaker(maker.path, maker.text())
    assert (again.asked()["filter.chain"], again.unconfirmed()) == (first, maker.unconfirmed())
    again.answer("filter.chain", then)
    bench = again.bench()
    assert [part.kind for part in bench.filter] == CHAINS[then]
    assert next(part.capacitance for part in bench.filter if part.kind == "capacitor") == pytest.approx(3.3e-3)
    assert bench.ntc.r25 == 10.0


LONG = """\
[[filter]]
kind = "choke"
inductance = "30 mH"             # the old one from the store

[[filter]]
kind = "capacitor"
capacitance = "4.7 mF"

[[filter]]
kind = "resistor"
resistance = "1 Ω"               # wire-wound

[[filter]]
kind = "capacitor"
capacitance = "2.2 mF"           # off the RLC meter
esr = "60 mΩ"
esr_tolerance = "30 %"

[[filter]]
kind = "resistor"
resistance = "2.2 Ω"             # on the chassis

[[filter]]
kind = "capacitor"
capacitance = "1 mF"             # the blue one

"""


@pytest.fixture
def long_filter(tmp_path):
    first = answered(tmp_path, {"channel.1.1.point": "output"}).text()
    head, _, rest = first.partition("[[filter]]")
    return BenchMaker(tmp_path / "bench.toml", f"{head}{LONG}{rest[rest.index('[load]') :]}")


def test_a_filter_of_many_parts_is_asked_for_part_by_part_and_stays_as_it_is(long_filter):
    assert long_filter.text() == BenchMaker(long_filter.path, long_filter.text()).text()
    assert LONG in long_filter.text()
    asked = long_filter.asked()
    kinds = ["choke before the reservoir", "resistor", "capacitor", "resistor", "capacitor", "no more"]
    assert [asked[f"part.{number}.kind"] for number in range(1, 7)] == kinds
    assert (asked["choke.1.inductance"], asked["capacitor.5.capacitance"]) == ("30 mH", "1 mF")


def test_a_part_in_the_middle_is_taken_away_and_the_others_keep_values_and_comments(long_filter):
    long_filter.answer("part.2.kind", "no more")
    long_filter.answer("part.3.kind", "no more")
    long_filter.answer("capacitor.5.capacitance", "1.5 mF")
    text = long_filter.text()
    for gone in ("wire-wound", "off the RLC"):
        assert gone not in text
    for line in (
        '"30 mH"             # the old one',
        '"2.2 Ω"             # on the chassis',
        '"1.5 mF"             # the blue',
    ):
        assert line in text
    assert [part.kind for part in long_filter.bench().filter] == ["choke", "capacitor", "resistor", "capacitor"]


def test_parts_are_added_behind_the_last_one_and_before_the_reservoir(long_filter):
    long_filter.answer("part.6.kind", "choke")
    long_filter.answer("choke.6.inductance", "5 mH")
    long_filter.answer("part.7.kind", "capacitor")
    long_filter.answer("part.8.kind", "resistor before the reservoir")
    kinds = [part.kind for part in long_filter.bench().filter]
    assert kinds == ["choke", "resistor", *["capacitor", "resistor"] * 2, "capacitor", "choke", "capacitor"]
    text = long_filter.text()
    assert all(line in text for line in LONG.splitlines())
    again = BenchMaker(long_filter.path, text)
    assert again.text() == text
    again.answer("filter.chain", "reservoir, choke, second capacitor")
    assert [part.kind for part in again.bench().filter] == ["capacitor", "choke", "capacitor"]


def test_a_part_that_becomes_another_has_its_place_and_the_other_keys_of_the_rest_stay(long_filter):
    long_filter.answer("part.2.kind", "choke")
    long_filter.answer("part.3.kind", "capacitor")
    bench = long_filter.bench()
    assert [part.kind for part in bench.filter] == ["choke", "capacitor", "choke", "capacitor", "resistor", "capacitor"]
    assert bench.filter[3].esr_tolerance == pytest.approx(0.3)
    long_filter.answer("filter.capacitance", "none")
    assert long_filter.bench().filter == ()


def test_a_new_filter_is_made_part_by_part(tmp_path):
    parts = ["choke", "capacitor", "resistor", "capacitor", "choke", "capacitor"]
    answers = {f"part.{number}.kind": kind for number, kind in enumerate(parts, 1)}
    maker = answered(tmp_path, {"filter.chain": "other parts, one by one", **answers, "choke.5.inductance": "2 mH"})
    assert [part.kind for part in maker.bench().filter] == ["capacitor", *parts]
    assert maker.bench().filter[5].inductance == pytest.approx(2e-3)
    assert maker.unconfirmed() == BenchMaker(maker.path, maker.text()).unconfirmed()


def test_a_draft_of_an_earlier_version_has_its_answers_about_the_filter(long_filter):
    draft = {"filter.chain": "as in the file", "filter.capacitance": "10 mF"}
    long_filter.given = draft
    long_filter.keep_draft()
    again = BenchMaker(long_filter.path, long_filter._base)
    assert again.take_draft()
    assert [part.kind for part in again.bench().filter][2:] == ["resistor", "capacitor"] * 2


def test_a_channel_has_more_when_it_is_asked_for_and_less_again(tmp_path):
    more = {
        "channel.1.1.more": "below",
        "channel.1.1.serial": "M-7",
        "channel.1.1.calibrated": "2026-03-01",
        "channel.1.1.zero": "1 mV",
        "channel.1.1.gain": "1.002",
        "channel.1.1.bandwidth": "9 kHz",
        "channel.1.1.warn_below": "3 V",
        "channel.1.1.trip_above": "30 V",
    }
    maker = answered(tmp_path, {"channel.1.1.point": "output", **more})
    channel = maker.bench().channel[0]
    assert (channel.serial, str(channel.calibrated), channel.zero, channel.gain) == ("M-7", "2026-03-01", 0.001, 1.002)
    assert (channel.bandwidth, channel.warn_below, channel.trip_above) == (9e3, 3.0, 30.0)
    again = BenchMaker(maker.path, maker.text())
    assert {name: again.asked()[name] for name in more} == {**more, "channel.1.1.gain": "1.002"}
    with pytest.raises(BadInput, match="2026-03-01"):
        again.answer("channel.1.1.calibrated", "March")
    again.answer("channel.1.1.more", "nothing")
    channel = again.bench().channel[0]
    assert (channel.serial, channel.calibrated, channel.zero, channel.gain) == ("", None, 0.0, 1.0)
    assert (channel.trip_above, channel.warn_below) == (None, None)


def test_a_relay_that_reads_nothing_switches_off_and_may_be_given_another_name(tmp_path):
    maker = answered(tmp_path, {"channel.1.1.point": "output"})
    relay = maker.add_meter()
    for name, typed in {
        f"meter.{relay}.seen": "a LAN socket, and a table of Modbus registers in its manual",
        f"meter.{relay}.name": "relay box",
        f"meter.{relay}.reads": "nothing",
        "switch.meter": f"meter {relay}",
        "switch.key.coil": "3",
        "switch.key.confirm": "discrete, 3, 0",
    }.items():
        maker.answer(name, typed)
    bench = maker.bench()
    assert [channel.instrument for channel in bench.channel] == ["meter 1"]
    assert bench.switch_off.driver_keys == {"coil": 3, "value": 0, "confirm": ["discrete", 3, 0]}
    again = BenchMaker(maker.path, maker.text())
    again.answer(f"meter.{relay}.name", "mains relay")
    assert again.bench().switch_off.instrument == "mains relay"
    assert again.bench().switch_off.driver_keys == bench.switch_off.driver_keys
    again.remove(relay)
    assert again.bench().switch_off is None


def test_steps_are_written_one_by_one_and_changed_in_their_place(tmp_path):
    own = {"plan.stages": "by steps of", "step.2.name": "no more", "step.3.zero": "output voltage"}
    record = "insulation, unit MΩ, at least 2 MΩ, note 500 V DC; look at the wiring"
    first = answered(tmp_path, own | {"step.1.record": record, "step.4.name": "no more", "step.5.name": "no more"})
    steps = first.bench().step
    assert [(step.name, step.mains, step.load, step.hold) for step in steps] == [
        ("a tenth of the mains, no load", 23.0, "open", 20.0),
        ("full mains, no load", 230.0, "open", 60.0),
    ]
    assert [(one.name, one.unit, one.at_least, one.note) for one in steps[0].record] == [
        ("insulation", "MΩ", "2 MΩ", "500 V DC"),
        ("look at the wiring", "", "", ""),
    ]
    assert steps[1].zero == ("output voltage",)
    again = BenchMaker(first.path, first.text())
    again.answer("plan.stages", "by steps of")
    assert again.text() == first.text()
    assert again.asked()["step.1.record"] == record
    again.answer("channel.1.1.name", "out")
    again.answer("step.3.name", "soak")
    assert [(step.name, step.zero) for step in again.bench().step[1:]] == [
        ("full mains, no load", ("out",)),
        ("soak", ()),
    ]


@pytest.mark.parametrize(
    ("key", "typed", "why"),
    [
        ("needs", "nobody", "there is no channel nobody"),
        ("record", "earth, at lest 3", "does not begin with unit"),
        ("record", "earth, unit Ω, at least 3 Ω, at most 2 Ω", "is below at_least"),
        ("load", "-3 Ω", "above 0"),
        ("name", "half the mains, no load", "in use"),
    ],
)
def test_what_no_step_takes_is_refused_as_it_is_typed(key, typed, why, tmp_path):
    maker = answered(tmp_path, {"plan.stages": "by steps of"})
    with pytest.raises(BadInput, match=why):
        maker.answer(f"step.3.{key}", typed)


@pytest.mark.parametrize(
    ("seen", "sets", "releases", "wrong"),
    [
        ("a LAN socket, and SCPI", "CURR {value}", "INP 0", {"CURR": "value"}),
        (
            "a LAN socket, and a table", "register 2, factor 0.1", "register 3, value 0",
            {"register": "keys with their values", "register x": "integer", "registr 2": "required"},
        ),
    ],
)  # fmt: skip
def test_a_sweep_may_have_its_load_set_by_an_instrument(seen, sets, releases, wrong, tmp_path):
    maker = answered(tmp_path, {"meter.1.seen": seen, "meter.1.name": "load", "sweep.1.over": "load.current"})
    assert maker.bench().sweep[0].instrument is None
    maker.answer("sweep.1.instrument", "meter 1")
    for typed, why in wrong.items():
        with pytest.raises(BadInput, match=f"(?i){why}"):
            maker.answer("sweep.1.set", typed)
    maker.answer("sweep.1.set", sets)
    maker.answer("sweep.1.off", releases)
    assert maker.bench().sweep[0].instrument == "load"
    again = BenchMaker(maker.path, maker.text())
    assert again.text() == maker.text()
    assert [again.asked()[f"sweep.1.{key}"] for key in ("instrument", "set", "off")] == ["meter 1", sets, releases]
    again.answer("sweep.1.over", "mains.voltage")
    again.answer("sweep.1.values", "220 V, 230 V")
    assert (again.bench().sweep[0].instrument, again.bench().sweep[0].set) == (None, "")


def test_sweeps_come_change_and_go(tmp_path):
    maker = answered(tmp_path, {"sweep.1.over": "load.current", "sweep.1.values": "open, 1 A", "sweep.2.over": "mains"})
    assert [(each.name, each.over) for each in maker.bench().sweep] == [
        ("load", "load.current"),
        ("mains 2", "mains.voltage"),
    ]
    again = BenchMaker(maker.path, maker.text())
    assert again.text() == maker.text()
    with pytest.raises(BadInput, match="twice"):
        again.answer("sweep.1.values", "1 A, 1 A")
    again.answer("sweep.1.over", "no sweep")
    again.answer("sweep.2.values", "220 V, 240 V")
    assert [each.values for each in again.bench().sweep] == [(220.0, 240.0)]


def test_the_load_of_a_second_output_is_asked_where_there_is_one(tmp_path):
    base = BENCHES["split-rail.toml"]
    own = answered(tmp_path, {"load_2.kind": "resistor", "load_2.resistance": "60 Ω"}, base).text()
    assert read_bench(own).load_2.resistance == 60.0
    assert read_bench(answered(tmp_path, {"load_2.kind": "like the first"}, own).text()).load_2 is None


def test_what_a_second_output_has_goes_with_it(tmp_path):
    two = BENCHES["two-outputs.toml"]
    changed = answered(tmp_path, {"rectifier.kind": "bridge", "transformer.windings": "one winding"}, two).text()
    assert "_2]" not in changed
