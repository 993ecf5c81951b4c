"""The manual and the keys in a terminal and in a pipe, and what an unknown name is answered."""

import errno
import os
import re
import subprocess
import sys

import pytest

from benchmon.cli.keys import bench_sections, sections_as_text, sections_named
from benchmon.cli.manual import page_names, page_text
from support.commands import run_command

ESCAPE = "\x1b["


def in_a_terminal(*arguments, **variables):
    """Return what a command writes to a terminal, whose pager writes all at once."""
    mine, theirs = os.openpty()
    environment = {**os.environ, "TERM": "xterm-256color", "PAGER": "cat", "COLUMNS": "80", **variables}
    with subprocess.Popen(
        [sys.executable, "-m", "benchmon", *arguments], stdin=theirs, stdout=theirs, stderr=theirs, env=environment
    ) as process:
        os.close(theirs)
        written = b""
        try:
            while data := os.read(mine, 65536):
                written += data
        except OSError as problem:
            # Linux answers so where the other side of a pseudo-terminal is closed.
            if problem.errno != errno.EIO:
                raise
        os.close(mine)
        assert process.wait(60) == 0
    return written.decode()


def plain(text):
    return re.sub(r"\x1b\[[0-9;]*m", "", text)


def test_without_a_topic_the_pages_are_listed_with_a_line_each():
    done = run_command("manual")
    assert done.returncode == 0
    rows = [line.split(None, 1) for line in done.stdout.splitlines() if line.startswith("  ")]
    assert [name for name, _ in rows] == page_names()
    assert all(about.endswith(".") for _, about in rows)


def test_in_a_pipe_a_page_is_its_markdown():
    done = run_command("manual", "plan")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == page_text("plan")
    assert done.stdout.startswith("# ")


def test_in_a_terminal_a_page_is_formatted():
    shown = in_a_terminal("manual", "safety")
    assert ESCAPE in shown
    assert "**" not in shown
    assert "Mains voltage kills." in plain(shown)
    assert max(len(line) for line in plain(shown).splitlines()) <= 80


def test_no_colour_is_shown_where_none_is_wanted():
    shown = in_a_terminal("manual", "safety", NO_COLOR="1")
    assert not re.search(r"\x1b\[[0-9;]*3[0-7]", shown)


@pytest.mark.parametrize("topic", ["Serial_Lines", "serial lines", "serial-lines.md"])
def test_a_page_is_found_however_its_name_is_spelled(topic):
    assert page_text(topic) == page_text("serial-lines")


@pytest.mark.parametrize(
    ("topic", "proposal"),
    [("plam", "did you mean plan?"), ("csv_tail", "files"), ("report", "afterwards"), ("zzz", "lists the pages")],
)
def test_an_unknown_topic_is_one_line_that_proposes_a_page(topic, proposal):
    done = run_command("manual", topic)
    assert (done.returncode, done.stdout) == (2, "")
    assert proposal in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_all_keys_are_printed_in_a_pipe_without_codes():
    done = run_command("keys")
    assert (done.returncode, done.stderr) == (0, "")
    assert ESCAPE not in done.stdout
    assert re.search(r"^  voltage +V +required$", done.stdout, re.MULTILINE)
    assert re.search(r"^  register +integer +required$", done.stdout, re.MULTILINE)
    for heading in ("[mains]", "[[channel]]", '[[instrument]] with driver = "scpi"', '[load] with kind = "open"'):
        assert f"\n{heading}\n" in done.stdout


def test_a_section_is_printed_alone():
    done = run_command("keys", "ambient")
    assert done.stdout.startswith("[ambient]\n")
    assert re.search(r"^  temperature +°C +25$", done.stdout, re.MULTILINE)
    assert "[mains]" not in done.stdout


@pytest.mark.parametrize(
    ("asked", "headings"),
    [
        ("[[filter]]", [f'[[filter]] with kind = "{kind}"' for kind in ("capacitor", "resistor", "choke")]),
        (
            "serial_lines",
            [f'{part} with driver = "serial_lines"' for part in ("[[instrument]]", "[[channel]]", "[switch_off]")],
        ),
        ("waves", ['[instrument.waves] with driver = "scpi"']),
        ("title", ["top of the file"]),
    ],
)
def test_a_name_may_stand_for_several_sections(asked, headings):
    assert [section.heading for section in sections_named(asked)] == headings


@pytest.mark.parametrize(
    ("section", "proposal"),
    [
        ("transfomer", "did you mean transformer?"),
        ("baud", "is a key and no section; it stands in modbus"),
        ("zzz", "mains"),
    ],
)
def test_an_unknown_section_is_one_line_that_proposes_one(section, proposal):
    done = run_command("keys", section)
    assert (done.returncode, done.stdout) == (2, "")
    assert proposal in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_keys_are_wrapped_to_the_terminal():
    text = sections_as_text(bench_sections(), 60)
    assert max(len(line) for line in text.splitlines() if line.startswith("      ")) <= 60


def test_choices_are_named():
    (fuse,) = sections_named("fuse")
    speed = next(key for key in fuse.keys if key.name == "speed")
    assert speed.meaning.endswith('One of "fast", "time-lag".')


def test_a_link_names_its_command_and_a_picture_is_left_out_in_a_terminal():
    shown = plain(in_a_terminal("manual", "screen", COLUMNS="200"))
    assert "plan (benchmon manual plan)" in shown
    assert ".svg" not in plain(in_a_terminal("manual", "plan"))
