"""Takes the pictures that README and the manual show, from the screen on a demo that runs: a minute and a half.

    python tests/documents/renew_pictures.py [FOLDER] [--light]

They are SVG that fetches nothing. Look at them before they are committed. `--light` takes them on a light terminal.
"""

from __future__ import annotations

import asyncio
import io
import os
import re
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path

from rich.console import Console
from rich.terminal_theme import DEFAULT_TERMINAL_THEME, SVG_EXPORT_THEME

from benchmon.errors import BenchmonError
from benchmon.screen.app import BenchmonApp
from benchmon.session.follower import open_session_view
from benchmon.session.records import RECENT_SECONDS

SIZE = (96, 28)
FOLDER = Path(__file__).parents[2] / "simulated_instruments" / "benchmon_simulated" / "pictures"
PATIENCE = 90.0
FETCHED = re.compile(r"@font-face \{.*?\}", re.DOTALL)


def picture(app: BenchmonApp, *, light: bool) -> str:
    """Return what the screen shows now as SVG, in fonts that every machine has."""
    console = Console(width=SIZE[0], height=SIZE[1], file=io.StringIO(), force_terminal=True, record=True)
    console.print(app.screen._compositor.render_update(full=True, screen_stack=app._background_screens))
    theme = DEFAULT_TERMINAL_THEME if light else SVG_EXPORT_THEME
    return FETCHED.sub("", console.export_svg(title="benchmon demo", theme=theme)).replace("Fira Code", "monospace")


@contextmanager
def demo(*faults: str):
    """Give a view of a demo that runs without a screen."""
    with tempfile.TemporaryDirectory() as folder:
        session = Path(folder) / "demo.benchmon"
        command = [sys.executable, "-m", "benchmon", "demo", "--headless", "--session", str(session), *faults]
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        try:
            while True:
                try:
                    yield open_session_view(session, recent=RECENT_SECONDS)
                    return
                except BenchmonError:
                    assert process.poll() is None
                    time.sleep(0.1)
        finally:
            process.terminate()
            process.wait(60)


def screen_text(app: BenchmonApp) -> str:
    update = app.screen._compositor.render_update(full=True, screen_stack=app._background_screens)
    return "\n".join("".join(segment.text for strip in line for segment in strip) for line in update.strips)


async def seen(app: BenchmonApp, pilot, words: str) -> None:
    """Wait until the screen shows `words`, an expression."""
    end = time.monotonic() + PATIENCE
    while not re.search(words, screen_text(app)):
        assert time.monotonic() < end, screen_text(app)
        await pilot.pause(0.1)
    await pilot.pause(0.5)


async def of_the_walk(folder: Path, *, light: bool) -> None:
    """Begin the plan, confirm its first step, look at figures and at a trend."""
    with demo() as view:
        app = BenchmonApp(view)
        async with app.run_test(size=SIZE) as pilot:
            await seen(app, pilot, "As expected")
            await pilot.press("p", "enter")
            await seen(app, pilot, "nothing: Enter confirms")
            await pilot.press("enter")
            await seen(app, pilot, "anything to note")
            await pilot.press(*"no hum", "enter")
            await seen(app, pilot, "1:2[0-9] left")
            (folder / "plan.svg").write_text(picture(app, light=light), encoding="utf-8")
            await pilot.press("escape", "down", "down", "down", "down", "n")
            await seen(app, pilot, "what do you see")
            await pilot.press(*"warm smell", "enter")
            for name in ("output", "diode case"):
                app.state.mark(name)
            await pilot.press("b")
            await seen(app, pilot, "█")
            (folder / "large-figures.svg").write_text(picture(app, light=light), encoding="utf-8")
            await pilot.press("escape", "home")
            while app.chosen != "diode current":
                await pilot.press("down")
            await pilot.press("t", "plus", "plus")
            await seen(app, pilot, "░")
            (folder / "trend.svg").write_text(picture(app, light=light), encoding="utf-8")


async def of_a_fault(folder: Path, *, light: bool) -> None:
    """Wait until an open diode is named."""
    with demo("--fault", "open-diode@12s") as view:
        app = BenchmonApp(view)
        async with app.run_test(size=SIZE) as pilot:
            # At first another cause may be named; row and first line agree once all readings are from after the fault.
            await seen(app, pilot, r"likely a diode is\s+open")
            await pilot.pause(3.0)
            (folder / "open-diode.svg").write_text(picture(app, light=light), encoding="utf-8")


if __name__ == "__main__":
    named = [Path(given) for given in sys.argv[1:] if not given.startswith("--")]
    os.environ["BENCHMON_COLOURS"] = "light" if "--light" in sys.argv else "dark"
    asyncio.run(of_the_walk(*(named or [FOLDER]), light="--light" in sys.argv))
    asyncio.run(of_a_fault(*(named or [FOLDER]), light="--light" in sys.argv))
