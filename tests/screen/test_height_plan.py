"""How width and height are shared, for every size a terminal can have."""

from __future__ import annotations

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmon.screen.lines.channel_row import column_titles, plan_columns
from benchmon.screen.session_state import SessionState
from benchmon.screen.symbols import UNICODE
from benchmon.screen.views.main import share_height
from benchmon.screen.widgets.channel_table import TableWindow


@given(st.integers(0, 400), st.integers(0, 60), st.integers(0, 10), st.integers(0, 30), st.integers(0, 8))
def test_the_parts_fill_the_height_and_never_more(height, channels, points, heat, annotations):
    annotations = min(annotations, channels)
    parts = share_height(height, channels, min(points, channels), (heat, (heat + 1) // 2), annotations)
    assert min(parts.table, parts.heat, parts.events) >= 0
    assert parts.table + parts.heat + parts.events <= height
    assert parts.table >= min(2 if channels else 1, height), "a row is in sight wherever anything is"
    if height >= 16:
        assert parts.events >= (2 if annotations else 4)
    if height >= 21 and channels <= 12 and heat <= 4:
        assert parts.table > channels + min(annotations, 2)
    if parts.grouped:
        assert parts.table == 1 + channels + min(points, channels) + annotations


@given(st.integers(1, 400), st.integers(0, 40), st.integers(0, 3))
def test_columns_keep_within_the_width(width, longest, unit):
    columns = plan_columns(width, longest, unit)
    if width >= 34:
        assert columns.total <= width
    titles = column_titles(columns, UNICODE)
    for title, block in zip(titles[:-1], columns.block_widths[:-1], strict=True):
        assert sum(cell.width for cell in title) == block
    wider = plan_columns(width + 1, longest, unit)
    kept = [part for part in ("expected", "difference", "band", "trend") if getattr(columns, part)]
    assert all(getattr(wider, part) for part in kept), "more room never takes a column away"


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.sampled_from([-1_000_000, -10, -1, 1, 10, 1_000_000]), max_size=12), st.integers(0, 30))
def test_the_cursor_is_always_in_sight(make_view, moves, height):
    rows = TableWindow(SessionState(make_view().info))
    for grouped in (False, True):
        rows.grouped = grouped
        for move in [0, *moves]:
            rows.move(move)
            window = rows.window(height)
            names = [entry.channel.name for entry, _ in window.entries if not isinstance(entry, str)]
            assert len(window.entries) + window.needs_foot <= max(height, 1)
            assert window.above + len(window.entries) + window.below == 12 + 7 * grouped
            if height > 1:
                assert rows.chosen in names
