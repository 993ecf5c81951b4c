"""Drivers and ports: finds drivers by the entry-point group `benchmon.drivers`, makes those of a bench, lists ports.

Built-in drivers are found in the same way as those of other packages.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from importlib.metadata import EntryPoint, entry_points
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from benchmon.bench import Bench, Channel, Instrument, SwitchOff
from benchmon.bench.fields import KeyedError
from benchmon.bench.toml_lines import line_of
from benchmon.errors import BadInput, BenchFileError
from benchmon.instruments.driver import AnyDriver, Driver
from benchmon.instruments.types import DrivenChannel, Limits, Port
from benchmon.text import did_you_mean, one_line

GROUP = "benchmon.drivers"
M = TypeVar("M", bound=BaseModel)
Path = tuple[str | int, ...]
_OWNERS: dict[str | int, type[BaseModel]] = {"instrument": Instrument, "channel": Channel, "switch_off": SwitchOff}
"""The sections whose other keys are the driver's: a misspelt key may be one of theirs."""


def driver_names() -> list[str]:
    """Return the names of all installed drivers."""
    return sorted({entry.name for entry in entry_points(group=GROUP)})


def load_driver(name: str) -> type[AnyDriver]:
    """Return the driver called `name`. Raises `BadInput` if there is none or it cannot be loaded."""
    found = {entry.value: entry for entry in entry_points(group=GROUP, name=name)}
    if not found:
        raise BadInput(_not_installed(name, driver_names()))
    if len(found) > 1:
        raise BadInput(f"is offered by several packages ({', '.join(map(_package, found.values()))}); remove one")
    entry = next(iter(found.values()))
    try:
        driver = entry.load()
    except Exception as problem:
        why = f"{type(problem).__name__}: {problem}"
        raise BadInput(one_line(f"cannot be loaded from {_package(entry)} ({why}); reinstall it")) from problem
    if not (isinstance(driver, type) and issubclass(driver, Driver)):
        raise BadInput(f"from {_package(entry)} is no benchmon driver; tell its author")
    return driver


def _not_installed(name: str, installed: Sequence[str]) -> str:
    near = did_you_mean(name, installed)
    proposal = f"{near} Installed" if near else "installed"
    return f"no such driver is installed; {proposal} are {', '.join(installed) or 'none'}"


def keys_of(model: type[BaseModel]) -> list[str]:
    """Return the bench-file keys of `model`."""
    return [field.alias or name for name, field in model.model_fields.items()]


def prepare(bench: Bench, name: str = "") -> tuple[AnyDriver, ...]:
    """Return a driver for every instrument of `bench`, in its order, none of them opened.

    `name` is the file's name in errors, by default the file that the bench was read from. Raises `BenchFileError`,
    naming key, value, reason and line, where a driver is unknown or refuses a key.
    """
    name = name or bench.origin
    drivers = tuple(_prepare_one(bench, name, index) for index in range(len(bench.instrument)))
    if bench.switch_off is not None:
        index = next(n for n, driver in enumerate(drivers) if driver.name == bench.switch_off.instrument)
        _prepare_switch(bench, name, drivers[index])
    for index, sweep in enumerate(bench.sweep):
        if sweep.instrument is not None:
            _prepare_load(bench, name, index, next(one for one in drivers if one.name == sweep.instrument))
    return drivers


def _prepare_one(bench: Bench, name: str, index: int) -> AnyDriver:
    instrument = bench.instrument[index]
    here: Path = ("instrument", index)
    try:
        driver = load_driver(instrument.driver)
    except BadInput as problem:
        raise _refusal(bench, name, (*here, "driver"), instrument.driver, str(problem)) from problem
    keys = {"address": instrument.address, **instrument.driver_keys}
    settings = _read(bench, name, here, driver.settings_model, keys)
    channels = [
        DrivenChannel(
            channel.name,
            channel.unit,
            channel.period,
            channel.scale,
            keys,
            _limits(channel),
            channel.quantity,
            channel.zero,
            channel.gain,
        )
        for position, channel in enumerate(bench.channel)
        if channel.instrument == instrument.name
        for keys in [_read(bench, name, ("channel", position), driver.channel_model, channel.driver_keys)]
    ]
    try:
        return driver(instrument.name, settings, channels)
    except KeyedError as problem:
        raise _refusal(bench, name, (*here, problem.key), problem.value, problem.reason) from problem
    except BadInput as problem:
        raise _refusal(bench, name, here, None, str(problem)) from problem
    except Exception as problem:
        why = f"its driver failed ({type(problem).__name__}: {problem}); report this to its author"
        raise _refusal(bench, name, here, None, why) from problem


def _prepare_switch(bench: Bench, name: str, driver: AnyDriver) -> None:
    """Give `driver` the keys of [switch_off]. Raises `BenchFileError` where it cannot use them."""
    section = bench.switch_off
    if section is None:
        return
    here: Path = ("switch_off",)
    model = driver.switch_model
    if model is None:
        why = "its driver cannot switch the power off; name an instrument whose driver can"
        raise _refusal(bench, name, (*here, "instrument"), section.instrument, why)
    how = _read(bench, name, here, model, section.driver_keys)
    try:
        driver.configure_switch(how)
    except KeyedError as problem:
        raise _refusal(bench, name, (*here, problem.key), problem.value, problem.reason) from problem
    except BadInput as problem:
        raise _refusal(bench, name, here, None, str(problem)) from problem


def _prepare_load(bench: Bench, name: str, index: int, driver: AnyDriver) -> None:
    """Give `driver` the keys by which a sweep sets its load. Raises `BenchFileError` where it cannot use them."""
    sweep = bench.sweep[index]
    here: Path = ("sweep", index)
    model = driver.load_model
    if model is None:
        why = "its driver can set no load; name an instrument whose driver can, or let a person set it"
        raise _refusal(bench, name, (*here, "instrument"), sweep.instrument, why)
    how = _read(bench, name, here, model, {"set": sweep.set, "off": sweep.off})
    try:
        driver.configure_load(sweep.name, how)
    except KeyedError as problem:
        raise _refusal(bench, name, (*here, problem.key), problem.value, problem.reason) from problem


def _limits(channel: Channel) -> Limits:
    below, above = (channel.trip_below, channel.warn_below), (channel.warn_above, channel.trip_above)
    return Limits(*(tuple(limit for limit in side if limit is not None) for side in (below, above)))


def _read(bench: Bench, name: str, here: Path, model: type[M], keys: dict[str, Any]) -> M:
    try:
        return model.model_validate(keys)
    except ValidationError as problem:
        # A misspelt key usually causes a missing one as well: report the misspelling.
        first = min(problem.errors(), key=lambda error: error["type"] != "extra_forbidden")
        cause = first.get("ctx", {}).get("error")
        path, value = first["loc"], first["input"]
        if isinstance(cause, KeyedError):
            path, value = (*path, cause.key), cause.value
        if first["type"] == "missing" or not path:
            value = None
        known = [*keys_of(model), *keys_of(_OWNERS[here[0]])] if here[0] in _OWNERS and len(path) == 1 else []
        near = did_you_mean(str(path[-1]), known) if first["type"] == "extra_forbidden" else ""
        near = f"; {near}" if near else ""
        raise _refusal(
            bench, name, (*here, *path), value, _reason(model, first["type"], cause, first["msg"]) + near
        ) from problem


def _reason(model: type[BaseModel], kind: str, cause: object, message: str) -> str:
    if kind == "extra_forbidden":
        return f"its driver takes no such key; it takes {', '.join(sorted(keys_of(model))) or 'none'}"
    if kind == "missing":
        return "is missing; its driver needs it"
    if kind in ("too_short", "string_too_short"):
        return "must not be empty"
    return str(cause) if isinstance(cause, BadInput) else message


def _refusal(bench: Bench, name: str, path: Sequence[str | int], value: object, reason: str) -> BenchFileError:
    line = line_of(bench.source, path)
    where = f"{name}:{line}" if line else name
    spelled = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".")
    shown = "" if value is None else f' = "{value}"' if isinstance(value, str) else f" = {value}"
    return BenchFileError(one_line(f"{where}: {spelled}{shown}: {reason}", 400))


def _package(entry: EntryPoint) -> str:
    return entry.dist.name if entry.dist is not None else entry.value


def find_ports(timeout: float = 5.0, *, ask_serial: bool = False) -> list[Port]:
    """Return the ports that the installed drivers find within `timeout` seconds, sorted by driver and address.

    All drivers search at the same time; of one that has not finished in time, the ports found so far are returned.
    Nothing is sent to serial ports unless `ask_serial`: a query may disturb the connected device.
    """
    found: dict[tuple[str, str], Port] = {}
    threads = [
        threading.Thread(target=_search, args=(name, found, timeout, ask_serial), name=f"ports of {name}", daemon=True)
        for name in driver_names()
    ]
    for thread in threads:
        thread.start()
    deadline = time.monotonic() + timeout
    for thread in threads:
        thread.join(max(0.0, deadline - time.monotonic()))
    return sorted(found.copy().values(), key=lambda port: (port.driver, port.address))


def _search(name: str, found: dict[tuple[str, str], Port], timeout: float, ask_serial: bool) -> None:
    def report(port: Port) -> None:
        found[name, port.address] = port

    try:
        driver: type[AnyDriver] = load_driver(name)
        driver.discover(report, timeout, ask_serial)
    except BadInput as problem:
        report(Port(name, "", problem=str(problem)))
    except Exception as problem:  # noqa: BLE001  one driver's fault must not hide the ports of the others
        report(Port(name, "", problem=one_line(f"could not look for ports: {problem}")))
