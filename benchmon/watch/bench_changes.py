"""An edited bench file: what of it may come into force while it is recorded, and what needs a new recording.

What is expected (the whole description of the supply), limits, accuracies and the steps ahead may change at any moment.
Which instruments there are, which channels and how they are asked, is what the recording was opened with: another one
needs a new recording.

Its events are those of `EventGroup.BENCH_FILE`: `bench edited` (what would change; it waits for somebody to load it),
`bench not loadable` (why not; what was in force stays), `bench as before` (the file is again as what is in force),
`bench loaded`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchmon.bench import Bench, Channel, Step

STAYS = "what was loaded before stays in force"

_SUPPLY = (
    *("mains", "transformer", "fuse", "ntc", "rectifier", "diode", "filter"),
    *("regulator", "load", "ambient"),
)
_LIMITS = ("warn_above", "trip_above", "warn_below", "trip_below", "warn_delay")
_MOST_NAMED = 3


@dataclass(frozen=True, slots=True)
class BenchChanges:
    """What an edited bench changes, in words: what may come into force now, and what needs a new recording."""

    now: tuple[str, ...] = ()
    anew: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        """Return whether anything differs."""
        return bool(self.now or self.anew)


def changes_between(before: Bench, after: Bench, begun: int = 0) -> BenchChanges:
    """Return what differs between two benches; the first `begun` steps of the plan stand or are over."""
    anew: list[str] = []
    if after.title != before.title:
        anew.append("the title")
    if after.instrument != before.instrument:
        anew.append("the instruments")
    if [channel.name for channel in after.channel] != [channel.name for channel in before.channel]:
        return BenchChanges((), (*anew, "the list of channels"))
    pairs = list(zip(before.channel, after.channel, strict=True))
    anew += _named("how they are asked: ", (new.name for old, new in pairs if _asked(old) != _asked(new)))
    if after.switch_off != before.switch_off:
        anew.append("[switch_off]")
    if [step.name for step in after.step[:begun]] != [step.name for step in before.step[:begun]]:
        anew.append("a step that has begun")
    now = [f"[{section}]" for section in _SUPPLY if getattr(before, section) != getattr(after, section)]
    now += _named("limits of ", (new.name for old, new in pairs if _limits(old) != _limits(new)))
    now += _named("accuracy of ", (new.name for old, new in pairs if old.accuracy != new.accuracy))
    now += _steps(before.step, after.step)
    return BenchChanges(tuple(now), tuple(anew))


def _asked(channel: Channel) -> dict[str, object]:
    """Return all keys of a channel that its driver goes by."""
    return channel.model_dump(exclude={*_LIMITS, "accuracy"})


def _limits(channel: Channel) -> list[float | None]:
    return [getattr(channel, key) for key in _LIMITS]


def _steps(before: Sequence[Step], after: Sequence[Step]) -> list[str]:
    if len(before) != len(after):
        return [f"the plan has {len(after)} steps instead of {len(before)}"]
    changed = [str(at) for at, pair in enumerate(zip(before, after, strict=True), 1) if pair[0] != pair[1]]
    return _named("step " if len(changed) == 1 else "steps ", changed)


def _named(what: str, names: Iterable[str]) -> list[str]:
    """Return `what` with the names, the first few of them, or nothing where there is none."""
    given = list(names)
    more = f" and {len(given) - _MOST_NAMED} more" if len(given) > _MOST_NAMED else ""
    return [what + ", ".join(given[:_MOST_NAMED]) + more] if given else []
