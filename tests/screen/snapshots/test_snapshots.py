"""Every view as it was looked at and found good: each character and its style, at three sizes, with colour and without.

Characters stand once a size (`80x24.txt`), how they look in files apart (`80x24-colour-styles.txt`), by line, so that a
change of styles touches no text. Where a view was changed on purpose, look at the difference and renew:

    BENCHMON_RENEW_SNAPSHOTS=1 python -m pytest tests/screen/snapshots

These are taken from Textual's rendering; a terminal that gets only what differs has to show the same.
"""

from __future__ import annotations

import difflib
import os
import string
from pathlib import Path

import pyte
import pytest
from rich.console import Console
from textual.widgets import Input

from benchmon.screen.terminal.cell_diff import DiffWriter, TerminalCells
from support.still_moment import LOOKS

FOLDER = Path(__file__).parent
SIZES = [(80, 24), (120, 36), (200, 60)]
SIGNS = string.ascii_letters + string.digits
MOST_LINES_TOLD = 60


def styled_lines(app, styles):
    """Return what the terminal would show: a line of text, and below it, where it is not plain, a sign a style."""
    update = app.screen._compositor.render_update(full=True, screen_stack=app._background_screens)
    for line in update.strips:
        text, signs = "", ""
        for segment in (segment for strip in line for segment in strip):
            text += segment.text
            style = str(segment.style or "").replace(" on default", "").replace("default", "").strip()
            plain = not style or style in ("none", "not bold")
            signs += (" " if plain else styles.setdefault(style, SIGNS[len(styles)])) * segment.cell_length
        yield f"|{text.rstrip()}"
        if signs.strip():
            yield f":{signs.rstrip()}"


async def until_seen(app, pilot, read_screen, words):
    for _ in range(200):
        app.follow()
        await pilot.pause(0.02)
        for line in app.screen.query(Input):
            line.cursor_blink = False
        if any(words in line for line in read_screen(app)):
            return
    raise AssertionError(f"{words!r} never came:\n" + "\n".join(read_screen(app)))


async def until_found_good(app, pilot, styles, good):
    """Look until the view is as it was found good; where it never is, until nothing changes any more."""
    before, same = [], 0
    while same < 20:
        app.follow()
        now = list(styled_lines(app, dict(styles)))
        if now == good:
            break
        same = same + 1 if now == before else 0
        before = now
        # Threads and layout may come a little later.
        await pilot.pause(0.05)
    return list(styled_lines(app, styles))


class Twins:
    """Two terminals in memory: one gets all that Textual writes, the other only what differs from what it shows."""

    def __init__(self, columns, lines):
        self._whole, self._lean = pyte.Screen(columns, lines), pyte.Screen(columns, lines)
        self._wanted, self._writer = TerminalCells(), DiffWriter(columns, lines)

    def write(self, frame):
        pyte.Stream(self._whole).feed(frame.replace("\n", "\r\n"))
        self._wanted.feed(frame)
        pyte.Stream(self._lean).feed(self._writer.update(self._wanted))

    def assert_the_same(self, look):
        for y in range(self._whole.lines):
            whole, lean = self._whole.buffer[y], self._lean.buffer[y]
            for x in range(self._whole.columns):
                assert lean[x] == whole[x], f"{look.name}, line {y}, column {x}"


async def taken(app, looks, size, read_screen, good):
    """Return characters and styles of all views of one size; what is sent has to show each as Textual renders it."""
    styles, characters, looked, twins = {}, [], [], Twins(*size)
    async with app.run_test(size=size) as pilot:
        for look in looks:
            await pilot.press(*look.keys)
            await until_seen(app, pilot, read_screen, look.words)
            lines = await until_found_good(app, pilot, styles, good.get(look.name))
            update = app.screen._compositor.render_update(full=True, screen_stack=app._background_screens)
            twins.write(update.render_segments(Console(color_system="truecolor", force_terminal=True)))
            twins.assert_the_same(look)
            texts, signs = apart(lines)
            characters += [f"= {look.name}", *texts, ""]
            looked += [f"= {look.name}", *signs, ""]
            await pilot.press(*look.back)
            await pilot.pause()
            assert len(app.screen_stack) == 1, f"{look.back} lead back from {look.name}"
    legend = [f"{sign} is {style}" for style, sign in styles.items()]
    return "\n".join(characters), "\n".join(["= styles", *legend, "", *looked])


def apart(lines):
    """Return the lines of characters, and the lines of signs with the number of the line they belong to."""
    texts, signs = [], []
    for line in lines:
        if line.startswith("|"):
            texts.append(line)
        else:
            signs.append(f"{len(texts)}{line}")
    return texts, signs


def together(texts, signs):
    """Return characters and signs line by line, as `apart` was given them."""
    by_line = dict(line.split(":", 1) for line in signs)
    for number, text in enumerate(texts, 1):
        yield text
        if str(number) in by_line:
            yield f":{by_line[str(number)]}"


def looks_in(text):
    """Return the lines of each look that a file holds, by its name."""
    found = {}
    for part in ("\n" + text).split("\n= ")[1:]:
        name, *lines = part.split("\n")
        found[name] = lines[: lines.index("")] if "" in lines else lines
    return found


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
async def test_every_view_is_as_it_was_found_good(size, colour, still_app, read_screen):
    name = f"{size[0]}x{size[1]}"
    files = FOLDER / f"{name}.txt", FOLDER / f"{name}-{colour}-styles.txt"
    then = [file.read_text(encoding="utf-8") if file.exists() else "" for file in files]
    texts, signs = (looks_in(text) for text in then)
    good = {look: list(together(texts[look], signs.get(look, []))) for look in texts}
    now = await taken(still_app, LOOKS, size, read_screen, good)
    if os.environ.get("BENCHMON_RENEW_SNAPSHOTS"):
        for file, text in zip(files, now, strict=True):
            file.write_text(text, encoding="utf-8")
        pytest.skip(f"{name}, {colour}, renewed")
    for what, before, after in zip(("characters", "styles"), then, now, strict=True):
        difference = list(
            difflib.unified_diff(before.split("\n"), after.split("\n"), "found good", "now", lineterm="", n=2)
        )
        assert not difference, "\n".join([what, *difference[:MOST_LINES_TOLD], "", __doc__ or ""])
