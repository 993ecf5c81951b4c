"""Numbers that standards and experience give, each with its source, its unit and who uses it.

Values, editions and clauses are quoted from memory: compare them with the standard before relying on one.

| name | standard, clause | used for |
| --- | --- | --- |
| `TOUCHABLE_DC`, `TOUCHABLE_AC` | IEC 62368-1:2018, 5.2.2.2, table 4 (limits of ES1) | cautions, steps |
| `METAL_HARMLESS`, `METAL_PAINFUL` | IEC 62368-1:2018, 9.2, table 38 (metal held for 1 to 10 s) | cautions, steps |
| `HARMONIC_LIMITS_ODD`, … | IEC 61000-3-2:2018, 7.1, table 1 (class A) | `analyse`, reports, the screen's wave page |
| `FUSE_GATES`, `FUSE_GATE_RATINGS` | IEC 60127-2:2014, pre-arcing times of the standard sheets | margin of the surge |
| `FUSE_RATINGS` | IEC 60127-2:2014, rated currents of the standard sheets | questions for a new bench file |
| `SAFETY_TESTS` | IEC 62368-1, IEC 61010-1; EN 50678 after a repair | steps with values to record |
| `E_SERIES` | IEC 60063:2015, table of preferred values | choosing a capacitor |
| `FUSE_SPARE` | no standard: experience | choosing a fuse |
| `COPPER_ZERO` | IEC 60335-1:2020, clause 11 (rise by resistance); IEC 62368-1 | warm windings |
| `INSULATION_STANDS` | IEC 60085:2007, thermal class 180 (H) | overloaded windings |
| `DIODE_FALL` | no standard: silicon, textbooks | forward drop at other temperatures |
| `LOAD_RISE`, `LOAD_RISE_DIFFERS`, `LOAD_WARMS_IN` | no standard: experience | temperatures, drift, contradictions |
| `GIVEN_RISE_DIFFERS` | no standard: experience | temperatures of loads |
| `TRANSFORMER_RISE`, `TRANSFORMER_WARMS_IN` | no standard: experience | temperatures, drift |
| `LEAST_LOAD_DOUBT` | no standard: experience | causes, fits |
| `SHORTED_DIODE` | no standard: experience | faults of the rectifier |
| `PUBLIC_SUPPLY_HARMONICS`, `PUBLIC_SUPPLY_THD` | EN 50160:2010, 4.2.5, table 1 | what a mains may be distorted by |
| `PUBLIC_SUPPLY_VARIES` | EN 50160:2010, 4.2.2 | by how much a mains wanders |
| `ELECTROLYTIC_LEAKS_IN`, `USUALLY_LEAKS_IN` | IEC 60384-4; experience | charge that a reservoir keeps |
| `VOLTMETER_SIEMENS` | no standard: usual multimeters | volts of an output without a load |
| `USUAL_MAINS_HARMONICS` | no standard: measured, open data set HFHAD-C | allowance for a mains of unknown shape |
| `USUAL_LEAKAGE`, `USUAL_SOURCE_OHMS`, … | no standard: experience | values that a bench file leaves out |
| `USUAL_REGULATION` | no standard: makers' lists of small transformers | questions for a new bench file |

Formulas quoted from memory stand where they are written down: the β equation of a thermistor (IEC 60539-1) in
`prediction`, and what flux doubling lets a core draw at switch-on.
"""

from __future__ import annotations

from collections.abc import Mapping

TOUCHABLE_DC, TOUCHABLE_AC = 60.0, 30.0
"""V d.c. and V rms up to which a steady voltage is of class ES1: safe to touch."""

SAFETY_TESTS = (
    "Which safety tests are due, and their limits, is laid down by the standard of the product (such as IEC 62368-1 or "
    "IEC 61010-1; EN 50678 after a repair), and who may make them by the law of your country. The limits here are your "
    "own. A test voltage is as dangerous as the mains, and charges capacitors."
)
"""What a step with safety tests says; limits are not given here, since they hold for the finished product."""

INSULATION_STANDS = 180.0
"""°C that the insulation of windings stands in the best class usual in mains transformers; many stand 130 °C."""

METAL_HARMLESS, METAL_PAINFUL = 60.0, 70.0
"""°C of bare metal held for 1 to 10 s: harmless up to the first, painful up to the second, burns above."""

HARMONIC_LIMITS_ODD: Mapping[int, float] = {3: 2.30, 5: 1.14, 7: 0.77, 9: 0.40, 11: 0.33, 13: 0.21}
"""A rms by order; `HARMONIC_LIMIT_ODD_FROM_15` over the order for 15 to 39."""
HARMONIC_LIMIT_ODD_FROM_15 = 0.15 * 15.0
HARMONIC_LIMITS_EVEN: Mapping[int, float] = {2: 1.08, 4: 0.43, 6: 0.30}
"""A rms by order; `HARMONIC_LIMIT_EVEN_FROM_8` over the order for 8 to 40."""
HARMONIC_LIMIT_EVEN_FROM_8 = 0.23 * 8.0
HIGHEST_HARMONIC = 40

PUBLIC_SUPPLY_HARMONICS: Mapping[int, float] = {
    2: 0.02,
    3: 0.05,
    4: 0.01,
    5: 0.06,
    7: 0.05,
    9: 0.015,
    11: 0.035,
    13: 0.03,
}
"""Largest harmonics of a public supply by order, as parts of the fundamental (95 % of the 10 min means of a week)."""
PUBLIC_SUPPLY_THD = 0.08
"""Largest total harmonic distortion of a public supply."""
PUBLIC_SUPPLY_VARIES = 0.1
"""Part of its nominal voltage by which a public supply may be higher or lower."""

ELECTROLYTIC_LEAKS_IN, USUALLY_LEAKS_IN = 100.0, 10_000.0
"""Seconds in which the leakage of an electrolytic would take its charge to 1/e: at the most that data sheets allow some
minutes after connecting, 0.01·C·U (µA, µF, V), and at the hundredth of it that is usual."""
VOLTMETER_SIEMENS = 1e-7
"""What a multimeter draws on its DC ranges: 10 MΩ."""

USUAL_MAINS_HARMONICS: Mapping[int, float] = {3: 0.0169, 5: 0.0179, 7: 0.0091, 9: 0.0054, 11: 0.0061, 13: 0.0049}
"""Root mean square over six places of a harmonic of the mains voltage, by order, as parts of the fundamental.

Worked out by us from the open data set HFHAD-C (high-frequency data of household appliances, 50 Hz): sockets of an
induction cooker, a kettle, a range hood, a refrigerator, a television and a water dispenser.
"""

FUSE_GATES: Mapping[str, tuple[float, float]] = {"time-lag": (10.0, 0.020), "fast": (4.0, 0.010)}
"""Multiple of the rated current, and seconds, that a fuse-link bears at least without melting."""
FUSE_GATE_RATINGS = (0.125, 10.0)
"""A: the rated currents for which these gates hold."""
FUSE_RATINGS = (0.1, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8, 10)
"""A: rated currents of miniature fuse-links."""

FUSE_SPARE = 1.25
"""Rated current of a fuse over the steady current through it, at least: in a warm case a fuse carries less."""

_E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
E_SERIES: Mapping[str, tuple[float, ...]] = {"E6": _E6, "E12": tuple(sorted((*_E6, 1.2, 1.8, 2.7, 3.9, 5.6, 8.2)))}
"""Values of a decade in which parts are sold."""

COPPER_ZERO = 234.5
"""°C below zero at which copper's resistance, taken as a line, is nothing."""

DIODE_FALL = 2e-3
"""V/K by which the forward drop of a silicon diode falls at constant current."""

LOAD_RISE, LOAD_RISE_DIFFERS, GIVEN_RISE_DIFFERS = 180.0, 0.4, 0.2
"""K by which a load resistor's body rises at its rated power, and the relative standard uncertainty of that; the last
one is that of a rise which the bench file gives, since air and mounting are not those of a data sheet.

Data sheets give some 300 K for wirewound resistors in free air and 150 to 200 K for housed ones on the heat sink that
their rating asks for; what a fan cools stays near 60 K. The bench file does not say which it is.
"""
LEAST_LOAD_DOUBT = 0.015
"""Part by which a load resistor of a common class may be off, warm by an amount that nobody measured."""
TRANSFORMER_RISE = 60.0
"""K by which a small transformer's windings rise at rated load."""
LOAD_WARMS_IN, TRANSFORMER_WARMS_IN = 240.0, 1200.0
"""s: thermal time constants of both."""

SHORTED_DIODE = 5e-3
"""Ω of a diode that has failed short: its lead wires and a molten junction."""

USUAL_REGULATION = ((20.0, "20 %"), (60.0, "12 %"), (150.0, "9 %"), (float("inf"), "6 %"))
"""Usual regulation of a transformer up to a rating in VA."""

USUAL_LEAKAGE, USUAL_RESISTANCE = 0.013, 0.1
"""Leakage reactance, and resistance of all windings, as parts of the rated impedance of a small transformer.

Leakage is 0.5 to 3 % below a kilovolt-ampere with windings over each other, more with windings side by side.
"""
USUAL_SOURCE_OHMS = 0.4
"""Ω of a 230 V socket with its lead: 0.24 Ω of a public supply (IEC 60725) and some metres of cable."""
USUAL_DISSIPATION, USUAL_LEAD_OHMS = 0.12, 3e-3
"""tan δ at 100 Hz of an electrolytic capacitor, and Ω of its tabs and leads; data sheets state 0.08 to 0.25 at most."""
USUAL_RIPPLE_REJECTION, USUAL_REGULATOR_NOISE = 65.0, 1e-5
"""dB at twice the mains frequency, and rms noise as a part of the output voltage, of an integrated series regulator.

From memory: data sheets of three-terminal regulators state 55 to 80 dB, and 8 to 30 µV of noise for each volt.
"""
LEFT_OUT_DIFFERS: Mapping[str, float] = {
    "leakage": 0.65,
    "source": 0.6,
    "esr": 0.55,
    "ripple rejection": 0.7,
    "regulator noise": 0.7,
}
"""Standard deviation of the natural logarithm of such values: factors of 3.7, 3.3, 3 and twice 4 at two deviations.

Of leakage that is from a third of a per cent to five: windings side by side on one bobbin lie beyond the 3 % of others.
"""
