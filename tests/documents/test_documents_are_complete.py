"""README, the manual and `benchmon keys` describe every command, option, key and quantity; their links hold."""

import re
from pathlib import Path
from typing import get_args

import click
import pytest
from pydantic import BaseModel

from benchmon.bench import measurement, read_bench, supply
from benchmon.bench.file import Bench
from benchmon.cli.keys import bench_sections, driver_sections
from benchmon.cli.main import commands
from benchmon.cli.manual import page_names, page_text
from benchmon.instruments.registry import driver_names, keys_of, load_driver, prepare
from benchmon.quantities import UNITS, at_first_output

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = {name: page_text(name) for name in page_names()}
ALL = "\n".join([README, *PAGES.values()])
DOCUMENTS = {"README.md": README} | {f"benchmon/manual/{name}.md": text for name, text in PAGES.items()}
BLOCKS = re.compile(r"^```toml\n(.*?)^```$", re.DOTALL | re.MULTILINE)
EXAMPLE = BLOCKS.search(PAGES["bench-file"])[1]


def models_of(annotation):
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from models_of(inner)


def keys_of_the_bench_file():
    for section, field in Bench.model_fields.items():
        if section == "source":
            continue
        models = list(models_of(field.annotation))
        if not models:
            yield section, section
        for model in models:
            yield from ((section, key) for key in model.model_fields)


def printed(sections):
    return {(name, key.name): key for section in sections for name in section.names for key in section.keys}


IN_THE_BENCH_FILE = printed(bench_sections())
IN_DRIVERS = printed(driver_sections())


@pytest.mark.parametrize(("section", "key"), sorted(set(keys_of_the_bench_file())))
def test_every_key_of_the_bench_file_has_a_meaning(section, key):
    found = IN_THE_BENCH_FILE[section, key]
    assert len(found.meaning) > 5
    assert found.meaning.endswith(".")
    assert found.value
    assert found.default


def test_the_bench_file_page_lists_every_section():
    for section in Bench.model_fields:
        if section not in ("title", "source"):
            assert f"`[{section}]`" in PAGES["bench-file"] or f"`[[{section}]]`" in PAGES["bench-file"]
    assert len(set(keys_of_the_bench_file())) > 60
    assert {supply.Mains, measurement.Channel} <= {
        m for f in Bench.model_fields.values() for m in models_of(f.annotation)
    }


@pytest.mark.parametrize("driver", driver_names())
def test_every_key_of_every_driver_has_a_meaning(driver):
    assert f"`{driver}`" in PAGES["instruments"]
    found = load_driver(driver)
    models = [found.settings_model, found.channel_model, *([found.switch_model] if found.switch_model else [])]
    models += [
        inner for model in models for field in model.model_fields.values() for inner in models_of(field.annotation)
    ]
    for key in {key for model in models for key in keys_of(model)}:
        assert IN_DRIVERS[driver, key].meaning.endswith("."), key


@pytest.mark.parametrize("driver", driver_names())
def test_every_key_of_a_driver_s_own_is_explained_in_the_manual(driver):
    found = load_driver(driver)
    models = [found.settings_model, found.channel_model, *([found.switch_model] if found.switch_model else [])]
    for key in {key for model in models for key in keys_of(model)} - {"address"}:
        assert f"`{key}`" in ALL, key


@pytest.mark.parametrize("name", sorted(commands.commands))
def test_readme_lists_every_command(name):
    assert re.search(rf"^\| `benchmon {name}[ `]", README, re.MULTILINE)


@pytest.mark.parametrize("name", sorted(commands.commands))
def test_every_option_is_described(name):
    for option in commands.commands[name].params:
        if isinstance(option, click.Option) and option.name != "help":
            assert any(f"`{flag}" in ALL or f" {flag}" in ALL for flag in option.opts), option.opts


@pytest.mark.parametrize("quantity", sorted(UNITS))
def test_every_quantity_is_described(quantity):
    first, point = at_first_output(quantity), quantity.partition(".")[0]
    rows = [line for line in PAGES["bench-file"].splitlines() if re.match(rf"\| [^|]*`{point}`[^|]* \|", line)]
    if first != quantity:
        assert any("of the second of two outputs" in row for row in rows)
        return
    what = quantity.partition(".")[2]
    assert any(f"`{what}`" in row or f"`{quantity}`" in row for row in rows)


def test_every_variable_of_the_environment_is_described():
    code = "".join(path.read_text(encoding="utf-8") for path in sorted((ROOT / "benchmon").rglob("*.py")))
    names = set(re.findall(r'"(BENCHMON_[A-Z_]+)"', code))
    assert len(names) > 5
    assert [name for name in sorted(names) if f"`{name}" not in ALL] == []


def test_readme_takes_five_minutes():
    assert len(README.splitlines()) <= 150


def test_readme_leads_to_every_page():
    assert [name for name in PAGES if f"(benchmon/manual/{name}.md)" not in README] == []


@pytest.mark.parametrize("document", sorted(DOCUMENTS))
def test_every_link_and_path_leads_somewhere(document):
    folder = (ROOT / document).parent
    for target in re.findall(r"\]\(([^)\s]+)\)", DOCUMENTS[document]):
        assert not target.startswith(("http://", "https://")), "the manual is there without a network"
        assert (folder / target.partition("#")[0]).exists(), target
    for path in re.findall(r"`((?:simulated_instruments|tests|benchmon|drivers)/[\w./]+)`", DOCUMENTS[document]):
        assert (ROOT / path).exists(), path


def test_the_example_of_a_bench_file_can_be_driven():
    assert prepare(read_bench(EXAMPLE))


@pytest.mark.parametrize("page", sorted(name for name in PAGES if name != "bench-file" and BLOCKS.search(PAGES[name])))
def test_what_a_page_adds_to_a_bench_file_can_be_driven(page):
    bench = read_bench("\n".join([EXAMPLE, *BLOCKS.findall(PAGES[page])]))
    assert prepare(bench)


@pytest.mark.parametrize("name", page_names())
def test_a_page_begins_with_a_title_and_a_sentence_that_says_what_it_is_about(name):
    title, sentence, _ = PAGES[name].split("\n\n", 2)
    assert re.fullmatch(r"# .+", title)
    assert re.fullmatch(r"[^#|\n].*\.", sentence)
    assert len(sentence) <= 130
