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
    """What an edited bench changes, in words: what is applicable while recording, and what needs a new recording."""

    applicable: tuple[str, ...] = ()
    needs_new_recording: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        """Return whether anything differs."""
        return bool(self.applicable or self.needs_new_recording)


def changes_between(before: Bench, after: Bench, begun: int = 0) -> BenchChanges:
    """Return what differs between two benches; the first `begun` steps of the plan are current or over."""
    fixed: list[str] = []
    if after.title != before.title:
        fixed.append("the title")
    if after.instrument != before.instrument:
        fixed.append("the instruments")
    if [channel.name for channel in after.channel] != [channel.name for channel in before.channel]:
        return BenchChanges((), (*fixed, "the list of channels"))
    pairs = list(zip(before.channel, after.channel, strict=True))
    fixed += _named("how they are asked: ", (new.name for old, new in pairs if _asked(old) != _asked(new)))
    if after.switch_off != before.switch_off:
        fixed.append("[switch_off]")
    if [step.name for step in after.step[:begun]] != [step.name for step in before.step[:begun]]:
        fixed.append("a step that has begun")
    applicable = [f"[{section}]" for section in _SUPPLY if getattr(before, section) != getattr(after, section)]
    applicable += _named("limits of ", (new.name for old, new in pairs if _limits(old) != _limits(new)))
    applicable += _named("accuracy of ", (new.name for old, new in pairs if old.accuracy != new.accuracy))
    applicable += _steps(before.step, after.step)
    return BenchChanges(tuple(applicable), tuple(fixed))


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
