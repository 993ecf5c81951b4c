"""Messages over a LAN socket: to their end, in time, whole or in pieces, on real sockets."""

import socket
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyvisa import VisaIOError
from pyvisa.constants import BufferOperation, StatusCode

from benchmon.errors import BadReply
from benchmon_drivers.scpi.lan_socket import LanSocket


@pytest.fixture
def ends():
    near, far = socket.socketpair()
    with near, far:
        line = LanSocket(near, b"\n")
        line.set_timeout(5.0)
        yield line, far


def test_a_question_is_sent_whole(ends):
    line, far = ends
    assert line.write(None, b"MEAS:VOLT?\n") == (11, StatusCode.success)
    assert far.recv(100) == b"MEAS:VOLT?\n"


def test_two_replies_in_one_piece_are_read_one_by_one(ends):
    line, far = ends
    far.sendall(b"1.5\n2.5\n")
    assert line.read(None, 100) == (b"1.5\n", StatusCode.success_termination_character_read)
    assert line.read(None, 100) == (b"2.5\n", StatusCode.success_termination_character_read)


def test_what_has_no_end_is_cut_at_what_is_asked_for(ends):
    line, far = ends
    far.sendall(b"123456\n")
    assert line.read(None, 4) == (b"1234", StatusCode.success_max_count_read)
    assert line.read(None, 4) == (b"56\n", StatusCode.success_termination_character_read)


def test_what_was_received_and_not_read_is_discarded(ends):
    line, far = ends
    far.sendall(b"1\n2\n")
    line.read(None, 100)
    line.flush(None, BufferOperation.discard_read_buffer_no_io)
    far.sendall(b"3\n")
    assert line.read(None, 100)[0] == b"3\n"


def test_what_nobody_asked_for_is_no_answer_to_the_next_question(ends):
    line, far = ends
    far.sendall(b"9.9\n8.8\n")  # has arrived, and was never read
    line.flush(None, BufferOperation.discard_read_buffer_no_io)
    far.sendall(b"1.5\n")
    assert line.read(None, 100)[0] == b"1.5\n"


def test_an_instrument_that_takes_nothing_holds_nobody_up(ends):
    line, _ = ends
    with pytest.raises(OSError):  # noqa: PT011 - whatever the system calls it
        line.write(None, bytes(10_000_000))


def test_what_is_discarded_of_a_closed_line_is_nothing(ends):
    line, far = ends
    far.close()
    line.flush(None, BufferOperation.discard_read_buffer_no_io)
    with pytest.raises(ConnectionResetError):
        line.read(None, 100)


def test_silence_and_half_a_reply_are_time_outs_and_the_next_reply_is_whole(ends):
    line, far = ends
    line.set_timeout(0.01)
    for half in (b"", b"1."):
        far.sendall(half)
        with pytest.raises(VisaIOError) as caught:
            line.read(None, 100)
        assert caught.value.error_code == StatusCode.error_timeout
    line.set_timeout(5.0)
    far.sendall(b"2.5\n")
    assert line.read(None, 100)[0] == b"2.5\n"


def test_a_closed_line_says_so(ends):
    line, far = ends
    far.close()
    with pytest.raises(ConnectionResetError):
        line.read(None, 100)


def test_what_came_in_time_is_taken_though_the_reader_is_late_and_then_no_more(ends):
    line, far = ends
    line.accept_until(time.monotonic() - 1.0)
    far.sendall(b"1.5\n")
    assert line.read(None, 100)[0] == b"1.5\n"
    far.sendall(b"2")
    with pytest.raises(BadReply, match="without an end in time"):
        line.read(None, 100)


@given(
    st.lists(st.binary(max_size=50).map(lambda text: text.replace(b"\n", b"") + b"\n"), max_size=8),
    st.lists(st.integers(1, 60), min_size=1, max_size=8),
)
@settings(max_examples=50, deadline=None)
def test_replies_are_the_same_in_whatever_pieces_they_arrive(replies, sizes):
    near, far = socket.socketpair()
    with near, far:
        line = LanSocket(near, b"\n")
        line.set_timeout(5.0)
        stream, sent, ends = b"".join(replies), 0, 0
        for reply in replies:
            ends += len(reply)
            while sent < ends:
                size = sizes[sent % len(sizes)]
                far.sendall(stream[sent : sent + size])
                sent += size
            assert line.read(None, 100)[0] == reply
