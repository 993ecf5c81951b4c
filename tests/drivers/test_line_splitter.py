from hypothesis import given
from hypothesis import strategies as st

from benchmon_drivers.serial.lines import LONGEST_LINE, LineSplitter

texts = st.lists(st.from_regex(rb"[0-9A-Za-z.+-][ -~]{0,20}", fullmatch=True), max_size=8)


def in_step():
    splitter = LineSplitter()
    splitter.restart(0.0, in_step=True)
    return splitter


@given(texts, st.sampled_from([b"\n", b"\r\n", b"\r", b"\n\n"]), st.data())
def test_lines_come_out_whole_however_they_are_cut(lines, end, data):
    stream = b"".join(line + end for line in lines)
    splitter, got, now = in_step(), [], 0.0
    while stream:
        cut = data.draw(st.integers(1, len(stream)))
        got += splitter.feed(stream[:cut], now)
        stream, now = stream[cut:], now + 0.01
    assert got == lines
    assert splitter.dropped == 0


@given(st.lists(st.binary(max_size=3000), max_size=30), st.booleans())
def test_nothing_is_ever_longer_than_allowed_nor_kept_without_end(chunks, known):
    splitter = LineSplitter()
    splitter.restart(0.0, in_step=known)
    for number, chunk in enumerate(chunks):
        for line in splitter.feed(chunk, 0.01 * number):
            assert 0 < len(line) <= LONGEST_LINE
            assert not set(line) & set(b"\r\n")
        assert len(splitter._part) <= LONGEST_LINE


def test_the_rest_of_a_line_that_began_before_we_listened_is_thrown_away():
    splitter = LineSplitter()
    splitter.restart(0.0, in_step=False)
    assert splitter.feed(b"3.4\n123.4\n", 0.05) == [b"123.4"]
    assert splitter.dropped == 1


def test_a_first_line_after_a_pause_is_whole():
    splitter = LineSplitter()
    splitter.restart(0.0, in_step=False)
    assert splitter.feed(b"123", 0.4) == []
    assert splitter.feed(b".4\n", 0.41) == [b"123.4"]


def test_the_halves_of_a_line_cut_by_a_power_failure_never_become_one():
    splitter = in_step()
    assert splitter.feed(b"12", 0.0) == []
    assert splitter.feed(b"3.4\n56.7\n", 5.0) == [b"56.7"]


def test_an_endless_line_is_thrown_away_with_its_tail():
    splitter = in_step()
    for number in range(50):
        assert splitter.feed(b"9" * 100, number / 1000) == []
    assert splitter.feed(b"9\n5\n", 0.06) == [b"5"]


def test_a_line_of_the_greatest_length_passes_and_one_more_does_not():
    splitter = in_step()
    assert splitter.feed(b"1" * LONGEST_LINE + b"\n" + b"2" * (LONGEST_LINE + 1) + b"\n3\n", 0.0) == [
        b"1" * LONGEST_LINE,
        b"3",
    ]
