"""What a screen loads before its first picture: nobody waits for the engine of the prediction to see the meters."""

import subprocess
import sys

from benchmon.bench import load_bench
from benchmon.prediction import predict
from benchmon.session.encodings import stored
from benchmon.session.records import SettledPrediction
from benchmon_simulated.scenarios import scenario_named
from support.written_sessions import write_session

NOT_NEEDED = (
    "numpy",
    "scipy",
    "textual_plot",
    "pyvisa",
    "serial",
    "pymodbus",
    "httpx",
    "tomlkit",
    "paho",
    "matplotlib",
)

FIRST_PICTURE = """
import asyncio, pathlib, sys

for name in {not_needed}:
    sys.modules[name] = None  # whoever imports it fails

from benchmon.screen.app import BenchmonApp
from benchmon.screen.widgets.channel_table import ChannelTable
from benchmon.session.follower import open_session_view


async def show():
    app = BenchmonApp(open_session_view(pathlib.Path({path!r})))
    async with app.run_test(size=(80, 24)):
        for line in app.screen.query_one(ChannelTable).lines:
            print("".join(cell.text for cell in line))


asyncio.run(show())
"""


def test_the_first_picture_needs_neither_the_engine_nor_what_speaks_to_instruments(tmp_path):
    bench = load_bench(scenario_named("reservoir").path)
    expected = predict(bench)
    settled = SettledPrediction(2.0, stored(expected))
    path = write_session(tmp_path / "a.benchmon", bench, expected.quantities, 5, more=[settled])
    code = FIRST_PICTURE.format(not_needed=NOT_NEEDED, path=str(path))
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    shown = done.stdout.splitlines()
    for channel in bench.channel:
        if channel.quantity in expected.quantities:
            row = next(line for line in shown if line[3:].startswith(channel.name))
            assert "agrees" in row
