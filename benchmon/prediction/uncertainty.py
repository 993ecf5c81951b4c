"""Standard uncertainty of each input of a prediction, and the uncertainty budget of its results.

Sizes come from the tolerances in the bench file where it gives them, else from the usual values below, each with its
reason (from memory). The budget lists each input's share of the variance (JCGM 100:2008, H.1).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchmon.bench import Bench, Capacitor
from benchmon.prediction.circuit.parts import WINDING_RISE, WINDING_TEMPERATURE, WINDING_WARMTH, Parts, harmonic_part
from benchmon.prediction.circuit.usual_parts import usual_tolerance_of
from benchmon.prediction.thermal.rated_rise import copper_warms, load_rise_differs
from benchmon.quantities import Expected, at_first_output
from benchmon.signals.arrays import Floats
from benchmon.signals.uncertainty import COVERAGE
from benchmon.standards import COPPER_ZERO, LEFT_OUT_DIFFERS, LOAD_RISE_DIFFERS, USUAL_MAINS_HARMONICS

_RECTANGULAR = 3.0**-0.5


@dataclass(frozen=True)
class InputUncertainty:
    """The standard uncertainty (k = 1) of one value: relative to it if `relative`, else in its own unit.

    `rectangular` marks a tolerance, within which all values are equally likely. Where it is narrower on one side,
    `below` and `above` are each side's part of the wider one, of which `size` is the standard uncertainty. `along` are
    other parts that move with it, by so much of their logarithm as it moves by its standard uncertainty: so correlated
    parts are made of inputs that are independent.
    """

    part: str
    label: str
    size: float
    relative: bool = True
    rectangular: bool = False
    below: float = 1.0
    above: float = 1.0
    along: tuple[tuple[str, float], ...] = ()


JUNCTION_SHIFT = "junction shift"
"""The name of an input that is no part: the error of the junction temperature, as a fraction of its rise."""

_MODEL = (
    # The grid frequency is nearly always within about 0.1 Hz.
    InputUncertainty("mains.frequency", "mains frequency", 0.001),
    # Resistances come from another unit, a label's regulation or an ohmmeter (from memory).
    InputUncertainty("transformer.primary_resistance", "primary resistance", 0.05),
    InputUncertainty("transformer.secondary_resistance", "secondary resistance", 0.05),
    # Diodes of one type differ by a factor of about 1.6 in saturation current: 20 mV of forward drop.
    InputUncertainty("diode.saturation_current", "diode forward drop", 0.5),
    InputUncertainty("diode.series_resistance", "diode series resistance", 0.15),
    InputUncertainty("diode.thermal_resistance", "diode thermal resistance", 0.1),
    # During warm-up, and in still or moving air, the junction temperature differs somewhat from the predicted one.
    InputUncertainty(JUNCTION_SHIFT, "diode warm-up", 0.25),
    InputUncertainty("ambient.temperature", "ambient temperature", 1.0, relative=False),
    InputUncertainty("load.resistance", "load resistance", 0.005),
    InputUncertainty("load.current", "load current", 0.005),
    # What a kelvin does is known; how warm the resistor gets is estimated.
    InputUncertainty("load.temperature_coefficient", "warmth of the load", LOAD_RISE_DIFFERS),
    InputUncertainty("regulator.output_voltage", "regulator output", 0.01),
    InputUncertainty("regulator.dropout", "regulator dropout", 0.1),
    InputUncertainty("regulator.quiescent_current", "regulator quiescent current", 0.2),
    InputUncertainty("regulator.thermal_resistance", "regulator thermal resistance", 0.1),
    InputUncertainty("ntc.r25", "inrush limiter", 0.1),
)

MEASURED_RESISTANCE = 0.01
"""Relative standard uncertainty of a measured winding resistance.

An ohmmeter with four wires is within a few parts in a thousand, a usual multimeter within 1 % (from memory).
"""

MEASURED_VOLTAGE = 0.005
"""Relative standard uncertainty of the measured voltage of an idle winding, at the rated voltage of its primary.

It is a ratio of two readings, winding and mains, one after the other: a usual multimeter is within 0.5 to 1 % of an AC
voltage, of which a part is common to both, and the mains moves by some tenths of a per cent between them (from memory).
"""

_MEASURED_WINDINGS = (
    InputUncertainty("transformer.primary_resistance", "primary resistance", MEASURED_RESISTANCE),
    InputUncertainty("transformer.secondary_resistance", "secondary resistance", MEASURED_RESISTANCE),
    InputUncertainty(WINDING_TEMPERATURE, "winding temperature", 2.0, relative=False),
    # Windings take an hour to warm, and transformers are built differently: from half warm to half as warm again.
    InputUncertainty(WINDING_RISE, "winding temperature", 0.4),
)
"""What stands for the windings where the bench file gives the temperature at which they were measured."""

NOT_GIVEN = " (not given)"
"""How a label ends whose input the bench file leaves out."""

_PLACES_DIFFER = 1.25
"""Factor on the harmonics measured at six places, which are too few to show the spread of all."""

_SINE_DOUBT, _CHANGES = 0.001, 0.05
"""Standard uncertainty of each component of a given harmonic: part of the fundamental, and part of itself.

An analyser shows a harmonic to about 0.1 % of the fundamental, and it changes by some per cent over hours; both from
experience.
"""

MODEL_FLOOR = 0.0005
"""Relative standard uncertainty of the model and its numbers, on every quantity."""


def input_uncertainties_of(
    bench: Bench, parts: Parts, *, mains_is_measured: bool, correlated: bool = True
) -> list[InputUncertainty]:
    """Return the input uncertainties that apply to a bench; a measured mains voltage adds none.

    They are independent. Where not `correlated`, each has its own whole size, whatever a fit has learned of it together
    with others.
    """
    windings = {entry.part for entry in _MEASURED_WINDINGS} if copper_warms(bench) else set()
    found = [entry for entry in _MODEL if entry.part not in windings]
    found += _MEASURED_WINDINGS if windings else ()
    found += [] if windings else [_winding_warmth(parts)]
    found += mains_harmonics(bench)
    found += _often_left_out(bench)
    measured = bench.transformer.rated_voltage is None
    found.append(
        InputUncertainty(
            "transformer.open_circuit_voltage", "transformer voltage", MEASURED_VOLTAGE if measured else 0.012
        )
    )
    if bench.mains.tolerance > 0 and not mains_is_measured:
        size = bench.mains.tolerance * _RECTANGULAR
        found.append(InputUncertainty("mains.voltage", "mains voltage", size, rectangular=True))
    found += _filter(bench)
    found += _core(bench)
    found += _regulator(bench)
    if bench.outputs_apart:
        found += _second_output(bench)
    found = [replace(entry, size=_size_of_warmth(bench, entry)) for entry in found]
    learned = [_as_learned(bench, entry) for entry in found if _applies(entry, parts)]
    return _made_independent(bench, learned) if correlated else learned


_WARMTH, _RISE = ".temperature_coefficient", ".temperature_rise"


def _size_of_warmth(bench: Bench, entry: InputUncertainty) -> float:
    """Return the size of an input, for how warm a load gets as the bench file knows that."""
    return load_rise_differs(bench, entry.part.removesuffix(_WARMTH)) if entry.part.endswith(_WARMTH) else entry.size


def _filter(bench: Bench) -> list[InputUncertainty]:
    found = []
    for index, part in enumerate(bench.filter):
        name, label = f"filter.{index}", f"{part.kind} {index + 1}"
        if isinstance(part, Capacitor):
            found.append(_tolerance(f"{name}.capacitance", label, part))
            own = 0.5 if part.esr_tolerance is None else part.esr_tolerance
            found.append(_given_or_usual(f"{name}.esr", f"{label} ESR", part.esr, own * _RECTANGULAR, "esr"))
        elif part.kind == "choke":
            found.append(InputUncertainty(f"{name}.inductance", label, 0.1))
            found.append(InputUncertainty(f"{name}.resistance", f"{label} resistance", 0.05))
        else:
            found.append(InputUncertainty(f"{name}.resistance", label, 0.02))
    return found


def _second_output(bench: Bench) -> list[InputUncertainty]:
    """Return the uncertainties of the parts of a second output that differs from the first."""
    seen = bench.seen_from_output_2()
    own = [entry for entry in _MODEL if entry.part.partition(".")[0] in ("load", "regulator")]
    found = []
    for entry in [*own, *_filter(seen), *_regulator(seen)]:
        plain, left_out, _ = entry.label.partition(NOT_GIVEN)
        part = "{}_2{}{}".format(*entry.part.partition("."))
        found.append(replace(entry, part=part, label=f"{plain} of output 2{left_out}"))
    return found


def input_of_learned(part: str) -> str:
    """Return the name of the input that a learned part is: how warm a load gets acts by what that does to its ohms.

    >>> input_of_learned("load_2.temperature_rise"), input_of_learned("load.resistance")
    ('load_2.temperature_coefficient', 'load.resistance')
    """
    return part.removesuffix(_RISE) + _WARMTH if part.endswith(_RISE) else part


def _as_learned(bench: Bench, entry: InputUncertainty) -> InputUncertainty:
    """Return an input with the uncertainty that readings have left of it, where the bench file holds that."""
    known = next((one for one in bench.learned if input_of_learned(one.part) == entry.part), None)
    if known is None or not entry.relative:
        return entry
    return InputUncertainty(entry.part, entry.label.removesuffix(NOT_GIVEN), known.uncertainty / COVERAGE)


_SHRINKINGS, _SHRINK = 40, 0.9
"""How often coefficients that cannot be together, being rounded, are made smaller, and by which factor."""


def _made_independent(bench: Bench, entries: list[InputUncertainty]) -> list[InputUncertainty]:
    """Return the inputs with those that the bench file holds as correlated made of independent ones.

    With the coefficients R = L·Lᵀ (Cholesky; JCGM 102:2011, 6.4), the column of L of each part moves it and those after
    it. Its own size is then what is left of it once those before it are known.
    """
    places = {entry.part: place for place, entry in enumerate(entries) if entry.relative and not entry.rectangular}
    pairs = {}
    for known in bench.learned:
        one = input_of_learned(known.part)
        for part, coefficient in known.correlated:
            other = input_of_learned(part)
            if one in places and other in places and one != other:
                pairs[one, other] = coefficient
    if not pairs:
        return entries
    names = sorted({name for pair in pairs for name in pair}, key=lambda name: places[name])
    matrix = np.eye(len(names))
    for (one, other), coefficient in pairs.items():
        at, by = names.index(one), names.index(other)
        matrix[at, by] = matrix[by, at] = coefficient
    lower = _cholesky(matrix)
    sizes = [entries[places[name]].size for name in names]
    found = list(entries)
    for column, name in enumerate(names):
        along = tuple(
            (names[row], float(sizes[row] * lower[row, column]))
            for row in range(column + 1, len(names))
            if lower[row, column]
        )
        own = float(sizes[column] * lower[column, column])
        found[places[name]] = replace(entries[places[name]], size=own, along=along)
    return found


def _cholesky(matrix: Floats) -> Floats:
    """Return the lower triangle of coefficients of correlation (n, n), made smaller where they cannot be together."""
    apart = matrix - np.eye(len(matrix))
    for _ in range(_SHRINKINGS):
        try:
            return np.asarray(np.linalg.cholesky(np.eye(len(matrix)) + apart), np.float64)
        except np.linalg.LinAlgError:
            apart = apart * _SHRINK
    return np.eye(len(matrix))


USUAL_WINDING_RISE = 40.0
"""Kelvins by which windings warm at a usual load (from memory)."""


def _winding_warmth(parts: Parts) -> InputUncertainty:
    """Return the uncertainty of resistances of which the bench file does not say at which temperature they hold.

    They may be those of a cold transformer or of a warm one, and so may the transformer be now. All between is alike.
    The size is for windings that warm by `USUAL_WINDING_RISE`, in proportion to which `warmth_scale` corrects it.
    """
    grown = USUAL_WINDING_RISE / (COPPER_ZERO + float(parts["ambient.temperature"][0]))
    label = f"winding temperature{NOT_GIVEN}"
    return InputUncertainty(WINDING_WARMTH, label, grown * _RECTANGULAR, rectangular=True)


def _tolerance(name: str, label: str, part: Capacitor) -> InputUncertainty:
    limits = part.tolerance_limits
    if limits is None:
        size = usual_tolerance_of(part) * _RECTANGULAR
        return InputUncertainty(name, label + NOT_GIVEN, size, rectangular=True)
    low, high = limits
    wider = max(-low, high)
    if wider == 0.0:
        return InputUncertainty(name, label, _LEAST_TOLERANCE * _RECTANGULAR, rectangular=True)
    return InputUncertainty(name, label, wider * _RECTANGULAR, rectangular=True, below=-low / wider, above=high / wider)


APART = "capacitors that differ"
"""The label of what two capacitors of a doubler do that are not equal."""


def farthest_apart(bench: Bench) -> float:
    """Return half the relative difference of a doubler's two capacitors at opposite limits; 0 for other rectifiers.

    The prediction takes both as equal, and each is somewhere within its own tolerance. In a cascade every capacitor
    that is smaller lowers the output and adds ripple: no difference does more than all of them together.
    """
    first = bench.filter[0] if bench.filter else None
    topology = bench.rectifier.topology
    if not (topology.capacitors and topology.repeats_after_half) or not isinstance(first, Capacitor):
        return 0.0
    entry = _tolerance("", "", first)
    return entry.size / _RECTANGULAR * (entry.below + entry.above) / 2.0


def effects_of_difference(half: Floats | float) -> dict[str, tuple[Floats | float, str]]:
    """Return what `half` the relative difference of a doubler's capacitors adds: a part of a quantity, by its name.

    The output is the sum of two saw-teeth half a period apart, of heights J/(1 ± d). Its ripple is that of the higher
    one, J/(1 − |d|), half of what that adds at each end, and its rms is J·√(1 + 3·d²)/(1 − d²) in proportion (closed
    form of the two saw-teeth).
    """
    apart = np.abs(half)
    more = apart / (1.0 - apart)
    ripple, rms = "output.voltage.ripple", np.sqrt(1.0 + 3.0 * apart**2) / (1.0 - apart**2) - 1.0
    return {
        ripple: (more, ripple),
        "output.voltage.peak": (more / 2.0, ripple),
        "output.voltage.valley": (-more / 2.0, ripple),
        "output.voltage.ac_rms": (rms, "output.voltage.ac_rms"),
        "output.voltage.ripple_factor": (rms, "output.voltage.ripple_factor"),
    }


_LEAST_TOLERANCE = 0.02
"""Tolerance of a capacitance that is given as exact: a measured one still changes with temperature and age."""


def _core(bench: Bench) -> list[InputUncertainty]:
    """Return the uncertainties of the transformer's core, which depend on how much of it was measured.

    From memory: transformers of one rating differ by a factor of two in no-load current and loss, laminated ones from
    toroids by more. A current that is given without its points leaves the shape of its wave open.
    """
    transformer = bench.transformer
    points = len(transformer.no_load or ())
    given = {"no_load_current": points > 0, "no_load_loss": points > 0}
    given = {key: measured or key in transformer.model_fields_set for key, measured in given.items()}
    size = 0.03 if points else 0.1
    unknown = {key: "" if is_given else NOT_GIVEN for key, is_given in given.items()}
    current, loss = (size if is_given else 0.7 for is_given in given.values())
    shape = "how the core saturates" + ("" if points > 1 else NOT_GIVEN)
    return [
        InputUncertainty("core.current", f"no-load current{unknown['no_load_current']}", current),
        InputUncertainty("core.loss", f"no-load loss{unknown['no_load_loss']}", loss),
        InputUncertainty("core.saturating", shape, 0.15 if points < 2 else 0.03, relative=False),
        InputUncertainty("core.exponent", shape, 0.2 if points < 2 else 0.1 if points == 2 else 0.05),
    ]


def _regulator(bench: Bench) -> list[InputUncertainty]:
    """Return the uncertainties of what a regulator leaves of the ripple, and of its noise.

    Data sheets state both as typical values. One part differs from them by some 30 %, about 2 dB (from memory).
    """
    regulator = bench.regulator
    if regulator is None:
        return []
    rejection, noise = regulator.ripple_rejection, regulator.noise
    return [
        _given_or_usual("regulator.ripple_passed", "ripple rejection", rejection, 0.3, "ripple rejection"),
        _given_or_usual("regulator.noise", "regulator noise", noise, 0.3, "regulator noise"),
    ]


_FLOORS = {
    "output.voltage.ac_rms": 1e-3,
    "output.voltage.ripple": 5e-3,
    "output.voltage.peak": 2.5e-3,
    "output.voltage.valley": 2.5e-3,
    "output.voltage.mean": 1e-3,
    "output.voltage.rms": 1e-3,
    "output.current.mean": 1e-4,
    "output.current.rms": 1e-4,
    "output.voltage.ripple_factor": 1e-4,
    "reservoir.voltage.ripple": 5e-3,
    "reservoir.current.rms": 1e-4,
    "secondary.current.rms": 1e-4,
    "secondary.current.peak": 1e-3,
    "diode.current.mean": 1e-4,
    "diode.current.rms": 1e-4,
    "diode.current.peak": 1e-3,
    "mains.current.rms": 1e-4,
    "mains.current.peak": 1e-3,
    "diode.power.mean": 1e-4,
    "regulator.power.mean": 1e-3,
    "mains.power.active": 0.01,
    "mains.power.apparent": 0.02,
    "output.power.mean": 1e-3,
    "load.power.mean": 1e-3,
}
"""Expanded uncertainty below which nothing is claimed of a quantity, in its unit.

Leads pick up a millivolt of hum and some of the switching of diodes, and stray capacitance, leakage of parts and the
meters themselves take a tenth of a milliampere (from memory).
"""


def floor_of(name: str) -> float:
    """Return the expanded uncertainty below which nothing is claimed of a quantity, in its unit."""
    return _FLOORS.get(at_first_output(name), 0.0)


def model_uncertainty(name: str, value: float) -> float:
    """Return the standard uncertainty of the model and its numbers for a quantity with a `value`, in its unit."""
    return math.hypot(MODEL_FLOOR * value, floor_of(name) / COVERAGE)


_BOUNDS: Mapping[str, tuple[float, float]] = {
    "power_factor": (0.0, 1.0),
    "displacement_factor": (0.0, 1.0),
    "crest_factor": (1.0, math.inf),
    "thd": (0.0, math.inf),
    "rms": (0.0, math.inf),
    "ac_rms": (0.0, math.inf),
    "active": (0.0, math.inf),
    "apparent": (0.0, math.inf),
    "ripple": (0.0, math.inf),
    "ripple_factor": (0.0, math.inf),
}
"""What a quantity cannot be below or above, by the last part of its name."""
_HARDLY_KNOWN = 0.1
"""Uncertainty, as a part of the value, beyond which an interval ends at a bound: below it passes by a rounding."""

_NOTHING = 1e-3
"""Distance from a bound, as a part of the uncertainty, up to which a value lies on it: `0 ± 0.7 %` is read at once."""


def within_bounds(name: str, expected: Expected) -> Expected:
    """Return an expected value whose interval ends where the quantity does: no power factor is above one.

    First-order propagation knows no such bound, and passes it where a quantity is hardly known. Floors and drawn limits
    are left alone.
    """
    least, most = _BOUNDS.get(name.rpartition(".")[2], (-math.inf, math.inf))
    known_to = max(2.0 * floor_of(name), _HARDLY_KNOWN * abs(expected.value))
    below, above = expected.reaches
    low, high = max(least, expected.value - below), min(most, expected.value + above)
    passes = low > expected.value - below or high < expected.value + above
    is_nothing = expected.value - least < _NOTHING * expected.uncertainty
    if expected.low is not None or expected.uncertainty <= known_to or is_nothing or not passes:
        return expected
    return replace(expected, uncertainty=max(expected.value - low, high - expected.value), low=low, high=high)


def mains_harmonics(bench: Bench) -> list[InputUncertainty]:
    """Return the uncertainty of each harmonic of the mains voltage, sine and cosine apart, as the phase is open.

    Where nothing is given, harmonics are as large as those measured at several places; where only the distortion is
    given, they are of the same kind and make up that distortion together. Given harmonics change with load and time.
    """
    mains = bench.mains
    sizes = {order: _PLACES_DIFFER * size for order, size in USUAL_MAINS_HARMONICS.items()}
    label = f"mains harmonics{NOT_GIVEN}"
    if mains.voltage_thd is not None:
        whole = sum(size**2 for size in sizes.values()) ** 0.5
        sizes = {order: max(size * mains.voltage_thd / whole, _SINE_DOUBT) for order, size in sizes.items()}
    elif mains.harmonics is not None:
        given = {order: size for order, size, _ in mains.harmonics}
        orders = sorted({*sizes, *given})
        sizes = {order: 2.0**0.5 * math.hypot(_SINE_DOUBT, _CHANGES * given.get(order, 0.0)) for order in orders}
        label = "mains harmonics"
    return [
        InputUncertainty(harmonic_part(order, component), label, size / 2.0**0.5, relative=False)
        for order, size in sizes.items()
        for component in ("sin", "cos")
    ]


def _often_left_out(bench: Bench) -> list[InputUncertainty]:
    """Return the uncertainties of source resistance and leakage inductance."""
    source, leakage = bench.mains.source_resistance, bench.transformer.leakage_inductance
    return [
        _given_or_usual("mains.source_resistance", "mains source resistance", source, 0.2, "source"),
        _given_or_usual("transformer.leakage_inductance", "leakage inductance", leakage, 0.1, "leakage"),
    ]


def _given_or_usual(part: str, label: str, given: float | None, size: float, kind: str) -> InputUncertainty:
    """Return the uncertainty of a value: of relative `size` if it is given, else as such parts differ."""
    if given is not None:
        return InputUncertainty(part, label, size)
    return InputUncertainty(part, label + NOT_GIVEN, LEFT_OUT_DIFFERS[kind])


def _applies(entry: InputUncertainty, parts: Parts) -> bool:
    if entry.part == JUNCTION_SHIFT:
        return bool(np.any(parts["diode.thermal_resistance"] > 0))
    if entry.part.startswith("core.") and not np.any(parts["core.current"] > 0):
        return False
    return entry.part in parts and (not entry.relative or bool(np.any(parts[entry.part] != 0)))


Shares = list[tuple[str, float]]
"""Labels with their share of the variance, largest first; the rest to 1 are inputs too small to list."""

MODEL = "the model itself"
_LEAST = 0.001


def shares_of(labels: Sequence[str], changes: Floats, model: float) -> Shares:
    """Return the shares of the variance of `changes` (k,), one for each label, and of `model`.

    All are standard uncertainties in one unit. Entries with the same label are added up.
    """
    variances = dict.fromkeys([*labels, MODEL], 0.0)
    for label, change in zip([*labels, MODEL], [*np.asarray(changes), model], strict=True):
        variances[label] += float(change) ** 2
    total = sum(variances.values())
    if total <= 0.0:
        return []
    shares = [(label, variance / total) for label, variance in variances.items() if variance > _LEAST * total]
    return sorted(shares, key=lambda entry: -entry[1])


_MAIN_SHARE = 0.1
"""Share of the variance from which a contribution is a main one."""


def not_given_in(shares: Shares) -> list[str]:
    """Return the labels of main contributions that stem from what the bench file leaves out, the largest first."""
    return [label for label, share in shares if label.endswith(NOT_GIVEN) and share >= _MAIN_SHARE]


def with_contribution(shares: Shares, label: str, share: float) -> Shares:
    """Return the shares with one more contribution, which is `share` of the new variance."""
    rest = [(name, part * (1.0 - share)) for name, part in shares]
    return sorted([*rest, (label, share)], key=lambda entry: -entry[1])
