"""How long a batch of a thousand sessions takes, from the files to the page.

    python tests/benchmarks/batch_figures.py [COUNT]

The sessions are of an invented supply with twelve channels, two minutes long; twenty are written, the others are copies
under other serial numbers, with every reading moved.
"""

from __future__ import annotations

import resource
import shutil
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmon.batch import batch_document, read_batch
from benchmon.bench import read_bench
from benchmon.prediction import predict
from benchmon.report.sections.report import write_document
from support.written_sessions import text_of, write_session

SECONDS, WRITTEN, ALLOWED = 120, 20, 10.0


def write(folder: Path, count: int) -> list[Path]:
    """Write `count` sessions into a folder."""
    bench = read_bench(text_of("reservoir"))
    expected = predict(bench, mains_voltage=230.0).quantities
    random = np.random.default_rng(1)
    paths: list[Path] = []
    for number in range(count):
        path = folder / f"{number:05}.benchmon"
        if number < WRITTEN:
            write_session(path, bench, expected, SECONDS)
        else:
            shutil.copyfile(paths[number % WRITTEN], path)
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("INSERT OR REPLACE INTO facts VALUES ('serial', ?)", (f"A-{number:05}",))
            connection.execute("UPDATE readings SET value = value * ?", (1.0 + 0.01 * random.standard_normal(),))
        paths.append(path)
    return paths


def main() -> int:
    """Measure, print, and leave with 1 where it takes longer than promised."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    with tempfile.TemporaryDirectory() as folder:
        paths = write(Path(folder), count)
        began, spent = time.perf_counter(), time.process_time()
        found = read_batch(paths)
        write_document(lambda _: batch_document(found), Path(folder) / "batch.html")
        seconds, processor = time.perf_counter() - began, time.process_time() - spent
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    allowed = ALLOWED * count / 1000
    cost = f"{seconds:.1f} s, {processor:.1f} s of processor (promised {allowed:g})"
    print(f"a batch of {count} sessions: {cost}; {memory:.0f} MB")
    return int(processor > allowed)


if __name__ == "__main__":
    sys.exit(main())
