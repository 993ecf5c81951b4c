"""The switch-on transient against scipy on independent equations, and against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import scipy

from benchmon.prediction.ratings.switch_on import switch_on
from support.supplies import CENTRE_TAPPED, rated

THERMAL = 1.7 * 8.617333262e-5 * 298.15
RATIO = 18.4 / 230.0
SOURCE = 0.12 + (14.0 + 0.4) * RATIO**2


def rectified(volts, ohms, series=2):
    """Amperes that `volts` drive through `ohms` and `series` diodes of the bench (Wright's omega, scipy's)."""
    ohms, thermal, saturation = ohms + series * 0.025, series * THERMAL, 20e-9
    return (
        scipy.special.wrightomega((volts + ohms * saturation) / thermal + np.log(ohms * saturation / thermal))
        * (thermal / ohms)
        - saturation
    )


def reference(closing, farads=6.8e-3, esr=0.035, load=15.0, end=0.03):
    """Bridge and reservoir with ESR from rest, by LSODA: times, winding amperes, reservoir's node volts."""
    top, omega = 18.4 * np.sqrt(2.0), 2 * np.pi * 50
    beside = 1.0 / (1.0 / esr + 1.0 / load)

    def winding(time, inner):
        drive = np.abs(top * np.sin(omega * time + closing)) - inner * beside / esr
        return np.maximum(rectified(drive, SOURCE + beside), 0.0)

    def rate(time, y):
        node = beside * (y[0] / esr + winding(time, y[0]))
        return [(node - y[0]) / esr / farads]

    times = np.linspace(0.0, end, 6001)
    inner = scipy.integrate.solve_ivp(rate, (0.0, end), [0.0], "LSODA", times, rtol=1e-9, atol=1e-9, max_step=1e-4).y[0]
    amperes = winding(times, inner)
    return times, amperes, beside * (inner / esr + amperes)


def test_peak_and_i2t_agree_with_scipy_over_all_closing_angles():
    worst = switch_on(rated())
    runs = [reference(closing) for closing in np.arange(24) * np.pi / 24]
    assert worst.diode_peak == pytest.approx(max(amperes.max() for _, amperes, _ in runs), rel=0.003)
    assert worst.winding_peak == pytest.approx(worst.diode_peak, rel=1e-6)
    assert worst.line_peak == pytest.approx(worst.diode_peak * RATIO, rel=1e-6)
    first = [np.trapezoid((amperes * RATIO) ** 2 * (times <= 0.01), times) for times, amperes, _ in runs]
    assert worst.first_half_cycle_i2t == pytest.approx(max(first), rel=0.005)
    whole = [np.trapezoid((amperes * RATIO) ** 2, times) for times, amperes, _ in runs]
    assert worst.half_cycles == 3
    assert worst.surge_i2t == pytest.approx(max(whole), rel=0.005)


def test_time_to_90_per_cent_agrees_with_scipy():
    worst = switch_on(rated(diode={"thermal_resistance": None, "thermal_time_constant": None, "max_junction": None}))
    _, _, volts = reference(0.0, end=0.5)
    settled = volts[-2401:].mean()
    reached = []
    for closing in np.arange(24) * np.pi / 24:
        times, _, rising = reference(closing)
        reached.append(times[np.argmax(rising >= 0.9 * settled)])
    assert worst.time_to_90 == pytest.approx(max(reached), abs=2e-5)


def test_the_ringing_of_an_lc_filter_agrees_with_scipy():
    choke = 'kind = "choke"\ninductance = "20 mH"\nresistance = "0.2 Ω"'
    reservoir = 'kind = "capacitor"\ncapacitance = "1 mF"\nesr = "0 Ω"'
    worst = switch_on(rated(filter=[choke, reservoir], load='kind = "open"'))
    top, omega = 18.4 * np.sqrt(2.0), 2 * np.pi * 50
    # A choke makes the bridge conduct without gaps; the diodes' way is v = |e| − R·i − 2·Vd(i) while i flows.
    peaks = []
    for closing in np.arange(0, 24, 4) * np.pi / 24:

        def rate(time, y, closing=closing):
            amperes, volts = max(y[0], 0.0), y[1]
            drop = 2 * THERMAL * np.log1p(amperes / 20e-9) + (SOURCE + 0.05 + 0.2) * amperes
            push = (abs(top * np.sin(omega * time + closing)) - drop - volts) / 0.02
            return [push if y[0] > 0 or push > 0 else 0.0, amperes / 1e-3]

        run = scipy.integrate.solve_ivp(rate, (0.0, 0.06), [0.0, 0.0], "RK45", rtol=1e-7, atol=1e-7, max_step=1e-4)
        peaks.append(run.y[1].max())
    assert worst.capacitor_peaks[1] == pytest.approx(max(peaks), rel=0.01)
    assert worst.capacitor_peaks[1] > top


def test_a_large_empty_reservoir_is_limited_by_the_source():
    worst = switch_on(rated(filter=['kind = "capacitor"\ncapacitance = "500 mF"\nesr = "0 Ω"']), angles=12)
    assert worst.closing_angle == pytest.approx(90.0, abs=8.0)
    assert worst.diode_peak == pytest.approx(float(rectified(18.4 * np.sqrt(2.0), SOURCE)), rel=0.002)
    assert worst.half_cycles > 25


def test_without_a_filter_the_surge_is_the_steady_state():
    worst = switch_on(rated(filter=[]))
    assert worst.diode_peak == pytest.approx(float(rectified(18.4 * np.sqrt(2.0), SOURCE + 15.0)), rel=0.001)
    assert worst.time_to_90 < 0.01
    assert worst.capacitor_peaks == {}
    per_half_cycle = worst.line_i2t[0]
    assert per_half_cycle == pytest.approx(np.full(len(per_half_cycle), per_half_cycle.mean()), rel=1e-4)


def test_a_cold_limiter_lowers_the_peak_and_warms_by_its_energy():
    bare = switch_on(rated())
    ntc = 'r25 = "10 Ω"\nbeta = "3000 K"\ndissipation_factor = "10 mW/K"\ntime_constant = "50 s"'
    limited = switch_on(rated(ntc=ntc))
    drive = 18.4 * np.sqrt(2.0)
    ohms = SOURCE + 0.035
    expected = rectified(drive, ohms + 10.0 * RATIO**2) / rectified(drive, ohms)
    assert limited.diode_peak / bare.diode_peak == pytest.approx(float(expected), rel=0.02)
    energy = 10.0 * limited.surge_i2t
    rise = limited.ntc_temperature - 25.0
    assert 0.9 * energy < rise * 10e-3 * 50.0 < energy
    hot = switch_on(rated(ntc=ntc, ambient='temperature = "60 °C"'))
    assert hot.diode_peak > limited.diode_peak


def test_a_warming_limiter_shortens_the_start():
    ntc = 'r25 = "60 Ω"\nbeta = "3500 K"\ndissipation_factor = "8 mW/K"\ntime_constant = "{} s"'
    slow = switch_on(rated(ntc=ntc.format(500), filter=['kind = "capacitor"\ncapacitance = "47 mF"']))
    quick = switch_on(rated(ntc=ntc.format(5), filter=['kind = "capacitor"\ncapacitance = "47 mF"']))
    assert quick.time_to_90 < 0.95 * slow.time_to_90
    assert quick.ntc_temperature > slow.ntc_temperature


@pytest.mark.parametrize(
    "kind", ["half wave", "centre tap", "bridge", "split rail", "full-wave doubler"], ids=lambda kind: kind
)
@pytest.mark.parametrize("leakage", ["0 H", "60 µH"])
def test_every_topology_starts(kind, leakage):
    transformer = CENTRE_TAPPED if kind in ("centre tap", "split rail") else {}
    made = rated(rectifier=f'kind = "{kind}"', transformer=transformer | {"leakage_inductance": leakage})
    worst = switch_on(made)
    series = 2 if kind == "bridge" else 1
    through = SOURCE + 0.035 + (14.4 * RATIO**2 if kind == "split rail" else 0.0)
    most = float(rectified(18.4 * np.sqrt(2.0), through, series))
    assert worst.diode_peak <= most * 1.001
    assert worst.diode_peak > (0.95 if leakage == "0 H" else 0.6) * most
    ratio = RATIO * (2 if kind == "split rail" else 1)
    assert worst.line_peak == pytest.approx(worst.diode_peak * ratio, rel=0.01)
    assert 0.003 < worst.time_to_90 < 0.06


@pytest.mark.parametrize("kind", ["half-wave doubler", "tripler"])
def test_a_cascade_starts_step_by_step(kind):
    worst, doubler = (switch_on(rated(rectifier=f'kind = "{each}"')) for each in (kind, "full-wave doubler"))
    # Its first capacitor is charged as a doubler's; the charge of the others passes it, period by period.
    assert 0.85 * doubler.diode_peak < worst.diode_peak < 1.01 * doubler.diode_peak
    assert 3.0 * doubler.time_to_90 < worst.time_to_90 < 1.0


def test_more_closing_angles_do_not_change_the_result():
    some, many = switch_on(rated()), switch_on(rated(), angles=96)
    assert many.diode_peak == pytest.approx(some.diode_peak, rel=0.003)
    assert many.surge_i2t == pytest.approx(some.surge_i2t, rel=0.005)
    assert many.time_to_90 == pytest.approx(some.time_to_90, rel=0.02)


def test_higher_mains_and_a_smaller_source_raise_the_peak():
    usual = switch_on(rated())
    assert switch_on(rated(), mains_voltage=253.0).diode_peak > 1.1 * usual.diode_peak
    stiff = {"primary_resistance": "1 mΩ", "secondary_resistance": "1 mΩ"}
    assert switch_on(rated(transformer=stiff)).diode_peak > 2.0 * usual.diode_peak


@pytest.mark.parametrize(
    "changes",
    [
        {"load": 'kind = "open"'},
        {"load": 'kind = "current"\ncurrent = "1.2 A"'},
        {"filter": ['kind = "capacitor"\ncapacitance = "1 µF"'], "load": 'kind = "current"\ncurrent = "10 mA"'},
        {"regulator": 'output_voltage = "12 V"\ndropout = "1.5 V"\nquiescent_current = "6 mA"'},
        {"regulator": 'output_voltage = "40 V"\ndropout = "1.5 V"\nquiescent_current = "6 mA"'},
        {
            "filter": [
                'kind = "capacitor"\ncapacitance = "2.2 mF"\nesr = "20 mΩ"',
                'kind = "choke"\ninductance = "10 mH"\nresistance = "0.3 Ω"',
                'kind = "capacitor"\ncapacitance = "2.2 mF"',
                'kind = "resistor"\nresistance = "1 Ω"',
                'kind = "capacitor"\ncapacitance = "10 mF"',
            ]
        },
    ],
    ids=["open", "constant current", "small reservoir", "regulator", "starved regulator", "ladder"],
)
def test_every_load_and_filter_starts(changes):
    worst = switch_on(rated(**changes))
    assert worst.time_to_90 is not None
    assert np.all(np.isfinite(worst.line_i2t))
    assert np.all(worst.line_i2t >= 0.0)
    assert 0.0 < worst.winding_peak < float(rectified(18.4 * np.sqrt(2.0), SOURCE))


@pytest.mark.long
def test_a_supply_that_never_starts_has_no_start_time():
    ntc = 'r25 = "20 kΩ"\nbeta = "3000 K"\ndissipation_factor = "10 W/K"\ntime_constant = "50 s"'
    bench = rated(ntc=ntc, filter=['kind = "capacitor"\ncapacitance = "1 F"'], load='kind = "open"')
    worst = switch_on(bench, angles=2)
    assert worst.time_to_90 is None
    assert worst.half_cycles >= 100
