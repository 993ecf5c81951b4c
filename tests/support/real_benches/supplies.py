"""Real supplies drawn by seed, and the bench files that people write of them.

Magnitudes are from experience where no source is named; mains harmonics are those that the open data set HFHAD-C has of
six sockets (repository TerminusMars/HFHAD-C, order, part of the fundamental, phase of v = sin ωt + Σ h·sin(kωt + φ)).
A file is written in one of three ways:

- "new": as `benchmon new` writes it, by rated voltage and regulation, nothing of harmonics, core and leakage;
- "measured": resistances, no-load points and harmonics as measured on this very bench;
- "gentle": a supply that departs little from its file, which says nothing of harmonics and leakage.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from benchmon.bench import Bench, Mains, Transformer, read_bench
from support.real_benches.netlist import TrueCircuit

WAYS = ("new", "measured", "gentle")
RECTIFIERS = ("bridge", "centre tap", "half wave", "split rail", "full-wave doubler")
MAINS = 230.0
COPPER = 0.00393
"""Change of copper's resistance for a kelvin, at 20 °C (IEC 60028)."""

_SOCKETS = (
    {3: (0.62, 52), 5: (0.71, -135), 7: (0.86, 45), 9: (0.44, 180), 11: (0.13, -121), 13: (0.41, 102)},
    {3: (2.43, 61), 5: (1.99, -141), 7: (1.06, 47), 9: (0.76, 78), 11: (0.61, -106), 13: (0.58, 39)},
    {3: (0.40, 53), 5: (2.19, -167), 7: (0.47, 37), 9: (0.26, 156), 11: (0.44, -45), 13: (0.35, 51)},
    {3: (2.78, 61), 5: (2.37, -147), 7: (0.96, 50), 9: (0.90, 69), 11: (0.80, -110), 13: (0.59, 13)},
    {3: (0.38, 100), 5: (0.85, -127), 7: (1.07, 53), 9: (0.09, -112), 11: (0.69, -40), 13: (0.38, 64)},
    {3: (1.69, 67), 5: (1.89, -149), 7: (0.88, 66), 9: (0.33, 93), 11: (0.72, -82), 13: (0.55, 49)},
)


@dataclass(frozen=True)
class RealSupply:
    """One supply: the circuit with cold windings, how it warms, and the bench file's text.

    `copper_rise` (K) is that of warm windings, with `copper_constant` (s); the diode's junction rises by
    `thermal_resistance` (K/W), of which the case shows `case_share`, in two stages: `stages` are the first one's share
    and both time constants (s).
    """

    seed: int
    way: str
    circuit: TrueCircuit
    copper_rise: float
    copper_constant: float
    thermal_resistance: float
    case_share: float
    stages: tuple[float, float, float]
    ambient: float
    text: str

    @property
    def bench(self) -> Bench:
        """The bench that the file describes."""
        return read_bench(self.text)

    def at(self, mains: float, warmth: float) -> TrueCircuit:
        """Return the circuit at a factor on the mains voltage, its windings warm to `warmth` (0 to 1)."""
        copper = 1.0 + COPPER * self.copper_rise * warmth
        one = self.circuit
        return replace(one, mains=one.mains * mains, primary=one.primary * copper, secondary=one.secondary * copper)


def drawn_supply(seed: int, scale: float = 1.0) -> RealSupply:
    """Return the supply of `seed`: all rectifiers and ways in turn. `scale` is on what no file says."""
    random = np.random.default_rng([seed, 0x3EA1])
    rectifier, way = RECTIFIERS[seed % 5], WAYS[(seed // 5) % 3]
    if way == "gentle":
        scale *= 0.35
    u = random.uniform

    def off(part: float) -> float:
        return 1.0 + part * float(u(-1.0, 1.0))

    # What the designer meant.
    taps = 2 if rectifier in ("centre tap", "split rail") else 1
    rated = float(u(9.0, 32.0))
    amperes = float(np.exp(u(math.log(0.15), math.log(2.5)))) * (0.4 if rectifier == "half wave" else 1.0)
    direct = 1.15 * rated * {"full-wave doubler": 2.0}.get(rectifier, 1.0)
    watts = direct * amperes * (2.0 if rectifier == "split rail" else 1.0)
    rating = watts * float(u(1.7, 2.4)) * (1.3 if rectifier == "half wave" else 1.0)
    regulation = 0.55 / rating**0.42 * off(0.15)
    filters = {
        "bridge": ("C", "C", "CRC", "CLC", "LC", "none"),
        "centre tap": ("C", "C", "CRC", "LC", "none"),
        "half wave": ("C", "CRC"),
        "split rail": ("C", "CRC"),
        "full-wave doubler": ("C",),
    }[rectifier]
    filter_kind = str(random.choice(filters))
    order = 1 if rectifier == "half wave" else 2
    regulated = filter_kind in ("C", "CRC") and rectifier in ("bridge", "centre tap") and u() < 0.35
    is_current = filter_kind not in ("none", "LC") and u() < 0.3 and not regulated
    if filter_kind == "none":
        direct *= 0.72
    swing = float(u(0.05, 0.14)) * direct
    farads = amperes / (2 * order * 50.0 * swing) * 1.5 * {"full-wave doubler": 2.0}.get(rectifier, 1.0)
    farads = float(f"{farads:.2g}")
    esr = float(f"{0.03 * (2.2e-3 / farads) ** 0.6:.2g}")
    current_w = rating / (taps * rated)
    drop = rated * regulation
    ratio = (rated + drop) / MAINS
    half = drop / (2 * current_w)
    primary = drop / (2 * taps * current_w) / ratio**2
    volts_out = float(f"{0.62 * direct:.2g}")
    ohms = float(f"{(volts_out if regulated else direct) / amperes:.3g}")
    junction_rise = float(u(20.0, 55.0))
    thermal = float(f"{junction_rise / (0.8 * amperes / order):.2g}")
    series_ohms, henries = _series(filter_kind, direct / amperes)
    # What it is.
    loading = float(u(0.7, 1.0))
    true_rated = 1.0 + (0.02 if way == "new" else 0.01 if way == "gentle" else 0.002) * float(u(-1, 1))
    winding = 0.12 if way == "new" else 0.04
    rp, rs = primary * off(winding), half * off(winding)
    impedance = rated / current_w
    leakage = float(u(0.005, 0.03)) * scale * impedance / (2 * math.pi * 50.0)
    socket = _SOCKETS[int(random.integers(len(_SOCKETS)))]
    harmonics = {
        k: (h / 100.0 * scale * float(u(0.7, 1.2)), math.radians(p + float(u(-8, 8)))) for k, (h, p) in socket.items()
    }
    line = rating / MAINS
    magnetising = line * 0.45 * rating**-0.28 * float(np.exp(u(-0.5, 0.5))) * min(scale, 1.5) ** 0.5
    iron = rating * 0.14 * rating**-0.28 * float(np.exp(u(-0.35, 0.35)))
    saturation, emission, ohmic = 14e-9 / max(1.0, 2.0 / amperes), 1.8, 0.02 * max(1.0, 1.0 / amperes)
    air = float(u(19.0, 27.0))
    circuit = TrueCircuit(
        rectifier=rectifier,
        mains=MAINS * off(0.02),
        harmonics=harmonics,
        source=0.4 * float(np.exp(u(-0.8, 0.9) * (scale if way != "gentle" else 0.5))),
        primary=rp,
        ratio=ratio * true_rated,
        secondary=rs,
        leakage=leakage,
        magnetising=magnetising,
        exponent=float(u(6.0, 12.0)),
        iron=iron,
        rated=MAINS,
        saturation=saturation * float(np.exp(u(-0.5, 0.5))),
        emission=emission,
        ohmic=ohmic * off(0.2),
        junction=air + 0.9 * junction_rise,
        shunts=_shunts(filter_kind, farads, esr, random),
        series=(series_ohms * off(0.03), henries * off(0.07)),
        load=(amperes if is_current else ohms) * off(0.005),
        is_current=is_current,
        regulator=(volts_out * off(0.01), 2.0 * off(0.08), 0.005 * off(0.15)) if regulated else None,
    )
    if rectifier in ("split rail", "full-wave doubler"):
        circuit = replace(circuit, second_reservoir=off(0.08))
    first = float(u(0.65, 0.95)) if way != "gentle" else 1.0
    real = RealSupply(
        seed=seed,
        way=way,
        circuit=circuit,
        copper_rise=45.0 * loading * float(u(0.7, 1.3)) * scale,
        copper_constant=float(u(1200.0, 3600.0)),
        thermal_resistance=thermal * off(0.08),
        case_share=float(u(0.78, 0.92)),
        stages=(first, 40.0 * float(u(0.7, 1.4)), float(u(250.0, 700.0))),
        ambient=air,
        text="",
    )
    design = _Design(
        rated,
        regulation,
        rating,
        taps,
        farads,
        esr,
        filter_kind,
        ohms,
        amperes,
        thermal,
        volts_out,
        saturation,
        ohmic,
        series_ohms,
        henries,
    )
    return replace(real, text=_file(real, design, random))


@dataclass(frozen=True)
class _Design:
    rated: float
    regulation: float
    rating: float
    taps: int
    farads: float
    esr: float
    filter: str
    ohms: float
    amperes: float
    thermal: float
    volts_out: float
    saturation: float
    ohmic: float
    series_ohms: float
    henries: float


def _shunts(
    kind: str, farads: float, esr: float, random: np.random.Generator
) -> tuple[tuple[float, float], tuple[float, float]]:
    def real() -> tuple[float, float]:
        return farads * float(random.uniform(0.84, 1.18)), esr * float(np.exp(random.uniform(-0.6, 0.6)))

    none = (1e-10, 1.0)
    first, second = real(), real()
    return (none if kind in ("LC", "none") else first), (second if kind in ("CRC", "CLC", "LC") else none)


def _series(kind: str, ohms: float) -> tuple[float, float]:
    """Return the ohms and henries of the filter's series part for a load of `ohms`."""
    if kind == "CRC":
        return 0.05 * ohms, 0.0
    if kind in ("CLC", "LC"):
        # Three times the critical inductance, R/(3·ω) at twice the mains frequency.
        return 0.03 * ohms, ohms / (2 * math.pi * 100.0)
    return 1e-3, 0.0


def _mains(real: RealSupply, random: np.random.Generator) -> list[str]:
    circuit, knows = real.circuit, set(Mains.model_fields)
    lines = ["[mains]", 'voltage = "230 V"', 'frequency = "50 Hz"', 'tolerance = "6 %"']
    lines += ['source_resistance = "0.4 Ω"']
    if real.way == "measured":
        if "harmonics" in knows:
            shown = [
                f'[{k}, "{100 * h * (1 + 0.05 * random.uniform(-1, 1)):.2f} %", "{math.degrees(p):.0f}°"]'
                for k, (h, p) in sorted(circuit.harmonics.items())
            ]
            lines.append(f"harmonics = [{', '.join(shown)}]")
        else:
            lines.append(f'voltage_thd = "{100 * math.sqrt(sum(h * h for h, _ in circuit.harmonics.values())):.1f} %"')
    return lines


def _transformer(real: RealSupply, design: _Design, random: np.random.Generator) -> list[str]:
    circuit, way, knows = real.circuit, real.way, set(Transformer.model_fields)
    lines = ["[transformer]", 'primary_voltage = "230 V"', f'rating = "{design.rating:.0f} VA"']
    if design.taps == 2:
        lines += ["secondaries = 2", 'connection = "series"']
    if way == "new":
        lines += [f'rated_voltage = "{design.rated:.2f} V"', f'regulation = "{100 * design.regulation:.1f} %"']
    else:
        spread = 0.01 if way == "measured" else 0.03
        volts = circuit.ratio * MAINS * (1 + (0.002 if way == "measured" else 0.01) * random.uniform(-1, 1))
        lines.append(f'open_circuit_voltage = "{volts:.4g} V"')
        lines.append(f'primary_resistance = "{circuit.primary * (1 + spread * random.uniform(-1, 1)):.4g} Ω"')
        lines.append(f'secondary_resistance = "{circuit.secondary * (1 + spread * random.uniform(-1, 1)):.4g} Ω"')
        if "resistance_temperature" in knows:
            lines.append('resistance_temperature = "20 °C"')
        if way == "measured" and "no_load" in knows:
            points = [no_load(circuit, volts) for volts in (207.0, 230.0, 244.0)]
            shown = [f'["{v:.0f} V", "{1e3 * i:.4g} mA", "{w:.4g} W"]' for v, i, w in points]
            lines.append(f"no_load = [{', '.join(shown)}]")
        else:
            _, current, loss = no_load(circuit, MAINS)
            lines += [f'no_load_current = "{1e3 * current:.4g} mA"', f'no_load_loss = "{loss:.4g} W"']
    return lines


def _filter(real: RealSupply, design: _Design, random: np.random.Generator) -> list[str]:
    lines: list[str] = []
    capacitor = f'[[filter]]\nkind = "capacitor"\ncapacitance = "{1e6 * design.farads:.0f} µF"\ntolerance = "20 %"'
    if real.way != "new" or random.uniform() < 0.5:
        capacitor += f'\nesr = "{1e3 * design.esr:.3g} mΩ"'
    choke = f'[[filter]]\nkind = "choke"\ninductance = "{1e3 * design.henries:.4g} mH"'
    choke += f'\nresistance = "{design.series_ohms:.3g} Ω"'
    resistor = f'[[filter]]\nkind = "resistor"\nresistance = "{design.series_ohms:.3g} Ω"'
    between = {"CRC": resistor, "CLC": choke, "LC": choke}
    if design.filter != "none":
        lines += [] if design.filter == "LC" else [capacitor]
        if design.filter != "C":
            lines += [between[design.filter], capacitor]
    return lines


def _file(real: RealSupply, design: _Design, random: np.random.Generator) -> str:
    circuit = real.circuit
    lines = ['title = "A drawn supply"', *_mains(real, random), *_transformer(real, design, random)]
    lines += ["[rectifier]", f'kind = "{circuit.rectifier}"', "[diode]"]
    lines += [f'saturation_current = "{1e9 * design.saturation:.4g} nA"', "emission_coefficient = 1.8"]
    lines += [f'series_resistance = "{1e3 * design.ohmic:.3g} mΩ"', f'thermal_resistance = "{design.thermal:.3g} K/W"']
    lines += ['thermal_time_constant = "40 s"', 'max_junction = "150 °C"']
    lines += _filter(real, design, random)
    if circuit.regulator is not None:
        lines += ["[regulator]", f'output_voltage = "{design.volts_out:.4g} V"', 'dropout = "2 V"']
        lines += ['quiescent_current = "5 mA"']
    if circuit.is_current:
        lines += ["[load]", 'kind = "current"', f'current = "{design.amperes:.4g} A"']
    else:
        lines += ["[load]", 'kind = "resistor"', f'resistance = "{design.ohms:.4g} Ω"']
    lines += ["[ambient]", f'temperature = "{round(real.ambient)} °C"']
    lines += ['[[instrument]]\nname = "m"\ndriver = "manual"']
    for name, quantity, accuracy in channels(design.amperes, design.rating, real.seed):
        lines.append(
            f'[[channel]]\nname = "{name}"\ninstrument = "m"\nquantity = "{quantity}"\naccuracy = "{accuracy}"\n'
            'period = "2 s"'
        )
    return "\n".join(lines) + "\n"


def no_load(circuit: TrueCircuit, volts: float) -> tuple[float, float, float]:
    """Return `volts`, amperes rms and watts of the idle transformer, of its core alone."""
    angle = 2.0 * np.pi * np.arange(720) / 720
    sine, x = np.sin(angle), volts / circuit.rated
    full = 0.35 * sine + 0.65 * np.abs(sine) ** circuit.exponent * np.sign(sine)
    now = 0.35 * x * sine + 0.65 * x**circuit.exponent * np.abs(sine) ** circuit.exponent * np.sign(sine)
    size = circuit.magnetising / math.sqrt(np.mean(full**2))
    watts = circuit.iron * x**2
    loss = math.sqrt(2.0) * watts / volts * np.cos(angle)
    return volts, float(np.sqrt(np.mean((size * now + loss) ** 2))), watts


def channels(amperes: float, rating: float, seed: int) -> list[tuple[str, str, str]]:
    """Return name, quantity and accuracy of the thirteen channels of a bench with a power analyser."""
    line = rating / MAINS
    diode = ("diode current", "diode.current.mean") if seed % 2 else ("diode peak", "diode.current.peak")
    peak = 1.0 if seed % 2 else 4.0
    return [
        ("mains voltage", "mains.voltage.rms", "0.2 % + 0.1 V"),
        ("mains current", "mains.current.rms", f"0.5 % + {1e3 * 0.002 * line:.2g} mA"),
        ("mains power", "mains.power.active", f"0.5 % + {0.002 * rating:.2g} W"),
        ("power factor", "mains.power_factor", "0.5 % + 0.002"),
        ("current THD", "mains.current.thd", "2 % + 0.005"),
        ("current crest", "mains.current.crest_factor", "1 % + 0.01"),
        ("winding voltage", "secondary.voltage.rms", "0.5 % + 10 mV"),
        ("winding current", "secondary.current.rms", f"1 % + {1e3 * 0.004 * amperes:.2g} mA"),
        ("output", "output.voltage.mean", "0.1 % + 10 mV"),
        ("output AC", "output.voltage.ac_rms", "1 % + 3 mV"),
        ("ripple", "output.voltage.ripple", "2 % + 15 mV"),
        (*diode, f"1 % + {1e3 * 0.003 * peak * amperes:.2g} mA"),
        ("diode case", "diode.temperature.case", "0.5 % + 1.5 K"),
    ]
