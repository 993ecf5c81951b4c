"""README names every command, every option, every key of the bench file and every quantity; its commands are CI's."""

import re
from pathlib import Path
from typing import get_args

import click
import pytest
from pydantic import BaseModel

from benchmon.bench import measurement, supply
from benchmon.bench.file import Bench
from benchmon.cli.main import commands
from benchmon.instruments.registry import driver_names, keys_of, load_driver
from benchmon.quantities import UNITS

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def models_of(annotation):
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from models_of(inner)


def keys():
    for section, field in Bench.model_fields.items():
        if section == "source":
            continue
        models = list(models_of(field.annotation))
        if not models:
            yield section
        for model in models:
            yield from model.model_fields


@pytest.mark.parametrize("key", sorted(set(keys())))
def test_every_key_of_the_bench_file_is_documented(key):
    assert f"`{key}`" in README or f"`{key} = " in README


def test_the_sections_are_all_there():
    for section in Bench.model_fields:
        if section not in ("title", "source"):
            assert f"[{section}]" in README
    assert len(set(keys())) > 60
    assert {supply.Mains, measurement.Channel} <= {
        m for f in Bench.model_fields.values() for m in models_of(f.annotation)
    }


@pytest.mark.parametrize("name", sorted(commands.commands))
def test_every_command_is_documented(name):
    assert f"`benchmon {name} " in README or f"`benchmon {name}`" in README


@pytest.mark.parametrize("name", sorted(commands.commands))
def test_every_option_is_documented(name):
    for option in commands.commands[name].params:
        if isinstance(option, click.Option) and option.name != "help":
            assert any(f"`{flag}" in README or f" {flag}" in README for flag in option.opts), option.opts


@pytest.mark.parametrize("quantity", sorted(UNITS))
def test_every_quantity_is_documented(quantity):
    point, _, what = quantity.partition(".")
    rows = [line for line in README.splitlines() if re.match(rf"\| [^|]*`{point}`[^|]* \|", line)]
    assert any(f"`{what}`" in row or f"`{quantity}`" in row for row in rows)


@pytest.mark.parametrize("driver", driver_names())
def test_every_key_of_every_driver_is_documented(driver):
    assert f"`{driver}`" in README
    found = load_driver(driver)
    models = [found.settings_model, found.channel_model, *([found.switch_model] if found.switch_model else [])]
    for key in {key for model in models for key in keys_of(model)}:
        assert f"`{key}`" in README, key


def test_every_path_that_readme_names_exists():
    for path in re.findall(r"`((?:simulated_instruments|tests|benchmon|drivers)/[\w./]+)`", README):
        assert (ROOT / path).exists(), path
