"""The band picture: where a live value stands in its expected band, in a few characters.

├──●┼───┤      inside: the prediction's and the meter's uncertainty together cover the difference
  ├───┼───┤●   a little above
  ├───┼───┤  ▶ far above, off the scale
"""

from __future__ import annotations

import math

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.numbers import usable
from benchmon.watch.records import Judgement

QUESTIONABLE = 1.5
"""The |En| up to which a difference is questionable; the design's words, ISO 13528's number."""


def place_in_band(judgement: Judgement) -> float | None:
    """Return the difference in units of the band's half width: −1 and +1 are its ends, so it is En with its sign.

    None where there is no finite value, no expected value, or no uncertainty to make a band of.
    """
    value, expected = judgement.value, usable(judgement.expected)
    if value is None or math.isnan(value) or expected is None:
        return None
    if math.isinf(value):
        return value
    if judgement.en is not None and not math.isnan(judgement.en):
        return math.copysign(judgement.en, value - expected)
    half = math.hypot(usable(judgement.uncertainty) or 0.0, usable(judgement.expected_uncertainty) or 0.0)
    return (value - expected) / half if half > 0 else None


def draw_band(place: float | None, width: int, alphabet: Alphabet) -> str:
    """Return the picture of `place` (see `place_in_band`), exactly `width` columns; blank where nothing is known.

    The marker is between or on the drawn ends where |place| ≤ 1, beside them up to 1.5 (questionable), and an arrow at
    the edge of the picture beyond that (disagrees).
    """
    if width < 7 or place is None or math.isnan(place):
        return " " * max(0, width)
    middle = (width - 1) // 2
    half = middle - max(1, width // 8)
    cells = [" "] * width
    cells[middle - half : middle + half + 1] = alphabet.band_rail * (2 * half + 1)
    cells[middle - half], cells[middle], cells[middle + half] = (
        alphabet.band_start,
        alphabet.band_middle,
        alphabet.band_end,
    )
    side = 1 if place > 0 else -1
    if abs(place) <= 1:
        cells[middle + side * round(abs(place) * half)] = alphabet.marker
    elif abs(place) <= QUESTIONABLE:
        cells[middle + side * (half + 1)] = alphabet.marker
    else:
        cells[middle + side * middle] = alphabet.far_above if place > 0 else alphabet.far_below
    return "".join(cells)
