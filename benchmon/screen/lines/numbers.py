"""Numbers as a row shows them: live value, expected ± uncertainty, difference.

A row is written with one SI prefix, that of its expected value. Only a live value of quite another size has its own,
and then the expected value shows its unit as well: `12.00 mV` where `22.10 V` is expected.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache

from benchmon.quantities import PREFIXES
from benchmon.text import MINUS, with_minus
from benchmon.watch.wording import PER_CENT, decimals_of

_WITHOUT_PREFIX = ("°C", "Hz", "")
_LEAST_ORDER, _MOST_ORDER = -2, 4
"""Powers of ten of a live value, in the prefix of the expected one, from which on it has a prefix of its own."""
_ZERO = 1e-5
"""Part of the expected value below which a live value is shown as 0."""
DASH = "–"
NUMBER_WIDTH = 6
EXPECTED_WIDTH = UNCERTAINTY_WIDTH = 5


@dataclass(frozen=True, slots=True)
class Scale:
    """The unit of a row with its prefix, as a power of ten, and the decimals that give four significant digits."""

    exponent: int
    unit: str
    decimals: int
    of_expected: Scale | None = None
    """The scale of the expected value, where that has another prefix."""

    def number(self, value: float, decimals: int | None = None, width: int = NUMBER_WIDTH) -> str:
        """Return the finite `value` in this scale, without unit, in at most `width` (5 or more) characters.

        A size that needs more is written as a power of ten, so that no digit is ever cut off.
        """
        scaled = value / 10.0**self.exponent
        if math.isinf(scaled):
            scaled = value
        text = f"{scaled:.{self.decimals if decimals is None else decimals}f}" if abs(scaled) < 1e15 else ""
        for places in (1, 0):
            if not text or len(text) > width:
                text = _power_of_ten(scaled, places)
        if len(text) > width:
            return "huge" if value > 0 else f"{MINUS}huge"
        return text.removeprefix("-") if text.strip("-0.") == "" else with_minus(text)


def _power_of_ten(value: float, places: int) -> str:
    mantissa, exponent = f"{value:.{places}e}".split("e")
    return f"{mantissa}e{int(exponent)}"


def usable(value: float | None) -> float | None:
    """Return `value` if it is a finite number, else None."""
    return value if value is not None and math.isfinite(value) else None


_STATISTICS = {
    "rms": "rms",
    "ac_rms": "AC",
    "mean": "mean",
    "peak": "peak",
    "reverse_peak": "peak",
    "valley": "min",
    "ripple": "p-p",
}
STATISTIC_WIDTH = 4


def statistic_of(quantity: str) -> str:
    """Return what is measured of a wave: `rms`, `AC` (its rms without DC), `mean`, `peak`, `min` or `p-p`; else ""."""
    return _STATISTICS.get(quantity.rpartition(".")[2], "")


def scale_of(unit: str, value: float | None, expected: float | None) -> Scale:
    """Return the scale for a row, by its expected value or, where none is or it is of another size, by the live one."""
    wanted = _scale(unit, value, expected)
    live = usable(value)
    if not live or not usable(expected) or unit in _WITHOUT_PREFIX or unit == PER_CENT:
        return wanted
    is_zero = abs(live) < _ZERO * abs(expected or 0.0)
    if is_zero or _LEAST_ORDER < _order(abs(live)) - wanted.exponent < _MOST_ORDER:
        return wanted
    own = _scale(unit, value, None)
    return replace(own, of_expected=_scale(unit, expected, None)) if own.exponent != wanted.exponent else wanted


def _scale(unit: str, value: float | None, expected: float | None) -> Scale:
    if unit == PER_CENT:
        largest = max((abs(number) for number in (usable(value), usable(expected)) if number), default=0.01)
        return Scale(-2, PER_CENT, min(2, max(0, 1 - _order(largest))))
    live, wanted = abs(usable(value) or 0.0), abs(usable(expected) or 0.0)
    reference, largest = wanted or live, max(live, wanted)
    return _scale_of_orders(unit, _order(reference) if reference else None, _order(largest) if largest else None)


@lru_cache(maxsize=1024)
def _scale_of_orders(unit: str, reference: int | None, largest: int | None) -> Scale:
    """Return the scale for a value of the power of ten `reference` beside others up to `largest`; None stands for 0."""
    exponent = 0
    if unit not in _WITHOUT_PREFIX and reference is not None:
        exponent = min(9, max(-12, 3 * math.floor(reference / 3)))
    decimals = 3 if largest is None else min(3, max(0, 3 - largest + exponent))
    return Scale(exponent, PREFIXES[exponent] + unit, 1 if unit == "°C" else decimals)


def _order(value: float) -> int:
    """Return the power of ten of `value` as four significant digits round it: 999.96 counts as 1000."""
    order = math.floor(math.log10(value))
    return order + 1 if value >= 9.9995 * 10.0**order else order


def live_number(value: float | None, scale: Scale) -> str:
    """Return the live value in the row's scale, without unit; words where it is no number."""
    if value is None or math.isnan(value):
        return DASH
    if math.isinf(value):
        return "over" if value > 0 else "under"
    return scale.number(value)


def expected_parts(expected: float | None, uncertainty: float | None, scale: Scale) -> tuple[str, str]:
    """Return expected value and expanded uncertainty, to two digits of the uncertainty or as many as have room."""
    value, spread = usable(expected), usable(uncertainty)
    if value is None:
        return "", ""
    if scale.of_expected is not None:
        return f"{scale.of_expected.number(value, width=EXPECTED_WIDTH)} {scale.of_expected.unit}", ""
    if not spread:
        return scale.number(value, width=EXPECTED_WIDTH), ""
    last = decimals_of(spread) + scale.exponent
    value, spread = (round(number, last - scale.exponent) for number in (value, spread))
    decimals = min(3, max(0, last))
    while decimals and len(f"{value / 10.0**scale.exponent:.{decimals}f}") > EXPECTED_WIDTH:
        decimals -= 1
    return scale.number(value, decimals, EXPECTED_WIDTH), scale.number(abs(spread), decimals, UNCERTAINTY_WIDTH)


def difference(value: float | None, expected: float | None, unit: str, scale: Scale) -> str:
    """Return live less expected: in kelvins for temperatures, else in per cent of the expected value."""
    live, wanted = usable(value), usable(expected)
    if live is None or wanted is None:
        return ""
    if unit == "°C":
        return f"{_signed(live - wanted)} K"
    if abs(wanted) < 1e-12:
        return _sign(live - wanted) + scale.number(abs(live - wanted))
    return f"{_signed(100.0 * (live - wanted) / abs(wanted))} %"


def _sign(number: float) -> str:
    return "+" if number >= 0 else MINUS


def _signed(number: float) -> str:
    size = abs(number)
    if size >= 999.5 or math.isnan(size):
        return f"{_sign(number)}>999"
    text = f"{size:.1f}" if size < 99.95 else f"{size:.0f}"
    return text if text == "0.0" else _sign(number) + text


def unit_width(units: Iterable[str]) -> int:
    """Return the columns that the widest of `units` takes with a prefix."""
    plain = (*_WITHOUT_PREFIX, PER_CENT)
    return max((len(unit) + (unit not in plain) for unit in units), default=0)
