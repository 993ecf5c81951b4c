"""The condition of a channel as the screen tells it: a sign, words, and a tone."""

from __future__ import annotations

from dataclasses import dataclass

from benchmon.bench import Channel
from benchmon.screen.alphabet import Alphabet
from benchmon.screen.tones import Tone
from benchmon.watch.records import Flag, Judgement, Verdict
from benchmon.watch.wording import warned

_FLAGS_BY_WEIGHT = (Flag.TRIPPED, Flag.HOT, Flag.DRIFTING, Flag.IMPLAUSIBLE, Flag.OVERRANGE, Flag.STALE)
_TONES = {
    Verdict.AGREES: Tone.GOOD,
    Verdict.QUESTIONABLE: Tone.DOUBT,
    Verdict.DISAGREES: Tone.BAD,
    Verdict.UNPREDICTED: Tone.QUIET,
}


@dataclass(frozen=True, slots=True)
class Condition:
    """How a channel stands. `verdict_tone` colours what shows the difference, `tone` the sign and the words.

    `sign` is of what weighs most, `verdict_sign` of the verdict alone, "" where there is none.
    """

    sign: str
    verdict: str
    flags: tuple[str, ...]
    tone: Tone
    verdict_tone: Tone
    verdict_sign: str = ""

    @property
    def words(self) -> str:
        """Return the verdict and the flags, the heaviest first."""
        return " ".join(word for word in (self.verdict, *self.flags) if word)

    def words_within(self, room: int) -> str:
        """Return the same in `room` columns, in whole words: the heaviest flags, how many more, the verdict's sign."""
        if len(self.words) <= room:
            return self.words
        count = len(self.flags)
        for verdict in (self.verdict_sign, ""):
            for shown in range(count, 0, -1):
                more = f"+{count - shown}" if shown < count else ""
                told = " ".join(word for word in (*self.flags[:shown], more, verdict) if word)
                if len(told) <= room:
                    return told
        return " ".join(word for word in (*self.flags, self.verdict) if word)


def condition_of(judgement: Judgement | None, channel: Channel, old: bool, alphabet: Alphabet) -> Condition:
    """Return how `channel` stands after `judgement`; `old` where nobody watches any more and the value is past.

    Where there is no value there is no verdict to tell. A tripped channel is not called hot as well.
    """
    if judgement is None:
        return Condition(alphabet.old, "never read" if old else "waiting", (), Tone.QUIET, Tone.QUIET)
    flags = [flag for flag in _FLAGS_BY_WEIGHT if flag in judgement.flags]
    if Flag.TRIPPED in flags and Flag.HOT in flags:
        flags.remove(Flag.HOT)
    return Condition(
        _sign(judgement, flags, old, alphabet),
        _verdict(judgement, flags, old),
        tuple(warned(channel, judgement.value) if flag is Flag.HOT else str(flag) for flag in flags),
        _tone(judgement, flags, old),
        Tone.QUIET if old else _TONES[judgement.verdict],
        alphabet.old if old else _verdict_sign(judgement, alphabet) if _verdict(judgement, flags, old) else "",
    )


def _verdict(judgement: Judgement, flags: list[Flag], old: bool) -> str:
    if old:
        return "old"
    if judgement.value is None:
        return "" if flags else "no reading"
    if Flag.OVERRANGE in flags and judgement.verdict is Verdict.UNPREDICTED:
        return ""
    return str(judgement.verdict)


def _sign(judgement: Judgement, flags: list[Flag], old: bool, alphabet: Alphabet) -> str:
    if Flag.TRIPPED in flags:
        return alphabet.tripped
    if old or judgement.value is None:
        return alphabet.old
    if judgement.verdict is Verdict.DISAGREES:
        return alphabet.disagrees
    if flags:
        return alphabet.warning
    return _verdict_sign(judgement, alphabet)


def _verdict_sign(judgement: Judgement, alphabet: Alphabet) -> str:
    return {
        Verdict.AGREES: alphabet.agrees,
        Verdict.QUESTIONABLE: alphabet.questionable,
        Verdict.DISAGREES: alphabet.disagrees,
    }.get(judgement.verdict, alphabet.unpredicted)


def _tone(judgement: Judgement, flags: list[Flag], old: bool) -> Tone:
    if Flag.TRIPPED in flags:
        return Tone.DANGER
    if old:
        return Tone.QUIET
    if Flag.HOT in flags or judgement.verdict is Verdict.DISAGREES:
        return Tone.BAD
    return Tone.DOUBT if flags or judgement.value is None else _TONES[judgement.verdict]
