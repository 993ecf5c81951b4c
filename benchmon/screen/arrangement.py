"""How the height of the screen is shared between channels, temperature bars and events."""

from __future__ import annotations

from dataclasses import dataclass

_MOST_HEAT_PART = 4
_EVENTS = ((16, 4), (10, 3))


@dataclass(frozen=True, slots=True)
class Arrangement:
    """Lines of each part, its heading included; 0 where it is left out. `grouped`: the points have headings."""

    table: int
    heat: int
    events: int
    grouped: bool


def arrange(height: int, channels: int, points: int, heat: int) -> Arrangement:
    """Return how `height` lines are shared by `channels` rows under `points` headings and `heat` lines of bars.

    Rows come first; headings only where every row stays in sight with them; events take what is left, at least three
    lines on all but the smallest screens.
    """
    bars = min(heat + 1, height // _MOST_HEAT_PART) if heat else 0
    bars = bars if bars >= 2 and height >= 10 else 0
    least = next((lines for from_height, lines in _EVENTS if height >= from_height), 0)
    room = max(0, height - bars - least)
    grouped = 1 + channels + points <= room
    table = min(room, 1 + channels + (points if grouped else 0))
    return Arrangement(table, bars, max(0, height - table - bars) if least else 0, grouped)
