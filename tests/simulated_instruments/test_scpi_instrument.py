"""The SCPI instrument without a transport. Facts are of IEEE 488.2 and SCPI-1999, as said beside them."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.errors import BadInput
from benchmon_simulated.servers.scpi_instrument import ScpiInstrument, ScpiSession


def instrument() -> ScpiInstrument:
    box = ScpiInstrument(("maker", "model", "serial", "1"))
    box.add_query("MEASure:VOLTage:DC?", lambda: 22.14)
    box.add_query("MEAS:CURR:AC?", lambda: 0.5)
    box.add_query("MEASure:TEMPerature? (@102)", lambda: 42.0)
    return box


@pytest.fixture
def session():
    return ScpiSession(instrument())


def ask(session, message):
    return session.feed(message.encode() + b"\n").decode()


def errors(session):
    """Empty the error queue and return its numbers."""
    found = []
    while (number := int(ask(session, "SYST:ERR?").split(",")[0])) != 0:
        found.append(number)
    return found


@pytest.mark.parametrize(
    "query",
    [
        "MEAS:VOLT:DC?",
        "measure:voltage:dc?",
        "MEASure:VOLT:dc?",
        ":MEAS:VOLT:DC?",
        "  MEAS:VOLT:DC?  ",
        "MEAS:VOLT1:DC?",
        "READ:VOLT:DC?",
        "FETCH:VOLTAGE:DC?",
        "FETC:VOLT:DC?",
        "MEAS:SCAL:VOLT:DC?",
        "MEASURE:SCALAR:VOLTAGE:DC?",
    ],
)
def test_long_and_short_forms_are_equal_and_case_does_not_matter(session, query):
    assert float(ask(session, query)) == 22.14
    assert errors(session) == []


@pytest.mark.parametrize("query", ["MEASU:VOLT:DC?", "MEA:VOLT:DC?", "MEAS:VOLT2:DC?", "MEAS:VOLTA:DC?", "MEAS:DC?"])
def test_what_is_neither_long_nor_short_form_is_an_undefined_header(session, query):
    assert ask(session, query) == ""
    assert errors(session) == [-113]


def test_a_header_added_in_short_form_is_known_in_long_form(session):
    assert float(ask(session, "MEASURE:CURRENT:AC?")) == 0.5


def test_a_number_is_nr3(session):
    assert re.fullmatch(r"[+-]\d\.\d+E[+-]\d+\n", ask(session, "MEAS:VOLT:DC?"))


@pytest.mark.parametrize(("value", "reply"), [("inf", 9.9e37), ("-inf", -9.9e37), ("nan", 9.91e37)])
def test_overload_and_not_a_number_are_as_scpi_has_them(value, reply):
    # SCPI-1999: 9.9E37 is overload, 9.91E37 not a number.
    box = ScpiInstrument(("a", "b", "c", "d"))
    box.add_query("READ?", lambda: float(value))
    assert float(ask(ScpiSession(box), "READ?")) == reply


def test_parameters_of_a_query_belong_to_it(session):
    assert float(ask(session, "MEAS:TEMP? (@102)")) == 42.0
    for message, number in (("MEAS:TEMP?", -109), ("MEAS:TEMP? (@103)", -224), ("MEAS:VOLT:DC? 10", -108)):
        assert ask(session, message) == ""
        assert errors(session) == [number]


def test_values_at_an_index_come_as_a_list():
    box = ScpiInstrument(("a", "b", "c", "d"))
    box.add_query("FETCh:ALL?", lambda: 1.0, index=0)
    box.add_query("FETCh:ALL?", lambda: 3.0, index=2)
    assert [float(field) for field in ask(ScpiSession(box), "FETC:ALL?").split(",")] == [1.0, 9.91e37, 3.0]
    with pytest.raises(BadInput, match="another channel"):
        box.add_query("FETC:ALL?", lambda: 4.0, index=2)


@pytest.mark.parametrize("query", ["", "?", "VOLT", "12?", "A:B C?", "MEAS:VOLT?;CURR?", "*IDN?", "MEAS::VOLT?", "ä?"])
def test_a_query_that_is_none_is_refused_when_it_is_added(query):
    with pytest.raises(BadInput):
        ScpiInstrument(("a", "b", "c", "d")).add_query(query, lambda: 0.0)


def test_queries_in_one_message_are_answered_in_one(session):
    reply = ask(session, "*IDN?;:MEAS:VOLT:DC?;*OPC?")
    assert reply.endswith("\n")
    fields = reply.strip().split(";")
    assert (fields[0], float(fields[1]), fields[2]) == ("maker,model,serial,1", 22.14, "1")


def test_a_header_in_a_chain_goes_on_from_the_path_of_the_one_before():
    # SCPI-1999 volume 1, 6.2.4: a header without a leading colon starts at the last header's path.
    box = instrument()
    box.add_query("MEAS:VOLT:AC?", lambda: 7.0)
    session = ScpiSession(box)
    assert [float(field) for field in ask(session, "MEAS:VOLT:DC?;AC?").split(";")] == [22.14, 7.0]
    assert ask(session, "MEAS:VOLT:DC?;MEAS:VOLT:AC?").count(";") == 0
    assert errors(session) == [-113]


def test_the_mandatory_commands_are_there(session):
    # IEEE 488.2: every instrument has these.
    for command in ("*CLS", "*ESE 32", "*OPC", "*RST", "*SRE 16", "*WAI"):
        assert ask(session, command) == ""
    for query in ("*ESE?", "*ESR?", "*IDN?", "*OPC?", "*SRE?", "*STB?", "*TST?"):
        assert ask(session, query).strip(), query
    assert errors(session) == []
    assert ask(session, "*TST?") == "0\n"
    assert ask(session, "SYST:VERS?") == "1999.0\n"
    assert len(ask(session, "*IDN?").split(",")) == 4


def test_the_error_queue_gives_the_oldest_first_and_then_none(session):
    assert ask(session, "SYST:ERR?") == '0,"No error"\n'
    ask(session, "NO:SUCH:HEADER")
    ask(session, "*ESE")
    assert ask(session, "SYSTem:ERRor:NEXT?") == '-113,"Undefined header"\n'
    assert ask(session, "syst:err?") == '-109,"Missing parameter"\n'
    assert ask(session, "SYST:ERR?") == '0,"No error"\n'


@pytest.mark.parametrize(
    ("message", "number"),
    [
        ("*ESE 256", -222),
        ("*ESE -1", -222),
        ("*ESE 1e999", -222),
        ("*ESE x", -104),
        ("*ESE 1,2", -108),
        ("*ESE", -109),
        ("*CLS 1", -108),
        ("*IDN? 1", -108),
        ("*NONE", -113),
        ("MEAS:VOLT:DC? 1", -108),
        ("MEAS::VOLT?", -102),
        ("9MEAS?", -102),
        ("?", -102),
        ("MEAS:\x01VOLT?", -101),
        ("MEAS:VÖLT?", -101),
    ],
)
def test_each_fault_has_its_number(session, message, number):
    assert ask(session, message) == ""
    assert errors(session) == [number]


def test_a_full_queue_ends_with_queue_overflow(session):
    for _ in range(50):
        ask(session, "NO:SUCH")
    found = errors(session)
    assert found[-1] == -350
    assert set(found[:-1]) == {-113}
    assert len(found) == 20


def test_the_event_register_holds_what_happened_and_reading_clears_it(session):
    assert int(ask(session, "*ESR?")) == 128  # power on
    ask(session, "NO:SUCH")
    ask(session, "*ESE 999")
    ask(session, "*OPC")
    assert int(ask(session, "*ESR?")) == 32 + 16 + 1
    assert int(ask(session, "*ESR?")) == 0


def test_the_status_byte_sums_up_through_the_masks(session):
    ask(session, "*CLS;*ESE 32;*SRE 32")
    assert int(ask(session, "*STB?")) == 0
    ask(session, "NO:SUCH")
    assert int(ask(session, "*STB?")) == 64 + 32 + 4
    # The message available bit, while an answer waits in the same message.
    assert int(ask(session, "*IDN?;*STB?").split(";")[1]) & 16
    ask(session, "*CLS")
    assert int(ask(session, "*STB?")) == 0
    assert (int(ask(session, "*ESE?")), int(ask(session, "*SRE?"))) == (32, 32)


def test_bit_six_of_the_request_mask_stays_nought(session):
    ask(session, "*SRE 255")
    assert int(ask(session, "*SRE?")) == 255 - 64


def test_a_command_error_ends_its_message_and_an_execution_error_does_not(session):
    assert ask(session, "NO:SUCH;*IDN?") == ""
    assert ask(session, "*ESE 999;*OPC?") == "1\n"


def test_half_messages_wait_for_their_end(session):
    assert session.feed(b"*ID") == b""
    assert session.feed(b"N") == b""
    assert session.feed(b"?\r\n*OPC?\n*TS") == b"maker,model,serial,1\n1\n"
    assert session.feed(b"T?\r") == b"0\n"


def test_an_endless_message_is_an_overrun_and_the_next_is_heard(session):
    for _ in range(100):
        assert session.feed(b"A" * 1000) == b""
    assert session.feed(b"\n*OPC?\n") == b"1\n"
    assert errors(session) == [-363]


def test_clients_share_registers_and_queue():
    box = instrument()
    ask(ScpiSession(box), "NO:SUCH")
    assert errors(ScpiSession(box)) == [-113]


def test_an_added_command_calls_its_action():
    box, done = instrument(), []
    box.add_command("OUTPut:STATe OFF", lambda: done.append(1))
    session = ScpiSession(box)
    assert ask(session, "outp:stat off") == ""
    assert done == [1]
    ask(session, "OUTP:STAT ON")
    assert errors(session) == [-224]
    assert done == [1]


def test_settings_of_the_bench_file_are_accepted_silently():
    box = instrument()
    box.add_setting("CONF:VOLT:DC 100;:TRIG:SOUR IMM")
    session = ScpiSession(box)
    assert ask(session, "conf:volt:dc  100;:trig:sour imm") == ""
    assert errors(session) == []


def test_a_name_cannot_break_the_identity():
    box = ScpiInstrument(("maker", "a,b;c\nd\x1b[31m", "é", "1"))
    reply = ask(ScpiSession(box), "*IDN?")
    assert reply.isascii()
    assert reply[:-1].isprintable()
    assert len(reply.split(",")) == 4


@given(st.lists(st.binary(max_size=200), max_size=20))
def test_no_bytes_whatever_stop_the_session(pieces):
    session = ScpiSession(instrument())
    for piece in pieces:
        session.feed(piece)
    session.feed(b"\n*CLS\n")
    assert session.feed(b"*OPC?\n") == b"1\n"


WORDS = st.sampled_from(
    ["MEAS", "VOLT", "DC?", "*ESE", "*STB?", "SYST", "ERR?", ":", ";", " ", ",", "12", "(@1", '"', "?"]
)


@given(st.lists(WORDS, max_size=30))
def test_no_sentence_of_its_own_words_stops_the_session(words):
    session = ScpiSession(instrument())
    reply = session.feed("".join(words).encode() + b"\n")
    assert reply.count(b"\n") <= 1
    assert session.feed(b"*CLS;*OPC?\n") == b"1\n"
