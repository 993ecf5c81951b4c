"""An edited bench file: what of it may come into force while it is recorded, and what needs a new recording.

What is expected (the whole description of the supply), limits, accuracies and the steps ahead may change at any moment.
Which instruments there are, which channels and how they are asked, is what the recording was opened with: another one
needs a new recording.

Its events are those of `EventGroup.BENCH_FILE`: `bench edited` (what would change; it waits for somebody to load it),
`bench not loadable` (why not; what was in force stays), `bench as before` (the file is again as what is in force),
`bench loaded`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from pydantic import BaseModel

from benchmon.bench import Bench, Channel, Step, Sweep
from benchmon.bench.fields import kind_of
from benchmon.quantities import FRACTION, Kind, format_value

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
    applicable = [words for old, new in pairs for words in _limit_changes(old, new)]
    applicable += [words for old, new in pairs for words in _accuracy_change(old, new)]
    applicable += [words for section in _SUPPLY for words in _section_changes(section, before, after)]
    applicable += _steps(before.step, after.step)
    if [_driven(sweep) for sweep in after.sweep] != [_driven(sweep) for sweep in before.sweep]:
        fixed.append("how a sweep sets the load")
    elif after.sweep != before.sweep:
        applicable.append("the sweeps")
    return BenchChanges(tuple(applicable), tuple(fixed))


def _driven(sweep: Sweep) -> tuple[object, ...]:
    """Return how a sweep sets its load, () where a person does."""
    return () if sweep.instrument is None else (sweep.name, sweep.instrument, sweep.set, sweep.off)


def _asked(channel: Channel) -> dict[str, object]:
    """Return all keys of a channel that its driver goes by."""
    return channel.model_dump(exclude={*_LIMITS, "accuracy"})


def _limit_changes(before: Channel, after: Channel) -> Iterator[str]:
    """Yield each limit of a channel that differs, as `case: trip_above 90 °C → 80 °C`."""
    for key in _LIMITS:
        old, new = getattr(before, key), getattr(after, key)
        if old != new:
            unit = "s" if key == "warn_delay" else after.unit
            yield f"{after.name}: {key} {_value(old, unit)} → {_value(new, unit)}"


def _accuracy_change(before: Channel, after: Channel) -> Iterator[str]:
    if before.accuracy != after.accuracy:
        old, new = (_accuracy(channel) for channel in (before, after))
        yield f"{after.name}: accuracy {old} → {new}"


def _accuracy(channel: Channel) -> str:
    relative, absolute = channel.accuracy.relative, channel.accuracy.absolute
    unit = "K" if channel.unit == "°C" else channel.unit
    parts = [f"{100 * relative:g} %"] * (relative > 0) + [_value(absolute, unit)] * (absolute > 0)
    return " + ".join(parts)


def _section_changes(section: str, before: Bench, after: Bench) -> Iterator[str]:
    """Yield what differs in a section: a value as `[load]: resistance 8.2 Ω → 10 Ω`, anything else by its name."""
    old, new = getattr(before, section), getattr(after, section)
    if old == new:
        return
    olds, news = (each if isinstance(each, tuple) else (each,) for each in (old, new))
    if [type(each) for each in olds] != [type(each) for each in news]:
        yield f"[{section}]"
        return
    for number, (one, other) in enumerate(zip(olds, news, strict=True), 1):
        place = f" {number}" if len(olds) > 1 else ""
        yield from (f"[{section}]{place}{words}" for words in _key_changes(one, other))


def _key_changes(before: object, after: object) -> Iterator[str]:
    if before == after:
        return
    if not (isinstance(before, BaseModel) and isinstance(after, BaseModel)):
        yield ""
        return
    for name, field in type(after).model_fields.items():
        old, new, kind = getattr(before, name), getattr(after, name), kind_of(field)
        if old == new:
            continue
        is_value = kind is not None and all(value is None or isinstance(value, float) for value in (old, new))
        words = f" {_of_kind(old, kind)} → {_of_kind(new, kind)}" if is_value and kind is not None else ""
        yield f": {field.alias or name}{words}"


def _of_kind(value: float | None, kind: Kind) -> str:
    return f"{100 * value:g} %" if value is not None and kind is FRACTION else _value(value, kind.unit)


def _value(value: float | None, unit: str) -> str:
    """Return a value as one writes it into a bench file, without zeros at its end."""
    if value is None:
        return "none"
    number, space, rest = format_value(value, unit).partition(" ")
    return f"{number.rstrip('0').rstrip('.') if '.' in number else number}{space}{rest}"


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
