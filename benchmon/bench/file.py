"""Reading of bench files: TOML in, a validated `Bench` in SI units out, or an error in one line with the remedy.

A capture of the mains beside the file, `wave` of [mains], becomes `harmonics`: the text is changed where it stands, so
that every session carries the harmonics themselves and is read the same where the capture is not.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, get_args

from pydantic import BaseModel, Field, PrivateAttr, ValidationError, model_validator

from benchmon.bench import measurement as m
from benchmon.bench import supply as s
from benchmon.bench.fields import KeyedError, OneLine, Section
from benchmon.bench.sweep import Sweep
from benchmon.bench.toml_lines import line_of
from benchmon.bench.transformer import Transformer
from benchmon.errors import BadInput, BenchFileError, DataFileError
from benchmon.input_file import reason_not_to_read
from benchmon.quantities import FRACTION, FREQUENCY, parse_value
from benchmon.text import did_you_mean, one_line

_LARGEST_FILE = 1_000_000
_MOST_PARTS = 30
_DEEP_KEY = re.compile(rf"""(?<![\w"'.-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){{{_MOST_PARTS}}}""")
"""A dotted key that `tomllib` would need minutes and gigabytes for: its cost grows with the square of the parts."""
_BY_HAND = "hand"
_LONGEST_NAME, _LONGEST_VALUE, _LONGEST_KEY = 120, 80, 40


class Bench(Section):
    """A whole bench: the supply under test, the instruments and the plan. All values SI, temperatures in °C."""

    title: OneLine = Field(
        "untitled bench",
        description="What is on the bench; it stands on the screen, in reports and in the name of the session file.",
    )
    mains: s.Mains
    transformer: Transformer
    fuse: s.Fuse | None = None
    ntc: s.Ntc | None = None
    rectifier: s.Rectifier
    diode: s.Diode
    filter: tuple[s.FilterPart, ...] = ()
    regulator: s.Regulator | None = None
    load: s.Load
    filter_2: tuple[s.FilterPart, ...] | None = None
    regulator_2: s.Regulator | Literal["none"] | None = Field(
        None,
        union_mode="left_to_right",
        description='"none" where only the first of two outputs has a regulator; otherwise a section of its own.',
    )
    load_2: s.Load | None = None
    ambient: s.Ambient = s.Ambient()
    instrument: tuple[m.Instrument, ...] = ()
    channel: tuple[m.Channel, ...] = ()
    step: tuple[m.Step, ...] = ()
    sweep: tuple[Sweep, ...] = ()
    switch_off: m.SwitchOff | None = None
    report: m.ReportEntries = m.ReportEntries()
    learned: tuple[s.LearnedPart, ...] = ()
    source: str = Field(default="", exclude=True, repr=False)
    """The text from which the bench was read."""
    _origin: str = PrivateAttr("bench file")

    @model_validator(mode="after")
    def _parts_fit(self) -> Bench:
        kind, topology, windings = self.rectifier.kind, self.rectifier.topology, self.transformer
        if topology.needs_two_windings and windings.secondaries != 2:
            raise KeyedError("rectifier.kind", kind, "needs two windings; set transformer.secondaries = 2")
        if topology.is_tapped and windings.connection == "parallel":
            raise KeyedError("transformer.connection", "parallel", f"leaves no centre tap for a {kind} rectifier")
        if topology.second_winding is not None and windings.connection != "single":
            why = "joins the windings, and each of two bridges has one of its own; leave it out"
            raise KeyedError("transformer.connection", windings.connection, why)
        if topology.second_winding is None and self.rectifier.outputs != "isolated":
            raise KeyedError("rectifier.outputs", self.rectifier.outputs, f"is for two bridges, not for a {kind}")
        self._second_output_fits()
        if topology.capacitors and not (self.filter and isinstance(self.filter[0], s.Capacitor)):
            raise KeyedError("rectifier.kind", kind, "needs a capacitor as the first [[filter]]")
        _unique("instrument", self.instrument)
        _unique("channel", self.channel)
        _unique("step", self.step)
        _unique("sweep", self.sweep)
        instruments = {instrument.name for instrument in self.instrument}
        channels = {channel.name for channel in self.channel}
        for index, channel in enumerate(self.channel):
            _known(("channel", index, "instrument"), channel.instrument, instruments)
        self._plan_names_are_known(channels, instruments)
        self._plan_fits_outputs()
        if self.switch_off is not None:
            _known(("switch_off", "instrument"), self.switch_off.instrument, instruments)
        return self

    def _second_output_fits(self) -> None:
        rectifier, topology = self.rectifier, self.rectifier.topology
        for key in ("filter_2", "regulator_2", "load_2"):
            if getattr(self, key) is not None and not topology.has_two_outputs:
                raise _PathError((key,), None, f"belongs to a second output, which a {rectifier.kind} does not have")
        if rectifier.loads == "each":
            return
        if topology.second_winding is None or rectifier.outputs == "isolated":
            why = 'needs two bridges whose outputs are joined: set outputs = "stacked" or "plus and minus"'
            raise KeyedError("rectifier.loads", rectifier.loads, why)
        if self.load_2 is not None:
            raise _PathError(
                ("load_2",), None, "is of the second output alone, and [load] is across both; leave it out"
            )
        if self.regulator is not None or self.second_regulator is not None:
            key = "regulator" if self.regulator is not None else "regulator_2"
            raise _PathError((key,), None, "does not work with one load across both outputs; leave one of them out")

    def _plan_fits_outputs(self) -> None:
        """Refuse a load of a second output in the plan where there is no such output, or one load is across both."""
        set_by: list[tuple[tuple[str | int, ...], object]] = [
            (("step", at, "load_2"), step.load_2) for at, step in enumerate(self.step) if step.load_2 is not None
        ]
        set_by += [(("sweep", at, "over"), sweep.over) for at, sweep in enumerate(self.sweep) if sweep.sets_load_2]
        for path, value in set_by:
            if not self.rectifier.topology.has_two_outputs:
                why = f"sets the load of a second output, which a {self.rectifier.kind} does not have"
                raise _PathError(path, value, why)
            if self.rectifier.loads != "each":
                why = "sets the load of the second output alone, and [load] is across both; set that one"
                raise _PathError(path, value, why)

    def _plan_names_are_known(self, channels: set[str], instruments: set[str]) -> None:
        for index, step in enumerate(self.step):
            for key, names in (("needs", step.needs), ("zero", step.zero)):
                for name in names:
                    _known(("step", index, key), name, channels)
        for index, sweep in enumerate(self.sweep):
            for name in sweep.needs:
                _known(("sweep", index, "needs"), name, channels)
            if sweep.instrument is not None:
                _known(("sweep", index, "instrument"), sweep.instrument, instruments)

    @model_validator(mode="after")
    def _leakage_from_short_circuit(self) -> Bench:
        """Set the leakage inductance that a short-circuit test gives at the frequency of the mains."""
        reactance = self.transformer.leakage_reactance
        if reactance is not None and "leakage_inductance" not in self.transformer.model_fields_set:
            henries = reactance / (2.0 * math.pi * self.mains.frequency)
            # The model is frozen for its users; this is still part of reading it.
            self.__dict__["transformer"] = self.transformer.model_copy(update={"leakage_inductance": henries})
        return self

    @model_validator(mode="after")
    def _period_of_those_who_read(self) -> Bench:
        """Give channels that a person reads the period of a person, where the file gives none."""
        names = {channel.name for channel in self.typed_channels if "period" not in channel.model_fields_set}
        if names:
            # The model is frozen for its users; this is still part of reading it.
            self.__dict__["channel"] = tuple(
                channel.model_copy(update={"period": m.PERIOD_BY_HAND}) if channel.name in names else channel
                for channel in self.channel
            )
        return self

    @property
    def origin(self) -> str:
        """The path of the bench file, as in errors."""
        return self._origin

    def of_origin(self, name: str) -> Bench:
        """Return the same bench with another `name` of its file in errors."""
        bench = self.model_copy()
        bench._origin = name
        return bench

    @property
    def typed_channels(self) -> tuple[m.Channel, ...]:
        """The channels of meters whose displays a person reads and types in."""
        by_hand = {instrument.name for instrument in self.instrument if instrument.driver == _BY_HAND}
        return tuple(channel for channel in self.channel if channel.instrument in by_hand)

    @property
    def plan_sets_load_2(self) -> bool:
        """Whether a step or a sweep sets the load of the second output alone."""
        swept = any(sweep.sets_load_2 for sweep in self.sweep)
        return swept or any(step.load_2 is not None for step in self.step)

    @property
    def outputs_apart(self) -> bool:
        """Whether there are two outputs that differ, so that each has currents and voltages of its own."""
        own = any(part is not None for part in (self.filter_2, self.regulator_2, self.load_2)) or self.plan_sets_load_2
        return self.rectifier.topology.has_two_outputs and (own or self.rectifier.loads == "across")

    def with_outputs_apart(self) -> Bench:
        """Return the same bench with a load of its own at the second output, where both were said to be alike."""
        if self.outputs_apart or not self.rectifier.topology.has_two_outputs:
            return self
        return self.model_copy(update={"load_2": self.load})

    @property
    def second_regulator(self) -> s.Regulator | None:
        """The regulator of the second output, which is like the first one where the file gives none."""
        if self.regulator_2 == "none":
            return None
        return self.regulator if self.regulator_2 is None else self.regulator_2

    def seen_from_output_2(self) -> Bench:
        """Return the same bench with both outputs exchanged, so that what is said of the first holds of the second.

        Exchanging them changes nothing else: two bridges are alike, and a split rail is alike upside down.
        """
        swapped: dict[str, object] = {
            "filter": self.filter if self.filter_2 is None else self.filter_2,
            "regulator": self.second_regulator,
            "load": self.load if self.load_2 is None else self.load_2,
        }
        if self.outputs_apart:
            swapped |= {"filter_2": self.filter, "regulator_2": self.regulator or "none"}
            swapped["load_2"] = None if self.rectifier.loads == "across" else self.load
        return self.model_copy(update=swapped)

    @property
    def reservoir(self) -> s.Capacitor | None:
        """The first capacitor of the filter, if there is one."""
        return next((part for part in self.filter if isinstance(part, s.Capacitor)), None)


class _PathError(BadInput):
    """An error at a path of the file, for validators of the whole file."""

    def __init__(self, path: Sequence[str | int], value: object, reason: str) -> None:
        super().__init__(reason)
        self.path, self.value, self.reason = tuple(path), value, reason


def _unique(section: str, items: Iterable[Any]) -> None:
    names = [item.name for item in items]
    for index, name in enumerate(names):
        if name in names[:index]:
            raise _PathError((section, index, "name"), name, "is there twice; every name must be its own")


def _known(path: Sequence[str | int], name: str, names: set[str]) -> None:
    if name not in names:
        section = "channel" if path[-1] in ("needs", "zero") else "instrument"
        raise _PathError(path, name, f"is no [[{section}]] of this file; there is {', '.join(sorted(names)) or 'none'}")


def load_bench(path: Path | str) -> Bench:
    """Return the bench in the file at `path`. Raises `BenchFileError` if it cannot be read or is not valid."""
    shown = one_line(path, _LONGEST_NAME)
    try:
        content = _content(Path(path), shown)
        text = content.decode("utf-8-sig")
    except BenchFileError:
        raise
    except FileNotFoundError as problem:
        raise BenchFileError(f"{shown}: no such bench file; `benchmon demo --list` names the examples") from problem
    except UnicodeDecodeError as problem:
        raise BenchFileError(f"{shown}: is not UTF-8 text, so no bench file") from problem
    except OSError as problem:
        raise BenchFileError(f"{shown}: cannot be read: {problem.strerror or problem}") from problem
    except ValueError as problem:
        raise BenchFileError(f"{shown}: is not a path; check for a stray character") from problem
    return read_bench(text, str(path), folder=Path(path).parent)


def _content(file: Path, shown: str) -> bytes:
    """Return a file's bytes. Raises `BenchFileError` if it is no regular file or too large."""
    reason = reason_not_to_read(file.stat(), _LARGEST_FILE)
    if reason:
        raise BenchFileError(f"{shown}: {reason}, not a bench file")
    with file.open("rb") as stream:
        return stream.read(_LARGEST_FILE)


def read_bench(text: str, name: str = "bench file", *, folder: Path | None = None) -> Bench:
    """Return the bench in `text`; `name` is the file's name in errors.

    A captured wave of the mains is looked for from `folder` on; without one it is refused. Raises `BenchFileError` if
    the text is not valid.
    """
    shown = one_line(name, _LONGEST_NAME)
    deep = _DEEP_KEY.search(text)
    if deep is not None:
        line = text.count("\n", 0, deep.start()) + 1
        raise BenchFileError(f"{shown}:{line}: has a key of more than {_MOST_PARTS} parts; `benchmon keys` lists all")
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as problem:
        at = re.search(r"\(at line (\d+)", str(problem))
        where = f"{shown}:{at[1]}" if at else shown
        lines = text.splitlines()
        wrong = lines[int(at[1]) - 1] if at and int(at[1]) <= len(lines) else ""
        bare = _BARE_VALUE.match(wrong)
        remedy = f'; a value with a unit stands in quotes, like "{bare[1]}"' if bare else ""
        raise BenchFileError(f"{where}: is not valid TOML: {one_line(problem, 200)}{remedy}") from problem
    if not data:
        raise BenchFileError(f"{shown}: is empty; a bench needs at least mains, transformer, rectifier, diode and load")
    if "source" in data:
        raise BenchFileError(f"{shown}:{line_of(text, ['source'])}: source: {_REASONS['extra_forbidden']}")
    if folder is not None:
        try:
            changed = with_harmonics_of_wave(text, data, folder)
            text, data = changed, data if changed is text else tomllib.loads(changed)
        except (BadInput, tomllib.TOMLDecodeError) as problem:
            at_line = f":{line_of(text, ('mains', 'wave'))}: mains.wave = {_shown(data['mains']['wave'])}"
            raise BenchFileError(one_line(f"{shown}{at_line}: {problem}", 400)) from problem
    try:
        bench = Bench.model_validate(data | {"source": text})
    except ValidationError as problem:
        raise BenchFileError(_explain(problem, text, shown)) from problem
    bench._origin = name
    return bench


def _explain(problem: ValidationError, text: str, name: str) -> str:
    # A misspelt key usually causes a missing one as well: report the misspelling.
    errors = sorted(problem.errors(), key=lambda error: error["type"] != "extra_forbidden")
    first = errors[0]
    cause = first.get("ctx", {}).get("error")
    path = _without_tag(first["loc"])
    value: object = first["input"]
    reason = str(cause) if isinstance(cause, BadInput) else _reason(first["type"], first["msg"], first.get("ctx", {}))
    reason += _remedy(first["type"], first["loc"], value)
    if isinstance(cause, _PathError):
        path, value = cause.path, cause.value
    elif isinstance(cause, KeyedError):
        keys = cause.key.split(".")
        path, value = (tuple(keys) if len(keys) > 1 else (*path, *keys)), cause.value
    elif first["type"].startswith("union_tag"):
        path, value = (*path, "kind"), first.get("ctx", {}).get("tag")
    line = line_of(text, path)
    where = f"{name}:{line}" if line else name
    what = _spell(path)
    shown = (
        ""
        if value is None
        or isinstance(value, dict | list | tuple | m.WithDriverKeys | Section)
        or "missing" in first["type"]
        else f" = {_shown(value)}"
    )
    more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
    return one_line(f"{where}: {what}{shown}: {reason}{more}", 400)


def _without_tag(path: tuple[str | int, ...]) -> tuple[str | int, ...]:
    """Return a path without the kind that pydantic puts after `load` and after a filter's number."""
    at = {"load": 1, "load_2": 1, "filter": 2, "filter_2": 2}.get(str(path[0]) if path else "", len(path))
    return path[:at] + path[at + 1 :]


def _reason(kind: str, message: str, context: dict[str, Any]) -> str:
    return _REASONS[kind].format_map(context) if kind in _REASONS else message


def _remedy(kind: str, path: tuple[str | int, ...], value: object) -> str:
    """Return what else an error of pydantic's `kind` at `path` is answered with, "" where there is nothing to add."""
    if kind == "extra_forbidden":
        known = [key for model in _models_at(path[:-1]) for key in model.model_fields if key != "source"]
        near = did_you_mean(str(path[-1]), known)
        return f"; {near}" if near else ""
    if kind in ("less_than", "less_than_equal") and path and "%" not in str(value):
        fields = [model.model_fields.get(str(path[-1])) for model in _models_at(path[:-1])]
        if any(field is not None and _is_fraction([field.annotation, *field.metadata]) for field in fields):
            return f'; per cent are written "{one_line(value, _LONGEST_VALUE)} %"'
    return ""


def _models_at(path: tuple[str | int, ...]) -> list[type[BaseModel]]:
    """Return the sections that may stand at `path` of a bench: one, or those of a union that its tag leaves."""
    models: list[type[BaseModel]] = [Bench]
    for part in path:
        if isinstance(part, int):
            continue
        inner = [model.model_fields[part].annotation for model in models if part in model.model_fields]
        if inner:
            models = [found for annotation in inner for found in _models_in(annotation)]
        else:
            tags = [(one, one.model_fields.get("kind")) for one in models]
            models = [one for one, tag in tags if tag is not None and part in get_args(tag.annotation)]
    return models


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for inner in get_args(annotation) for found in _models_in(inner)]


def _is_fraction(parts: Iterable[Any]) -> bool:
    return any(part is FRACTION or _is_fraction(get_args(part)) for part in parts)


_BARE_VALUE = re.compile(r"\s*[\w.]{1,80}\s*=\s*([-+]?[0-9.,]{1,20} {0,3}[^\s\d\"'#\[\],-][^\s\"'#]{0,9})\s*(?:#|$)")
"""A key with a value whose quotes were forgotten: `rating = 80 VA`."""

_REASONS = {
    "extra_forbidden": "no such key; `benchmon keys` lists them",
    "missing": "is missing; add it",
    "greater_than": "must be above {gt:g}",
    "greater_than_equal": "must be at least {ge:g}",
    "less_than": "must be below {lt:g}",
    "less_than_equal": "must be at most {le:g}",
    "literal_error": "must be {expected}",
    "union_tag_invalid": "must be one of {expected_tags}",
    "union_tag_not_found": "is missing; add it",
    "tuple_type": "must be a list",
    "model_type": "must be a section of its own",
    "model_attributes_type": "must be a section of its own",
}


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return one_line(f'"{value}"' if isinstance(value, str) else value, _LONGEST_VALUE)


def _spell(path: Sequence[str | int]) -> str:
    text = ""
    for part in path:
        name = one_line(part, _LONGEST_KEY)
        text += f"[{part + 1}]" if isinstance(part, int) else f".{name}" if text else name
    return text or "the bench"


_WAVE_KEY = re.compile(r"""(["']?)wave\1[ \t]*=[ \t]*(?!"{3}|'{3})(?:"(?:[^"\\\n]|\\.)*"|'[^'\n]*')""")
_HIGHEST_ORDER = 40
_SMALLEST = 0.001
"""Harmonics below this part of the fundamental are left out: no capture with eight bits tells more."""

_OTHER_FREQUENCY = 0.05
_LARGEST_CAPTURE = 50_000_000
"""Bytes: a megasample of ten digits in two columns, far more than a shape needs."""


def with_harmonics_of_wave(text: str, data: Mapping[str, Any], folder: Path) -> str:
    """Return the text of a bench file with `wave` of [mains] replaced by the harmonics of that capture.

    `data` is what the text holds as TOML, `folder` is where relative paths start. The lines stay the same ones. A text
    without `wave`, or with one that the models refuse anyway, is returned as it is. Raises `BadInput` with the reason.
    """
    mains = data.get("mains")
    if not isinstance(mains, dict) or not isinstance(mains.get("wave"), str) or {"harmonics", "voltage_thd"} & {*mains}:
        return text
    lines = text.split("\n")
    at = line_of(text, ("mains", "wave"))
    found = None if at is None else _WAVE_KEY.search(lines[at - 1])
    if at is None or found is None:
        raise BadInput('write it as wave = "…" on a line of its own below [mains]')
    harmonics = _harmonics_of(folder / mains["wave"], mains.get("frequency"))
    entries = ", ".join(f'[{order}, "{100 * size:.3g} %", "{phase:.1f}°"]' for order, size, phase in harmonics)
    line, end = lines[at - 1], "\r" if lines[at - 1].endswith("\r") else ""
    changed = f"{line[: found.start()]}harmonics = [{entries}]{line[found.end() :].removesuffix(chr(13))}"
    lines[at - 1] = f"{changed}  # captured: {one_line(mains['wave'], 80)}{end}"
    return "\n".join(lines)


def _harmonics_of(path: Path, frequency: object) -> list[tuple[int, float, float]]:
    """Return order, part of the fundamental and phase in degrees of each notable harmonic of a captured voltage."""
    # They take time to load, and few bench files need them.
    from benchmon.captures.scope_file import read_capture  # noqa: PLC0415
    from benchmon.signals.measures import phasors_of  # noqa: PLC0415

    try:
        if path.is_file() and path.stat().st_size > _LARGEST_CAPTURE:
            raise BadInput(f"is larger than {_LARGEST_CAPTURE // 10**6} MB; export some tens of periods")
        capture = read_capture(path)
        column = next((column for column in capture.columns if column.unit in ("V", "")), None)
        if column is None:
            raise BadInput("has no column in volts")
        hertz, phasors = phasors_of(capture.time, column.values)
    except DataFileError as problem:
        raise BadInput(str(problem)) from problem
    try:
        nominal = parse_value(frequency, FREQUENCY)
    except BadInput:
        nominal = hertz  # The models refuse the frequency itself.
    if not abs(hertz - nominal) < _OTHER_FREQUENCY * nominal:
        raise BadInput(f"holds a wave of {hertz:.4g} Hz, and the mains has {nominal:.4g} Hz; capture the mains voltage")
    return [
        # cos(x) is sin(x + 90°), in which the bench file gives phases.
        (order, abs(part), (math.degrees(math.atan2(part.imag, part.real)) + 270.0) % 360.0 - 180.0)
        for order, part in enumerate(phasors[1:_HIGHEST_ORDER].tolist(), 2)
        if abs(part) >= _SMALLEST
    ]
