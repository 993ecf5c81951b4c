"""What the base class promises, whatever a driver's hooks do."""

import errno
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.errors import BadReply, BenchmonError, InstrumentError, InstrumentTimeout
from benchmon.instruments.driver import Driver
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings

MUTE = InstrumentTimeout("no answer")


class Scripted(Driver):
    """A query raises or returns the next item of `script`. `names` are its identities, one an opening."""

    def __init__(self, *script, names=("Acme",), settings=None, period=1.0, scale=1.0, streams=False):
        channels = [DrivenChannel(name, "V", period, scale, ChannelSettings()) for name in ("a", "b")]
        super().__init__("meter", settings or InstrumentSettings(address="here"), channels)
        self.script, self.names, self.streams = list(script), list(names), streams
        self.opened = self.closed = self.cleared = 0
        self.now = 100.0
        self.clock = lambda: self.now
        self.complaints = []
        self.on_complaint = self.complaints.append

    def _open(self):
        self.opened += 1
        return self._next(self.names)

    def _close(self):
        self.closed += 1

    def _query(self, _):
        return self._next(self.script)

    def _listen(self, seconds):
        self.now += seconds
        return self._next(self.script)

    def _resynchronise(self):
        self.cleared += 1

    @staticmethod
    def _next(steps):
        step = steps.pop(0) if len(steps) > 1 else steps[0]
        if isinstance(step, BaseException):
            raise step
        return step


def test_a_reading_is_scaled_and_stamped_after_the_reply():
    driver = Scripted(0.25, scale=100.0)
    driver.open()
    reading = driver.read("a")
    assert (reading.channel, reading.time, reading.value, reading.problem) == ("a", 100.0, 25.0, "")


@pytest.mark.parametrize("value", [math.inf, -math.inf])
def test_overrange_keeps_its_sign_through_the_scale(value):
    driver = Scripted(value, scale=0.001)
    driver.open()
    assert driver.read("a").value == value


def test_no_number_to_show_is_a_reading_without_value():
    driver = Scripted(math.nan)
    driver.open()
    reading = driver.read("a")
    assert reading.value is None
    assert "no number" in reading.problem


def test_a_bad_reply_is_no_lost_instrument_and_the_line_is_cleared():
    driver = Scripted(BadReply('answered "\x1b[2J"'), 5.0)
    driver.open()
    reading = driver.read("a")
    assert reading.value is None
    assert reading.problem == r'answered "\x1b[2J"'
    assert (driver.cleared, driver.opened) == (1, 1)
    assert driver.read("a").value == 5.0


def test_one_failure_is_retried_on_a_line_reopened():
    driver = Scripted(MUTE, 5.0)
    driver.open()
    assert driver.read("a").value == 5.0
    assert (driver.opened, driver.closed) == (2, 1)


@pytest.mark.parametrize("retries", [0, 1, 3])
def test_a_silent_instrument_is_lost_after_its_retries(retries):
    driver = Scripted(MUTE, names=[""], settings=InstrumentSettings(address="here", retries=retries))
    driver.open()
    with pytest.raises(InstrumentTimeout):
        driver.read("a")
    assert driver.opened == 1 + retries + 1


def test_a_broken_line_that_cannot_be_opened_again_is_lost_with_the_reason_of_the_opening():
    refused = ConnectionRefusedError(errno.ECONNREFUSED, "Connection refused")
    driver = Scripted(ConnectionResetError(errno.ECONNRESET, "reset"), names=["Acme", refused])
    driver.open()
    with pytest.raises(InstrumentError, match="here: the connection is refused") as caught:
        driver.read("a")
    assert caught.value.__cause__ is refused


def test_where_only_one_query_stays_unanswered_the_others_go_on():
    driver = Scripted(MUTE, MUTE, 7.0, 8.0)
    driver.open()
    assert "no answer" in driver.read("a").problem
    assert driver.read("b").value == 7.0
    # The mute one rests instead of holding up the others ...
    assert driver.read("a").problem
    assert driver.read("b").value == 8.0
    # ... and is asked again after a while.
    driver.now += 5.1
    driver.script = [9.0]
    assert driver.read("a").value == 9.0
    driver.script = [9.5]
    assert driver.read("a").value == 9.5


class AskedTogether(Scripted):
    """Answers `a` and `b` together by `script`: a list of two, or what is raised."""

    queries_together = True

    def _query_many(self, channels):
        answers = dict(zip("ab", self._next(self.script), strict=True))
        return [answers[channel.name] for channel in channels]


def test_channels_queried_together_come_together_and_a_silent_one_of_them_rests_alone():
    driver = AskedTogether([1.0, MUTE], [2.0, 3.0])
    driver.open()
    first, silent = driver.read_together(["a", "b"])
    assert (first.value, silent.value, silent.problem) == (1.0, None, "no answer")
    again, resting = driver.read_together(["a", "b"])
    assert (again.value, resting.problem) == (2.0, "no answer")
    driver.now += 5.1
    assert [one.value for one in driver.read_together(["a", "b"])] == [2.0, 3.0]
    assert driver.opened == 1


def test_if_none_answers_together_the_instrument_is_lost():
    driver = AskedTogether([MUTE, MUTE], names=[""])
    driver.open()
    with pytest.raises(InstrumentTimeout):
        driver.read_together(["a", "b"])


def test_a_driver_that_answers_for_too_few_channels_is_an_error_for_its_author():
    driver = AskedTogether([1.0, 2.0])
    driver._query_many = lambda _: [1.0]
    driver.open()
    with pytest.raises(InstrumentError, match="1 answers for 2 channels"):
        driver.read_together(["a", "b"])


def test_a_bad_reply_among_answers_that_came_together_is_no_value_and_the_line_stays():
    driver = AskedTogether([1.0, BadReply("refuses the register")])
    driver.open()
    assert [one.value for one in driver.read_together(["a", "b"])] == [1.0, None]
    assert (driver.opened, driver.cleared) == (1, 0)


def test_a_query_that_stays_unanswered_rests_longer_and_longer():
    driver = Scripted(MUTE)
    driver.open()
    rests, began, asked = [], 100.0, 1
    driver.read("a")
    while len(rests) < 9:
        driver.now += 1.0
        before = driver.opened
        driver.read("a")
        if driver.opened > before:
            rests.append(round(driver.now - began))
            began, asked = driver.now, asked + 1
    assert rests == sorted(rests)
    assert 5 <= rests[0] <= 6
    assert 300 <= rests[-1] <= 301


def test_when_acquisition_ends_nothing_is_tried_again():
    driver = Scripted(MUTE)
    driver.open()
    driver.ending = True
    with pytest.raises(InstrumentTimeout):
        driver.read("a")
    assert driver.opened == 1


@pytest.mark.parametrize(
    ("raised", "expected", "says"),
    [
        (TimeoutError("late"), InstrumentTimeout, "in time"),
        (FileNotFoundError(errno.ENOENT, "No such file"), InstrumentError, "plugged in"),
        (PermissionError(errno.EACCES, "Permission denied"), InstrumentError, "group"),
        (OSError("odd\x07one"), InstrumentError, r"odd\x07one"),
        (ZeroDivisionError("division by zero"), InstrumentError, "driver failed"),
        (UnicodeDecodeError("ascii", b"\xff", 0, 1, "ordinal"), InstrumentError, "driver failed"),
    ],
)
def test_whatever_a_library_raises_becomes_an_instrument_error_in_one_line(raised, expected, says):
    driver = Scripted(1.0, names=[raised])
    with pytest.raises(expected) as caught:
        driver.open()
    assert caught.value.__cause__ is raised
    assert says in str(caught.value)
    assert str(caught.value).isprintable()
    assert driver.closed == 1


@given(st.one_of(st.none(), st.text(), st.binary(), st.integers(), st.lists(st.floats())))
def test_a_hook_that_returns_nonsense_raises_only_instrument_errors(value):
    driver = Scripted(value)
    driver.open()
    try:
        reading = driver.read("a")
    except BenchmonError:
        return
    assert isinstance(reading.value, float) or "implausible" in reading.problem


def test_an_error_without_number_is_explained_by_the_one_behind_it():
    try:
        try:
            raise FileNotFoundError(errno.ENOENT, "No such file")
        except OSError as inner:
            raise OSError(f"could not open port: {inner}")  # noqa: B904  as serial libraries do
    except OSError as problem:
        driver = Scripted(1.0, names=[problem])
    with pytest.raises(InstrumentError, match="there is no such port"):
        driver.open()


def test_a_complaint_is_made_once_and_in_one_printable_line():
    driver = Scripted(1.0)
    for _ in range(3):
        driver.complain("error -113\n\x1b[31mUndefined")
    assert driver.complaints == [r"error -113\n\x1b[31mUndefined"]


def test_a_flood_of_complaints_has_an_end():
    driver = Scripted(1.0)
    for number in range(10_000):
        driver.complain(f"error {number}")
    assert len(driver.complaints) == 100


def test_another_instrument_on_the_same_line_is_a_complaint():
    driver = Scripted(1.0, names=["Acme,1", "Other,2"])
    driver.open()
    driver.close()
    driver.open()
    assert driver.complaints == ["another instrument answers: Other,2, before it was Acme,1"]


def test_closing_never_raises():
    class Stuck(Scripted):
        def _close(self):
            raise OSError(errno.EIO, "Input/output error")

    driver = Stuck(1.0)
    driver.open()
    driver.close()
    assert "did not close cleanly" in driver.complaints[0]


def test_a_stream_is_lost_when_it_falls_silent_for_its_timeout():
    driver = Scripted([("a", 1.0)], [], streams=True, period=2.0)
    driver.open()
    assert driver.timeout == 5.0
    assert driver.receive(0.1)[0].value == 1.0
    received = driver.now
    assert not any(driver.receive(0.1) for _ in range(49))
    with pytest.raises(InstrumentTimeout, match="no reading for 5 s"):
        _ = [driver.receive(0.1) for _ in range(3)]
    assert 5.0 < driver.now - received < 5.3


def test_a_silent_polled_instrument_is_noticed_within_three_periods():
    driver = Scripted(1.0, period=1.0)
    assert 2 * driver.timeout <= 3.0
    assert Scripted(1.0, period=1.0, settings=InstrumentSettings(timeout="250 ms")).timeout == 0.25
    assert Scripted(1.0, period=3600.0).timeout <= 3.0
    assert Scripted(1.0, period=0.01).timeout >= 0.1
