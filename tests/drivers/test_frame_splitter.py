import struct
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon_drivers.serial.frames import CHECKSUMS, FrameLayout, FrameSplitter

SYNC = b"\xaa\x55"
layouts = st.builds(
    FrameLayout,
    sync=st.sampled_from([b"\xaa", SYNC]),
    tail=st.sampled_from([b"", b"\r\n"]),
    length_at=st.just(2),
    length_adds=st.just(0),
    checksum=st.sampled_from(["sum", "xor", "crc16"]),
    checksum_from=st.integers(0, 2),
    checksum_order=st.sampled_from(["big", "little"]),
)


def frame_of(layout, payload):
    """Return a frame as an instrument would build it, by the description in words."""
    size, work_out = CHECKSUMS[layout.checksum]
    head = layout.sync.ljust(2, b"\x01")
    length = layout.length or len(head) + 1 + len(payload) + size + len(layout.tail)
    body = head + bytes([length]) + payload
    return body + work_out(body[layout.checksum_from :]).to_bytes(size, layout.checksum_order) + layout.tail


def cut(data, places):
    edges = sorted({0, len(data), *(place % (len(data) + 1) for place in places)})
    return [data[a:b] for a, b in pairwise(edges)]


@given(layouts, st.lists(st.binary(max_size=20), max_size=8), st.lists(st.integers(0, 500), max_size=20))
def test_frames_come_out_whole_however_they_are_cut(layout, payloads, places):
    frames = [frame_of(layout, payload) for payload in payloads]
    splitter = FrameSplitter(layout)
    splitter.restart(in_step=True)
    found = [frame for part in cut(b"".join(frames), places) for frame in splitter.feed(part, 0.0)]
    assert found == frames
    assert splitter.dropped == 0


@given(layouts, st.lists(st.binary(max_size=60), max_size=8), st.lists(st.integers(0, 500), max_size=20))
def test_noise_never_yields_a_frame_with_a_wrong_checksum_and_frames_follow_it(layout, noises, places):
    good = frame_of(layout, b"\x11\x22\x33\x44")
    splitter = FrameSplitter(layout)
    stream = b"".join(noise + good for noise in noises) + 60 * good
    found = [frame for part in cut(stream, places) for frame in splitter.feed(part, 0.0)]
    assert all(layout.holds(frame) for frame in found)
    # A length in the noise may swallow frames, but at most the 255 bytes that it can tell.
    assert found[-10:] == 10 * [good]


@given(st.binary(max_size=300), st.lists(st.integers(0, 500), max_size=20))
def test_whatever_comes_nothing_is_counted_twice_or_lost(data, places):
    layout = FrameLayout(SYNC, length=6, checksum="sum")
    splitter = FrameSplitter(layout)
    found = [frame for part in cut(data, places) for frame in splitter.feed(part, 0.0)]
    assert sum(map(len, found)) + splitter.dropped + len(splitter._part) == len(data)


def test_a_flipped_bit_anywhere_is_noticed():
    layout = FrameLayout(SYNC, length=9, checksum="crc16")
    good = SYNC + b"12345"
    good += CHECKSUMS["crc16"][1](good).to_bytes(2, "little")
    for bit in range(8 * len(good)):
        spoilt = bytearray(good)
        spoilt[bit // 8] ^= 1 << bit % 8
        assert FrameSplitter(layout).feed(bytes(spoilt), 0.0) == []


def test_a_frame_without_checksum_proves_itself_by_its_place():
    layout = FrameLayout(SYNC, length=4)
    splitter = FrameSplitter(layout)
    splitter.restart(in_step=False)
    assert splitter.feed(b"\x00" + SYNC + b"\x01\x02", 0.0) == []
    assert splitter.feed(SYNC + b"\x03\x04", 0.0) == [SYNC + b"\x03\x04"]
    assert splitter.feed(b"noise" + SYNC + b"\x05\x06", 0.0) == []
    assert splitter.feed(SYNC + b"\x07\x08", 0.0) == [SYNC + b"\x07\x08"]


def test_what_was_cut_off_is_not_completed_by_what_comes_much_later():
    layout = FrameLayout(SYNC, length=6, checksum="xor")
    good = SYNC + b"\x01\x02\x03\xff"
    splitter = FrameSplitter(layout)
    assert splitter.feed(good[:4], 10.0) == []
    assert splitter.feed(good, 11.0) == [good]


@pytest.mark.parametrize("size", [0, 1, 4])
def test_a_length_that_cannot_be_is_noise(size):
    layout = FrameLayout(SYNC, length_at=2, checksum="crc16")
    good = SYNC + b"\x06\x07"
    good += CHECKSUMS["crc16"][1](good).to_bytes(2, "little")
    assert FrameSplitter(layout).feed(SYNC + bytes([size]) + good, 0.0) == [good]


def test_a_checksum_may_stand_in_the_middle():
    layout = FrameLayout(b"\x02", tail=b"\x03", length=6, checksum="sum", checksum_at=-3, checksum_from=1)
    good = struct.pack("<BHBBB", 2, 0x0510, 0x15, 0x77, 3)
    assert FrameSplitter(layout).feed(good, 0.0) == [good]
    assert FrameSplitter(layout).feed(good.replace(b"\x15", b"\x16"), 0.0) == []
