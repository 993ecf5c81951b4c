"""The conversation of `benchmon new`, from the first question to the bench file."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from benchmon.atomic_file import check_may_write, whole_file
from benchmon.bench import read_bench
from benchmon.cli.new_bench import questions
from benchmon.cli.new_bench.bench_text import TextSection, bench_text
from benchmon.cli.new_bench.prompts import say, title
from benchmon.errors import BenchFileError
from benchmon.instruments.connection_test import Tried, try_instruments
from benchmon.instruments.registry import prepare
from benchmon.instruments.templates import TEMPLATES
from benchmon.instruments.types import Port

_HEADER = (
    "# A bench for benchmon: the supply under test, the instruments that measure it, and the plan of the test.\n"
    "# Values carry their units. What is left out is absent, or usual within a wide allowance.\n"
    "# `benchmon keys` lists every key. `benchmon check` checks it before power; look at the bench all the same."
)


def make_bench(path: Path, find: Callable[[], Sequence[Port]], *, force: bool = False) -> str:
    """Ask for a bench, write it to `path`, and return what to do next.

    `find` looks for instruments. Raises `BadInput` before the first question where the file may not be written, and
    `BenchFileError` where the answers do not fit together; nothing is written then.
    """
    check_may_write(path, force=force)
    say("Enter takes the answer in brackets, Ctrl-C stops and writes nothing.")
    text = _ask(find)
    prepare(read_bench(text, str(path)), str(path))
    with whole_file(path, force=force) as part:
        part.write_text(text, encoding="utf-8")
    return f"{path} is written. Next: benchmon check {path}, then benchmon run {path}"


def _ask(find: Callable[[], Sequence[Port]]) -> str:
    name = TextSection("")
    name.add("title", questions.ask_title())
    mains, rectifier = questions.ask_mains(), questions.ask_rectifier()
    transformer = questions.ask_transformer(mains, rectifier.value("kind"))
    fuse = questions.ask_fuse(transformer)
    parts = [mains, transformer, *([fuse] if fuse else []), rectifier, questions.ask_diode(), *questions.ask_filter()]
    load = questions.ask_load()
    parts += [load, questions.ask_ambient()]

    def whole(instruments: Sequence[TextSection], channels: Sequence[TextSection], plan: Sequence[TextSection]) -> str:
        blocks: list[tuple[str, Sequence[TextSection]]] = [("", [name]), ("The supply under test", parts)]
        blocks += [("Instruments and channels", [*instruments, *channels])] if instruments else []
        return f"{_HEADER}\n\n{bench_text([*blocks, *([('The plan', plan)] if plan else [])])}"

    def fits(instruments: Sequence[TextSection], channels: Sequence[TextSection]) -> str:
        try:
            prepare(read_bench(whole(instruments, channels, []), "line"))
        except BenchFileError as problem:
            return str(problem)
        return ""

    def read(instruments: Sequence[TextSection], channels: Sequence[TextSection]) -> Sequence[Tried]:
        bench = read_bench(whole(instruments, channels, []), "line")
        return try_instruments(bench, prepare(bench)[-1:])

    title("Looking for instruments")
    say("Nothing is sent to serial ports; this takes a few seconds.")
    instruments, channels = questions.ask_instruments(find(), TEMPLATES, fits, read)
    return whole(instruments, channels, questions.ask_plan(mains.value("voltage"), channels, load.value("resistance")))
