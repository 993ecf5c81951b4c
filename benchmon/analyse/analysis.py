"""The whole analysis of a capture: measures of every column, power, limits, and comparison with the expected wave."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from benchmon.analyse.columns import ChosenColumn, choose_columns
from benchmon.analyse.diagnosis import explain
from benchmon.analyse.expected import MeasureComparison, compare, compare_power, is_same_frequency, predict_for
from benchmon.bench import Accuracy, Bench
from benchmon.bench.fields import parse_accuracy
from benchmon.captures.scope_file import read_capture
from benchmon.errors import BadInput, DataFileError
from benchmon.prediction.result import Prediction
from benchmon.signals.arrays import Floats
from benchmon.signals.captured_wave import Wave, measure_wave
from benchmon.signals.harmonic_limits import HarmonicLimit, compare_with_limits
from benchmon.signals.power import measure_pair
from benchmon.signals.uncertainty import UncertainValue
from benchmon.text import one_line
from benchmon.watch.records import Explanation

_LINE_CURRENT = "mains.current"


@dataclass(frozen=True)
class AnalysisRequest:
    """The options of an analysis.

    `quantities` and `probes` are texts as on the command line, for a column by name or for all; `mains` is a measured
    mains voltage, V rms; `frequency` the fundamental in Hz, if known; `accuracy` that of the scope, such as "3 %".
    """

    quantities: Sequence[str] = ()
    probes: Sequence[str] = ()
    mains: float | None = None
    frequency: float | None = None
    accuracy: str = ""


@dataclass(frozen=True)
class AnalysedColumn:
    """One measured column: its name, its quantity ("" if unknown), its unit, its measures and its values (n,)."""

    name: str
    quantity: str
    unit: str
    wave: Wave
    values: Floats


@dataclass(frozen=True)
class Analysis:
    """The result of an analysis. The first of `columns` is the requested one.

    `power` is by the names of `POWER_UNITS`, empty without a voltage and a current; `limits` are those of
    IEC 61000-3-2 class A, empty if no column is line current; `comparisons` compare every column of a known quantity,
    and the power, with `prediction`, and `explanations` the first column.
    """

    file: str
    time: Floats
    columns: list[AnalysedColumn]
    notes: tuple[str, ...] = ()
    power: dict[str, UncertainValue] = field(default_factory=dict)
    limits: list[HarmonicLimit] = field(default_factory=list)
    prediction: Prediction | None = None
    comparisons: list[MeasureComparison] = field(default_factory=list)
    explanations: list[Explanation] = field(default_factory=list)

    @property
    def first(self) -> AnalysedColumn:
        """The requested column."""
        return self.columns[0]


def analyse(path: Path | str, request: AnalysisRequest | None = None, bench: Bench | None = None) -> Analysis:
    """Return the measures of the capture in the file at `path`, compared with the prediction of `bench` if given.

    Raises `DataFileError` for a file or a wave that cannot be measured, `BadInput` for a request that does not fit it,
    `PredictionError` if the bench cannot be solved.
    """
    request = request or AnalysisRequest()
    if bench is not None and not request.quantities:
        raise BadInput("--bench: name the captured quantity, such as --quantity output.voltage")
    capture = read_capture(path)
    shown = one_line(path)
    columns, notes = [], list(capture.notes)
    for number, one in enumerate(choose_columns(capture, request.quantities, request.probes)):
        try:
            columns.append(_measured(capture.time, one, request))
        except DataFileError as problem:
            if number == 0 or one.quantity:
                raise DataFileError(f"{shown}: {one.column.name}: {problem}") from problem
            notes.append(f"{one.column.name} is skipped: {problem}")
    power = _power(columns)
    limits = [
        limit for one in columns if one.quantity == _LINE_CURRENT for limit in compare_with_limits(one.wave.harmonics)
    ]
    notes += [note for one in columns for note in one.wave.notes]
    found = Analysis(shown, capture.time, columns, tuple(notes), power, limits)
    return found if bench is None else _compared(found, bench, request.mains)


def _measured(time: Floats, chosen: ChosenColumn, request: AnalysisRequest) -> AnalysedColumn:
    column = chosen.column
    accuracy = _accuracy(request.accuracy, column.unit)
    wave = measure_wave(time, column.values, frequency=request.frequency, accuracy=accuracy)
    return AnalysedColumn(column.name, chosen.quantity, column.unit, wave, column.values)


def _accuracy(text: str, unit: str) -> Accuracy:
    if not text:
        return Accuracy()
    try:
        return parse_accuracy(text, unit)
    except BadInput as problem:
        raise BadInput(f"--accuracy {one_line(text, 60)!r}: {problem}") from problem


def _power(columns: Sequence[AnalysedColumn]) -> dict[str, UncertainValue]:
    """Return the power of the first voltage and current; none if they are of different points or frequencies."""
    volts = [one for one in columns if one.unit == "V"]
    amperes = [one for one in columns if one.unit == "A"]
    if not volts or not amperes:
        return {}
    points = _points((volts[0], amperes[0]))
    of_volts, of_amperes = volts[0].wave, amperes[0].wave
    in_step = is_same_frequency(of_amperes.sampled.frequency, of_volts.sampled.frequency)
    return measure_pair(of_volts, of_amperes) if len(points) < 2 and in_step else {}


def _points(columns: Iterable[AnalysedColumn]) -> set[str]:
    return {one.quantity.partition(".")[0] for one in columns if one.quantity}


def _point_of_power(columns: Sequence[AnalysedColumn]) -> str:
    """Return the point of the circuit of which the first voltage and current are, "" where it is not known of both."""
    firsts = [next((one for one in columns if one.unit == unit), None) for unit in ("V", "A")]
    points = _points(one for one in firsts if one is not None)
    return points.pop() if len(points) == 1 and all(one is not None and one.quantity for one in firsts) else ""


def _compared(found: Analysis, bench: Bench, mains: float | None) -> Analysis:
    """Return the analysis compared with the prediction of `bench`, at the measured mains voltage if there is one."""
    captured = [one for one in found.columns if one.quantity == "mains.voltage"]
    if mains is None and captured:
        mains = captured[0].wave.measures["rms"].value
    prediction = predict_for(bench, mains)
    first = found.first
    comparisons = [one for column in found.columns for one in compare(column.wave, column.quantity, prediction)]
    comparisons += compare_power(found.power, _point_of_power(found.columns), prediction)
    explanations = explain(first.wave.sampled, first.quantity, bench, prediction)
    return replace(found, prediction=prediction, comparisons=comparisons, explanations=explanations)
