"""Healthy supplies by an outside integration: how often does benchmon call one wrong, and how wide are its bands?

    python tests/benchmarks/outside_figures.py              12 supplies of each of four rectifiers, two minutes
    python tests/benchmarks/outside_figures.py --supplies 40 --scale 2

The truth comes from `netlist.py`, with the mains of six places as they were measured (open data set HFHAD-C, 50 Hz,
harmonics by least squares over 150 periods), a saturating core, leakage, warm copper and parts within their tolerance;
the other magnitudes are from experience. Meters err within their accuracy. Each supply is described by a bench file in
three ways: by its label, with windings and the size of the distortion measured, and with all measured. Prints one line
for each supply that is called wrong, then the figures.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter, defaultdict
from typing import Any

import numpy as np
from netlist import Floats, Supplies, magnetising_shape, measured, settled

from benchmon.bench import Bench
from benchmon.bench.file import read_bench
from benchmon.report.reevaluate import assess
from benchmon.watch.records import LoggedReading

PLACES = (
    ((3, 0.62, 52), (5, 0.71, -135), (7, 0.86, 45), (9, 0.44, 180), (11, 0.13, -121), (13, 0.41, 102)),
    ((3, 2.43, 61), (5, 1.99, -141), (7, 1.06, 47), (9, 0.76, 78), (11, 0.61, -106), (13, 0.58, 39)),
    ((3, 0.40, 53), (5, 2.19, -167), (7, 0.47, 37), (9, 0.26, 156), (11, 0.44, -45), (13, 0.35, 51)),
    ((3, 2.78, 61), (5, 2.37, -147), (7, 0.96, 50), (9, 0.90, 69), (11, 0.80, -110), (13, 0.59, 13)),
    ((3, 0.38, 100), (5, 0.85, -127), (7, 1.07, 53), (9, 0.09, -112), (11, 0.69, -40), (13, 0.38, 64)),
    ((3, 1.69, 67), (5, 1.89, -149), (7, 0.88, 66), (9, 0.33, 93), (11, 0.72, -82), (13, 0.55, 49)),
)
"""Harmonics of the mains voltage at six places: order, per cent of the fundamental, phase in degrees (HFHAD-C)."""

KINDS = ("bridge", "centre tap", "half wave", "full-wave doubler")
WAYS = ("label", "size told", "size told, mains measured", "all measured")
CHANNELS = {
    "mains.voltage.rms": "0.2 % + 0.1 V",
    "mains.current.rms": "0.5 % + 2 mA",
    "mains.power.active": "0.5 % + 0.1 W",
    "mains.power_factor": "0.01",
    "mains.current.thd": "1 % + 0.01",
    "mains.current.crest_factor": "1 % + 0.01",
    "secondary.voltage.rms": "0.5 % + 20 mV",
    "secondary.current.rms": "1 % + 10 mA",
    "output.voltage.mean": "0.1 % + 10 mV",
    "output.voltage.ac_rms": "1 % + 5 mV",
    "output.voltage.ripple": "2 % + 20 mV",
    "diode.current.mean": "1 % + 10 mA",
    "diode.current.peak": "3 % + 50 mA",
}
OF_THE_MAINS = {"mains.voltage.thd": "1 % + 0.002", "mains.voltage.crest_factor": "1 % + 0.002"}
SECONDS = 90


def drawn(kind: str, count: int, seed: int, scale: float) -> tuple[Supplies, dict[str, Floats]]:
    """Return supplies whose magnitudes of real effects are multiplied by `scale`, and what their labels say."""
    random = np.random.default_rng([seed, KINDS.index(kind)])

    def between(low: float, high: float) -> Floats:
        return random.uniform(low, high, count)

    centre_tap, doubler = kind == "centre tap", kind == "full-wave doubler"
    windings = 2 if centre_tap else 1
    rating, volts = np.exp(between(np.log(25), np.log(300))), between(9, 30)
    regulation = 0.22 * (rating / 20) ** -0.25 * between(0.85, 1.15)
    current = rating / volts / windings
    resistance, open_circuit = regulation * volts / current, volts * (1 + regulation)
    ratio = open_circuit / 230 * (1 + scale * random.normal(0, 0.006, count))
    leakage = scale * between(0.005, 0.03) * volts / current / (2 * np.pi * 50)
    warm = 1 + scale * between(0, 0.12)
    part = {"bridge": 0.5, "centre tap": 0.6, "half wave": 0.12, "full-wave doubler": 0.2}[kind] * between(0.5, 1.0)
    direct = current * part * (1.4 if centre_tap else 1.0)
    load = open_circuit * 1.3 * (2 if doubler else 1) / direct
    capacitance = direct * (0.02 if kind == "half wave" else 0.01) / between(1, 3) * (2 if doubler else 1)
    places = random.integers(len(PLACES), size=count)
    harmonics = [
        (
            PLACES[0][place][0],
            scale * np.array([PLACES[at][place][1] for at in places]) / 100,
            np.deg2rad([PLACES[at][place][2] for at in places]),
        )
        for place in range(len(PLACES[0]))
    ]
    no_load = rating / 230 * between(0.04, 0.12) * np.where(rating < 60, 1.6, 1.0)
    loss = np.minimum(rating * between(0.012, 0.03), 0.5 * no_load * 230)
    steepness = between(5, 11)
    turns = np.sin(np.linspace(0, 2 * np.pi, 512, endpoint=False))[:, None]
    shape = np.sqrt(np.mean(magnetising_shape(turns, steepness) ** 2, axis=0))
    supplies = Supplies(
        kind=kind,
        mains=between(223, 237),
        harmonics=harmonics,
        source_resistance=between(0.2, 0.7),
        primary_resistance=resistance / 2 / ratio**2 / windings * warm,
        primary_leakage=leakage / 2 / ratio**2 / windings,
        ratio=ratio,
        secondary_resistance=resistance / 2 * warm,
        secondary_leakage=leakage / 2,
        magnetising=np.sqrt(np.maximum(no_load**2 - (loss / 230) ** 2, 1e-9)) / shape,
        steepness=steepness,
        core_resistance=230**2 / loss,
        saturation_current=14e-9 * np.exp(random.normal(0, 0.4, count)),
        emission_coefficient=np.full(count, 1.8),
        diode_resistance=0.02 * between(0.85, 1.15),
        capacitance=capacitance * between(0.85, 1.15),
        second_capacitance=capacitance * between(0.85, 1.15),
        esr=np.full(count, 0.03),
        load=load * between(0.996, 1.004),
    )
    label = {
        "rating": rating,
        "volts": volts,
        "regulation": regulation,
        "no load": no_load,
        "loss": loss,
        "capacitance": capacitance,
        "load": load,
        "leakage": leakage,
    }
    return supplies, label


def bench_of(supplies: Supplies, label: dict[str, Floats], at: int, way: str) -> Bench:
    """Return the bench of one supply, written in one of `WAYS`."""
    value = {name: float(values[at]) for name, values in label.items()}
    centre_tap = supplies.kind == "centre tap"
    lines = ['title = "An invented supply"', "[mains]", 'voltage = "230 V"', 'frequency = "50 Hz"', 'tolerance = "6 %"']
    if way.startswith("size told"):
        thd = float(np.sqrt(sum(part[at] ** 2 for _, part, _ in supplies.harmonics)))
        lines.append(f'voltage_thd = "{100 * thd:.1f} %"')
    if way == "all measured":
        told = (
            f'[{k}, "{100 * part[at]:.2f} %", "{np.rad2deg(phase[at]):.0f}°"]' for k, part, phase in supplies.harmonics
        )
        lines.append(f"harmonics = [{', '.join(told)}]")
    lines += ["[transformer]", 'primary_voltage = "230 V"', f'rating = "{value["rating"]:.3g} VA"']
    lines += ["secondaries = 2", 'connection = "series"'] if centre_tap else []
    if way == "label":
        lines += [f'rated_voltage = "{value["volts"]:.4g} V"', f'regulation = "{100 * value["regulation"]:.1f} %"']
    else:
        lines += [
            f'open_circuit_voltage = "{230 * supplies.ratio[at]:.4g} V"',
            f'primary_resistance = "{supplies.primary_resistance[at]:.3g} Ω"',
            f'secondary_resistance = "{supplies.secondary_resistance[at]:.3g} Ω"',
            f'no_load_current = "{1e3 * value["no load"]:.3g} mA"',
            f'no_load_loss = "{value["loss"]:.3g} W"',
        ]
    if way == "all measured":
        lines.append(f'leakage_inductance = "{1e6 * value["leakage"]:.4g} µH"')
    lines += ["[rectifier]", f'kind = "{supplies.kind}"', "[diode]", 'saturation_current = "14 nA"']
    lines += ["emission_coefficient = 1.8", 'series_resistance = "20 mΩ"', "[[filter]]", 'kind = "capacitor"']
    lines += [f'capacitance = "{1e3 * value["capacitance"]:.4g} mF"', 'tolerance = "20 %"']
    lines += [] if way == "label" else ['esr = "30 mΩ"']
    lines += [
        "[load]",
        'kind = "resistor"',
        f'resistance = "{value["load"]:.4g} Ω"',
        "[ambient]",
        'temperature = "25 °C"',
    ]
    lines += ["[[instrument]]", 'name = "meters"', 'driver = "hand"']
    for quantity, accuracy in channels_of(way).items():
        lines += ["[[channel]]", f'name = "{quantity}"', f'quantity = "{quantity}"', 'instrument = "meters"']
        lines.append(f'accuracy = "{accuracy}"')
    return read_bench("\n".join(lines) + "\n")


def channels_of(way: str) -> dict[str, str]:
    """Return the channels with their accuracies."""
    return CHANNELS | (OF_THE_MAINS if "mains measured" in way or way == "all measured" else {})


def readings_of(bench: Bench, truth: dict[str, Floats], at: int) -> list[LoggedReading]:
    """Return what meters that err within their accuracy read in some seconds."""
    random = np.random.default_rng([7, at])
    levels = {}
    for channel in bench.channel:
        exact = float(truth[channel.quantity][at])
        levels[channel.name] = exact + channel.accuracy.of(exact) * random.uniform(-0.6, 0.6)
    return [
        LoggedReading(float(second), name, float(f"{level * (1 + 1e-4 * random.normal()):.6g}"))
        for second in range(SECONDS)
        for name, level in levels.items()
    ]


def main() -> None:
    """Print the figures."""
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--supplies", type=int, default=12, help="of each rectifier")
    arguments.add_argument("--scale", type=float, default=1.0, help="of all real effects")
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--ways", default=";".join(WAYS), help="how bench files are written, joined by ;")
    options = arguments.parse_args()
    figures = Figures()
    for kind in KINDS:
        supplies, label = drawn(kind, options.supplies, options.seed, options.scale)
        began = time.process_time()
        circuit, trace, has_settled = settled(supplies)
        truth = measured(circuit, trace)
        print(f"{kind}: {has_settled.sum()} settled, {time.process_time() - began:.0f} s of processor", flush=True)
        for at in np.flatnonzero(has_settled):
            for way in options.ways.split(";"):
                bench = bench_of(supplies, label, int(at), way)
                figures.take(f"{kind} {at}", way, assess(bench, readings_of(bench, truth, int(at))))
    figures.show()


class Figures:
    """How often supplies are called wrong, and how wide the bands are."""

    def __init__(self) -> None:
        self._counts: dict[str, Counter[str]] = defaultdict(Counter)
        self._widths: dict[tuple[str, str], list[float]] = defaultdict(list)

    def take(self, supply: str, way: str, answer: dict[str, Any]) -> None:
        """Count an answer of the watch, and print it where it calls the supply wrong."""
        channels = answer["channels"]
        wrong = {name: one["en"] for name, one in channels.items() if one["verdict"] == "disagrees"}
        first = answer["explanations"][0] if answer["explanations"] else {"cause": "", "likelihood": 0.0}
        blamed = first["likelihood"] > 0.5 and first["cause"] not in ("nothing wrong", "none of these")
        self._counts[way].update(
            supplies=1, wrong=bool(wrong), cause=blamed, channels=len(channels), disagree=len(wrong)
        )
        for name, one in channels.items():
            if one["expected"] and one["en"]:
                width = (one["value"] - one["expected"]) / one["en"] / one["expected"]
                self._widths[way, name].append(abs(width))
        if wrong or blamed:
            cause = f"{first['cause']} {first['likelihood']:.2f}" if blamed else "no cause"
            listed = ", ".join(f"{name} {en:+.1f}" for name, en in wrong.items())
            print(f"    {supply}, {way}: {listed or 'all agree'}; {cause}", flush=True)

    def show(self) -> None:
        """Print the figures."""
        for way, found in self._counts.items():
            print(
                f"{way}: {found['supplies']} supplies, {found['wrong']} with a channel that disagrees, "
                f"{found['cause']} with a cause above 0.5; {found['disagree']} of {found['channels']} channels disagree"
            )
        for (way, quantity), found in sorted(self._widths.items()):
            print(f"{way}, {quantity}: median ± {100 * float(np.median(found)):.2f} %")


if __name__ == "__main__":
    main()
