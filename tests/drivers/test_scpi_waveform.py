"""The waves of a SCPI instrument over real sockets, pseudo-terminals and pyvisa-sim: measures, sharing, bad blocks.

Blocks are written by PyVISA's `to_ieee_block`.
"""

import math
import struct
import time
from contextlib import suppress

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyvisa.util import to_ieee_block

from benchmon.bench import read_bench
from benchmon.errors import BadInput, BenchFileError, BenchmonError, InstrumentError
from benchmon.instruments.registry import prepare
from benchmon.instruments.testing.fake_instrument import FakeSerialInstrument, FakeTcpInstrument
from benchmon.instruments.types import DrivenChannel
from benchmon_drivers.scpi.driver import ScpiDriver
from benchmon_drivers.scpi.settings import ScpiChannel, ScpiSettings
from support.supplies import supply

SAMPLES = 2000
ANGLE = 2 * np.pi * 4 * np.arange(SAMPLES) / SAMPLES
CODES = np.rint(1000 * np.sin(ANGLE)).astype(int)
"""Four periods of 50 Hz in 80 ms; at 2 mV a code an amplitude of 2 V. It has the byte of a line feed in it."""
BLOCK = to_ieee_block(CODES, "h", is_big_endian=True) + b"\n"


def to_block(data):
    """Return `data` as a definite block."""
    return to_ieee_block(list(data), "B", is_big_endian=True) + b"\n"


PREAMBLE = b"2000,4.0E-5,0,2.0E-3,1.0E-1\n"
ANSWERS = {
    b"*IDN?": b"Acme,Scope,1,1.0\n",
    b"SYST:ERR?": b'0,"No error"\n',
    b"PRE?": PREAMBLE,
    b"DATA?": BLOCK,
    b"V?": b"7.5\n",
}
WAVES = {"preamble": ["points", "x_increment", "x_origin", "y_increment", "y_origin"]}
RIPPLE = "reservoir.voltage.ripple"


def channel(name, quantity, unit="V", period=1.0, scale=1.0, **ask):
    ask = ask or {"wave": "DATA?", "preamble": "PRE?"}
    return DrivenChannel(name, unit, period, scale, ScpiChannel.model_validate(ask), quantity=quantity)


def scope_at(address, *channels, waves=WAVES, **keys):
    keys = {"address": address, "timeout": 1.0, "waves": waves} | keys
    driver = ScpiDriver("scope", ScpiSettings.model_validate(keys), channels)
    driver.captured = []
    driver.on_wave = driver.captured.append
    return driver


@pytest.fixture
def fake_instrument():
    with FakeTcpInstrument(ANSWERS.get) as end:
        yield end


def test_a_block_becomes_measures_and_a_wave(opened, fake_instrument):
    driver = opened(
        scope_at(
            fake_instrument.visa_address,
            channel("rms", "output.voltage.rms", scale=10.0),
            channel("mean", "output.voltage.mean", scale=10.0),
            channel("ripple", "output.voltage.ripple", scale=10.0),
            channel("frequency", "output.voltage.frequency", "Hz", scale=10.0),
        )
    )
    driver.clock = lambda: 100.0
    values = {name: driver.read(name).value for name in driver.channels}
    assert values["rms"] == pytest.approx(10 * math.hypot(math.sqrt(2), 0.1), rel=1e-3)
    assert values["mean"] == pytest.approx(1.0, rel=1e-3)
    assert values["ripple"] == pytest.approx(40.0, rel=1e-3)
    assert values["frequency"] == pytest.approx(50.0, rel=1e-4)
    # All four were measured on one capture, which is handed over once, in volts at the probe's tip.
    assert fake_instrument.received.count(b"DATA?") == fake_instrument.received.count(b"PRE?") == 1
    [wave] = driver.captured
    assert (wave.channel, wave.unit) == ("rms", "V")
    assert np.allclose(wave.values, 10 * (0.002 * CODES + 0.1))
    assert np.allclose(wave.times, 4e-5 * np.arange(SAMPLES))


def test_distortion_through_a_clamp_is_no_larger_by_its_ratio(opened, fake_instrument):
    square = to_ieee_block(np.sign(np.sin(ANGLE + 1e-6)).astype(int) * 100, "h", is_big_endian=True) + b"\n"
    fake_instrument.answer = (ANSWERS | {b"DATA?": square}).get
    driver = opened(
        scope_at(
            fake_instrument.visa_address,
            channel("thd", "mains.current.thd", "", scale=100.0),
            channel("peak", "mains.current.peak", "A", scale=100.0),
        )
    )
    # A square wave's orders 3, 5, … 39 are 1/k of its fundamental (closed form).
    assert driver.read("thd").value == pytest.approx(math.sqrt(sum(k**-2 for k in range(3, 41, 2))), rel=0.02)
    assert driver.read("peak").value == pytest.approx(100 * (0.2 + 0.1))
    assert driver.captured[0].unit == "A"


def test_every_period_has_its_own_capture(opened, fake_instrument):
    driver = opened(
        scope_at(fake_instrument.visa_address, channel("one", RIPPLE), channel("other", "reservoir.voltage.mean"))
    )
    now = [100.0]
    driver.clock = lambda: now[0]
    for _ in range(3):
        driver.read("one")
        driver.read("other")
        now[0] += 1.0
    assert fake_instrument.received.count(b"DATA?") == 3
    assert [wave.time for wave in driver.captured] == [100.0, 101.0, 102.0]
    # A channel never has the same capture twice, and none has an old one.
    driver.read("other")
    driver.read("other")
    assert fake_instrument.received.count(b"DATA?") == 5
    now[0] += 0.6
    driver.read("one")
    assert fake_instrument.received.count(b"DATA?") == 6


@pytest.mark.parametrize("line", [FakeTcpInstrument, FakeSerialInstrument])
@pytest.mark.parametrize(
    ("block", "waves"),
    [
        (BLOCK, WAVES),
        (BLOCK.rstrip(b"\n"), WAVES),
        (BLOCK.replace(b"\n", b"\r\n", -1) if b"\n" not in BLOCK[:-1] else BLOCK[:-1] + b"\r\n", WAVES),
        (b":WAV:DATA " + BLOCK, WAVES),
        (b"#0" + BLOCK[6:], WAVES),
        (to_ieee_block(CODES, "h", is_big_endian=False) + b"\n", WAVES | {"byte_order": "little"}),
        (",".join(map(str, CODES)).encode() + b"\n", WAVES | {"codes": "ascii"}),
    ],
    ids=["definite", "no end", "cr lf", "header", "indefinite", "little", "ascii"],
)
def test_every_way_to_send_a_wave_on_every_line(opened, line, block, waves):
    with line((ANSWERS | {b"DATA?": block}).get) as end:
        driver = opened(
            scope_at(
                end.visa_address,
                channel("ripple", RIPPLE),
                channel("v", "output.voltage.mean", query="V?"),
                waves=waves,
            )
        )
        for _ in range(3):
            assert driver.read("ripple").value == pytest.approx(4.0, rel=1e-3)
            assert driver.read("v").value == 7.5


def test_without_a_preamble_the_bench_file_gives_the_scale(opened, fake_instrument):
    fake_instrument.answer = (ANSWERS | {b"CURVE?": b"#14" + bytes([128, 130, 128, 126]) + b"\n"}).get
    waves = {"codes": "uint8", "x_increment": 5e-3, "y_increment": 0.5, "y_reference": 128}
    driver = opened(scope_at(fake_instrument.visa_address, channel("ripple", RIPPLE, wave="CURVE?"), waves=waves))
    assert driver.read("ripple").value == 2.0


@pytest.mark.parametrize(
    ("reply", "keys"),
    [
        (b"2000;4.0E-5;0;2.0E-3;1.0E-1\n", {"separator": ";"}),
        (b':WAVE:COUNT 2000;STEP 40 us;START 0 s;SCALE "2 mV";SHIFT 0.1 V\n', {"separator": ";"}),
        (b'"2000","4.0E-5","0","2.0E-3","1.0E-1"\n', {}),
        (
            b"25 kSa/s,2 mV,100 mV,'CH1, DC, 1:10'\n",
            {"preamble": ["sample_rate", "y_increment", "y_origin", "-"]},
        ),
        (
            b"CODED BIN;2 mV;100 mV\n",
            {
                "preamble": ["format", "y_increment", "y_origin"],
                "separator": ";",
                "sample_rate": 25e3,
                "formats": {"BIN": "int16", "ASC": "ascii"},
            },
        ),
    ],
    ids=["semicolons", "words and units", "quotes", "sample rate", "fixed rate, a word before the format"],
)
def test_preambles_as_instruments_write_them(opened, fake_instrument, reply, keys):
    fake_instrument.answer = (ANSWERS | {b"PRE?": reply}).get
    driver = opened(scope_at(fake_instrument.visa_address, channel("rms", "output.voltage.rms"), waves=WAVES | keys))
    assert driver.read("rms").value == pytest.approx(math.hypot(math.sqrt(2), 0.1), rel=1e-3)
    assert np.allclose(driver.captured[0].times, 4e-5 * np.arange(SAMPLES))


PLACES = {"points": [0, "<i"], "x_increment": [4, "<f"], "y_increment": [8, "<f"], "y_origin": [12, "<f"]}
DESCRIPTOR = struct.pack("<ifff", SAMPLES, 4e-5, 2e-3, 0.1)


@pytest.mark.parametrize("asked", [True, False])
def test_a_binary_descriptor_gives_the_scale(opened, fake_instrument, asked):
    codes = CODES.astype(">i2").tobytes()
    head, data = (DESCRIPTOR, codes) if asked else (b"", DESCRIPTOR + codes)
    fake_instrument.answer = (ANSWERS | {b"DESC?": to_block(head) if head else None, b"DATA?": to_block(data)}).get
    ask = {"wave": "DATA?"} | ({"preamble": "DESC?"} if asked else {})
    waves = {"descriptor": PLACES, "skip": 0 if asked else len(DESCRIPTOR)}
    driver = opened(scope_at(fake_instrument.visa_address, channel("rms", "output.voltage.rms", **ask), waves=waves))
    assert driver.read("rms").value == pytest.approx(math.hypot(math.sqrt(2), 0.1), rel=1e-3)


def test_a_descriptor_without_a_number_is_no_wave(opened, fake_instrument):
    data = struct.pack("<ifff", SAMPLES, math.nan, 2e-3, 0.1) + CODES.astype(">i2").tobytes()
    fake_instrument.answer = (ANSWERS | {b"DATA?": to_block(data)}).get
    waves = {"descriptor": PLACES, "skip": 16}
    one = channel("rms", "output.voltage.rms", wave="DATA?")
    assert "x_increment" in opened(scope_at(fake_instrument.visa_address, one, waves=waves)).read("rms").problem


@pytest.mark.parametrize(
    "reply",
    [
        b"2000,40 V,0,2.0E-3,0\n",
        b"2000,4.0E-5,0,2.0E-3 s,0\n",
        b"2000,2E-3 5,0,1,0\n",
        b"2000,MAX 4,0,,0\n",
        b"1.5,1,0,1,0\n",
    ],
)
def test_a_field_of_another_kind_is_no_preamble(opened, fake_instrument, reply):
    fake_instrument.answer = (ANSWERS | {b"PRE?": reply}).get
    driver = opened(scope_at(fake_instrument.visa_address, channel("rms", "output.voltage.rms")))
    assert "preamble" in driver.read("rms").problem


PAIRS = b"".join(b"%.6f,%.4f;" % (0.001 * at, 2 * math.sin(at)) for at in range(40)).rstrip(b";") + b"\n"


@pytest.mark.parametrize(
    "sent",
    [PAIRS, PAIRS.replace(b";", b","), b"#3%03d" % (len(PAIRS) - 1) + PAIRS.replace(b";", b"\n"), b"0,1;0.1,5;0.4,3\n"],
)
def test_pairs_of_time_and_value_are_no_single_series(opened, fake_instrument, sent):
    fake_instrument.answer = (ANSWERS | {b"PAIRS?": sent}).get
    waves = {"codes": "ascii", "x_increment": 1e-3}
    driver = opened(scope_at(fake_instrument.visa_address, channel("ripple", RIPPLE, wave="PAIRS?"), waves=waves))
    assert "pairs = true" in driver.read("ripple").problem
    driver.close()
    scope = opened(
        scope_at(
            fake_instrument.visa_address,
            channel("ripple", RIPPLE, wave="PAIRS?"),
            waves={"codes": "ascii", "pairs": True},
        )
    )
    assert scope.read("ripple").value == pytest.approx(4.0, rel=0.01)
    assert scope.captured[0].times[1] in (0.001, 0.1)


def test_a_ramp_in_text_is_one_series(opened, fake_instrument):
    fake_instrument.answer = (ANSWERS | {b"RAMP?": b",".join(b"%.2f" % (0.25 * at) for at in range(40)) + b"\n"}).get
    waves = {"codes": "ascii", "x_increment": 1e-3}
    driver = opened(scope_at(fake_instrument.visa_address, channel("ripple", RIPPLE, wave="RAMP?"), waves=waves))
    assert driver.read("ripple").value == 9.75


BAD = {
    "cut": (BLOCK[:500], "ended after"),
    "longer": (BLOCK[:-1] + b"123\n", "goes on after"),
    "fewer": (to_ieee_block(CODES[:100], "h", is_big_endian=True) + b"\n", "100 samples where"),
    "odd": (b"#13abc\n", "no whole number of samples"),
    "implausible": (b"#9999999999" + bytes(5000) + b"\n", "announces a wave of 999999999 bytes"),
    "text": (b"*** no trace ***\n", "not a block of samples"),
    "number": (b"1.25\n", "not a block of samples"),
    "empty": (b"\n", "no answer to DATA?"),
}


@pytest.mark.parametrize("line", [FakeTcpInstrument, FakeSerialInstrument])
@pytest.mark.parametrize("bad", BAD)
def test_after_a_bad_block_every_other_reply_is_correct(opened, line, bad):
    block, says = BAD[bad]
    with line((ANSWERS | {b"DATA?": block}).get) as end:
        driver = opened(
            scope_at(end.visa_address, channel("ripple", RIPPLE), channel("v", "output.voltage.mean", query="V?"))
        )
        for _ in range(2):
            reading = driver.read("ripple")
            assert reading.value is None
            assert bad == "cut" or says in reading.problem
            assert driver.read("v").value == 7.5
        assert driver.identity == "Acme,Scope,1,1.0"
        assert driver.captured == []


@pytest.mark.parametrize("line", [FakeTcpInstrument, FakeSerialInstrument])
def test_a_wave_that_comes_late_is_not_taken_for_the_next_channel_s(opened, line):
    def late(question):
        if question == b"DATA?":
            time.sleep(0.5)
        return ANSWERS.get(question)

    with line(late) as end:
        keys = {"timeout": 0.2, "retries": 0}
        driver = opened(
            scope_at(
                end.visa_address, channel("ripple", RIPPLE), channel("v", "output.voltage.mean", query="V?"), **keys
            )
        )
        for _ in range(2):
            with suppress(InstrumentError):
                assert driver.read("ripple").value is None
            with suppress(InstrumentError):
                assert driver.read("v").value in (7.5, None)
        assert driver.identity in ("", "Acme,Scope,1,1.0")


def test_a_wave_beyond_its_range_is_over_range(opened, fake_instrument):
    channels = channel("ripple", RIPPLE), channel("f", "output.voltage.frequency", "Hz")
    driver = opened(scope_at(fake_instrument.visa_address, *channels, waves=WAVES | {"overload": [1000]}))
    assert driver.read("ripple").value == math.inf
    assert "beyond its range" in driver.read("f").problem


def test_a_flat_wave_has_no_frequency_and_the_line_is_left_alone(opened, fake_instrument):
    fake_instrument.answer = (ANSWERS | {b"DATA?": to_ieee_block(np.zeros(SAMPLES, int), "h") + b"\n"}).get
    channels = channel("f", "output.voltage.frequency", "Hz"), channel("ripple", RIPPLE)
    driver = opened(scope_at(fake_instrument.visa_address, *channels))
    fake_instrument.received.clear()
    assert "has no such measure" in driver.read("f").problem
    assert driver.read("ripple").value == 0.0
    assert fake_instrument.received == [b"PRE?", b"DATA?"]


def test_a_wave_from_pyvisa_sim(opened, tmp_path):
    """Pyvisa-sim is an instrument from elsewhere; it sends text, so the codes are letters."""
    (tmp_path / "scope.yaml").write_text(
        'spec: "1.1"\ndevices:\n  scope:\n    eom:\n      GPIB INSTR:\n        q: "\\n"\n        r: "\\n"\n'
        "    dialogues:\n"
        '      - {q: "*IDN?", r: "Acme,Sim,1,1"}\n'
        '      - {q: "CURV?", r: "#15HELLO"}\n'
        '      - {q: "TEXT?", r: "1.5,2.5,-3.5"}\n'
        "resources:\n  GPIB::8::INSTR:\n    device: scope\n"
    )
    keys = {"backend": f"{tmp_path / 'scope.yaml'}@sim", "error_queue": False}
    for codes, query, expected in (("int8", "CURV?", ord("O") - ord("E")), ("ascii", "TEXT?", 6.0)):
        waves = {"codes": codes, "x_increment": 1e-3}
        driver = opened(scope_at("GPIB::8::INSTR", channel("ripple", RIPPLE, wave=query), waves=waves, **keys))
        assert driver.read("ripple").value == expected


@given(
    st.lists(
        st.one_of(
            st.binary(max_size=80),
            st.builds(
                lambda count, data: b"#%d%s" % (len(str(count)), str(count).encode()) + data,
                st.integers(0, 10**9),
                st.binary(max_size=60),
            ),
            st.sampled_from([PREAMBLE.strip(), BLOCK.strip(), BLOCK[:700], b"#0", b"#", b"#9", b"#0" + bytes(3000)]),
        ),
        min_size=1,
        max_size=6,
    )
)
@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_fuzzed_blocks_raise_only_instrument_errors(fuzzed_end, replies):
    left = list(replies)

    def answer(question):
        if question in (b"PRE?", b"DATA?") and left:
            return left.pop(0) + b"\n"
        return ANSWERS.get(question)

    fuzzed_end.answer = answer
    driver = scope_at(
        fuzzed_end.visa_address, channel("ripple", RIPPLE), channel("f", "mains.frequency", "Hz"), timeout=0.1
    )
    try:
        driver.open()
        for _ in range(2):
            for name in driver.channels:
                reading = driver.read(name)
                assert (reading.value is None) == bool(reading.problem)
                assert reading.problem.isprintable()
    except BenchmonError as problem:
        left.append(str(problem))
        assert "report this" not in left[-1]
    finally:
        driver.close()
    assert all(np.all(np.isfinite(wave.values)) for wave in driver.captured)


@pytest.fixture(scope="module")
def fuzzed_end():
    with FakeTcpInstrument() as end:
        yield end


@pytest.mark.parametrize(
    ("one", "waves", "says"),
    [
        (channel("c", RIPPLE), None, r"as \[instrument.waves\]"),
        (channel("c", "mains.power.active", "W"), WAVES, "no measure of one wave"),
        (channel("c", "diode.temperature.case", "°C"), WAVES, "no measure of one wave"),
        (channel("c", RIPPLE, wave="DATA?"), WAVES, "its preamble cannot be read"),
        (channel("c", RIPPLE), {"x_increment": 1e-4}, "its preamble cannot be read"),
    ],
)
def test_channels_that_do_not_fit_the_keys_are_refused(one, waves, says):
    with pytest.raises(BadInput, match=says):
        scope_at("TCPIP::127.0.0.1::5025::SOCKET", one, waves=waves)


BENCH = (
    supply("Scope")
    + """\
[[instrument]]
name = "scope"
driver = "scpi"
address = "TCPIP::127.0.0.1::5025::SOCKET"
[instrument.waves]
preamble = ["points", "x_increment"]
[[channel]]
name = "ripple"
instrument = "scope"
quantity = "output.voltage.ripple"
wave = "DATA?"
preamble = "PRE?"
"""
)
WAVES_AT = 1 + BENCH.splitlines().index("[instrument.waves]")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("", ""), None),
        (
            ('["points", "x_increment"]', '["points", "x_incrment"]'),
            f"bench.toml:{WAVES_AT + 1}: instrument[1].waves.preamble",
        ),
        (
            ('["points", "x_increment"]', '["points"]'),
            f"bench.toml:{WAVES_AT}: instrument[1].waves = {{'preamble': ['points']}}: needs x_increment",
        ),
        (('wave = "DATA?"', 'query = "MEAS?"'), 'channel[1].preamble = "PRE?": belongs to a wave'),
        (
            ('wave = "DATA?"', 'wave = "DATA?"\nquery = "MEAS?"'),
            'channel[1].query = "MEAS?": cannot be combined with wave',
        ),
        (('wave = "DATA?"\npreamble = "PRE?"\n', ""), "channel[1].query: is missing; its driver needs it"),
        (("[instrument.waves]", "[instrument.wave]"), "takes no such key"),
    ],
)
def test_a_bench_file_with_waves(change, says):
    bench = read_bench(BENCH.replace(*change), "bench.toml")
    if says is None:
        assert [driver.name for driver in prepare(bench)] == ["scope"]
        return
    with pytest.raises(BenchFileError) as caught:
        prepare(bench)
    assert says in str(caught.value)
