"""The messages of a simulated meter on a network: a number, a line after a pattern, or an object in JSON."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from benchmon.bench import Bench, Channel, Instrument
from benchmon.errors import BadInput
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.driver_settings import Scaling, channels_of, keys_of
from benchmon_simulated.servers.text_server import line_format
from benchmon_simulated.supply.supply import Snapshot, SupplyUnderTest

SHORTEST_PERIOD = 0.1
_OVERLOAD = "OL"
_STEP = re.compile(r"\.(?P<name>\w+)|\[(?:'(?P<quoted>[^']*)'|\"(?P<double>[^\"]*)\"|(?P<index>\d{1,3}))\]")


class SimulatedMessage:
    """One kind of message, with the present values of its channels.

    Raises `BadInput` where the channels do not fit into one message, or its pattern cannot be simulated.
    """

    def __init__(self, channels: Sequence[Channel], meters: Sequence[Meter], overload: str) -> None:
        self.meters, self._overload = meters, overload
        self._scales = [Scaling.from_keys(channel) for channel in channels]
        paths = [keys_of(channel).text("json") for channel in channels]
        self._places = [_steps(channel, path) for channel, path in zip(channels, paths, strict=True) if path]
        if self._places and len(self._places) < len(channels):
            raise BadInput(f"channel {channels[0].name!r}: its message is JSON for some channels only")
        if not self._places and len(channels) > 1:
            raise BadInput(
                f"channel {channels[1].name!r}: its message belongs to {channels[0].name!r}; give it its own"
            )
        pattern = keys_of(channels[0]).text("pattern") if channels else ""
        try:
            self._format = line_format(pattern or r"(?P<value>[-+]?[0-9.]+)")
        except BadInput as problem:
            raise BadInput(f"channel {channels[0].name!r}: its {problem}") from problem

    def text_now(self, snapshot: Snapshot) -> str:
        """Return the message; "" where its number is NaN."""
        values = [scale.shown(meter.read(snapshot)) for meter, scale in zip(self.meters, self._scales, strict=True)]
        if not self._places:
            return "" if math.isnan(values[0]) else self._format.line({"value": values[0]}, self._overload)
        whole: Any = None
        for steps, value in zip(self._places, values, strict=True):
            shown = None if math.isnan(value) else self._overload if math.isinf(value) else float(f"{value:.9g}")
            whole = _with_value(whole, steps, shown)
        return json.dumps(whole)


def messages_of(
    bench: Bench, instrument: Instrument, supply: SupplyUnderTest, seed: int, place: Callable[[Channel], str]
) -> Mapping[str, SimulatedMessage]:
    """Return the messages of an instrument's channels, by the place where a channel's message is sent or fetched."""
    overload = next(iter(keys_of(instrument).texts("overload")), _OVERLOAD)
    groups: dict[str, list[Channel]] = {}
    for channel in channels_of(bench, instrument):
        groups.setdefault(place(channel), []).append(channel)
    return {
        where: SimulatedMessage(group, [Meter(channel, seed, supply.effects) for channel in group], overload)
        for where, group in groups.items()
    }


def period_of(bench: Bench, instrument: Instrument) -> float:
    """Return the seconds between two messages of an instrument."""
    return max(SHORTEST_PERIOD, min((channel.period for channel in channels_of(bench, instrument)), default=1.0))


def _steps(channel: Channel, path: str) -> list[str | int]:
    """Return the names and indexes of a path such as `$.a[0]`. Raises `BadInput` for any other."""
    found = list(_STEP.finditer(path))
    if not path.startswith("$") or "".join(step[0] for step in found) != path[1:]:
        raise BadInput(
            f"channel {channel.name!r}: json = {path!r} is more than names and indexes, so it is not simulated"
        )
    return [int(step["index"]) if step["index"] else step["name"] or step["quoted"] or step["double"] for step in found]


def _with_value(whole: Any, steps: Sequence[str | int], value: object) -> Any:
    """Return `whole` with `value` at the place that `steps` lead to."""
    if not steps:
        return value
    step, rest = steps[0], steps[1:]
    if isinstance(step, int):
        items = list(whole) if isinstance(whole, list) else []
        items += [None] * (step + 1 - len(items))
        items[step] = _with_value(items[step], rest, value)
        return items
    members = dict(whole) if isinstance(whole, dict) else {}
    members[step] = _with_value(members.get(step), rest, value)
    return members
