"""How the height of the screen is shared between channels, temperature bars and events."""

from __future__ import annotations

from dataclasses import dataclass

_MOST_HEAT_PART = 4
_EVENTS = ((16, 4), (10, 3))
_LEAST_EVENTS = 2


@dataclass(frozen=True, slots=True)
class Arrangement:
    """Lines of each part, its heading included; 0 where it is left out. `grouped`: the points have headings."""

    table: int
    heat: int
    events: int
    grouped: bool


def arrange(height: int, channels: int, points: int, heat: tuple[int, int], remarks: int = 0) -> Arrangement:
    """Return how `height` lines are shared by `channels` rows under `points` headings and lines of bars, `heat`.

    Rows come first; headings only where every row stays in sight with them; events take what is left, at least three
    lines on all but the smallest screens. `heat` is how many lines of bars are wanted, and how many will do where a row
    would go out of sight. `remarks` are lines under the rows; they take from the events before a row
    goes out of sight.
    """
    least = next((lines for from_height, lines in _EVENTS if height >= from_height), 0)
    least = max(min(least, _LEAST_EVENTS), least - remarks)
    rows = 1 + channels + remarks
    bars = _bars(height, heat[0])
    if rows + bars + least > height:
        bars = _bars(height, heat[1])
    room = max(0, height - bars - least)
    grouped = rows + points <= room
    table = min(room, rows + (points if grouped else 0))
    return Arrangement(table, bars, max(0, height - table - bars) if least else 0, grouped)


def _bars(height: int, lines: int) -> int:
    """Return the lines of the bars with their heading, 0 where they have no room."""
    bars = min(lines + 1, height // _MOST_HEAT_PART) if lines else 0
    return bars if bars >= 2 and height >= 10 else 0
