"""Diodes: the limiter of DAFx-07 and a half-wave rectifier with its reservoir."""

import math

import numpy as np
from scipy.optimize import brentq

from reference_circuits import laws, solving
from reference_circuits.reference import Reference, integrated

R, C, IS, SLOPE_V = 2.2e3, 10e-9, 2.52e-9, 0.0453

LIMITER_SOURCE = """
Diode limiter of Yeh, Abel and Smith, DAFx-07 (values from memory, as in notes.md):
dv/dt = (vin - v)/(R C) - (2 Is/C) sinh(v/Vt), R 2.2 k, C 10 nF, Is 2.52 nA, Vt 45.3 mV.
"""

SINH = """Diode limiter as one source, {level} V of 1 kHz
VIN in 0 SIN(0 {level} 1k)
R1 in out 2.2k
C1 out 0 10n
BD out 0 I=2*2.52e-9*sinh(v(out)/0.0453)
.end
"""

# n Vt is 45.3 mV with Vt = 0.0258649 V; two diodes back to back make 2 Is sinh exactly.
DIODES = """Diode limiter as two diodes, {level} V of 1 kHz
VIN in 0 SIN(0 {level} 1k)
R1 in out 2.2k
C1 out 0 10n
D1 out 0 DAFX
D2 0 out DAFX
.model DAFX D(is=2.52n n={emission!r})
.end
"""


def limiter_waveform(level):
    drive = solving.sine(0.0, level, 1e3)

    def rhs(t, y):
        return [(drive(t) - y[0]) / (R * C) - 2.0 * IS / C * math.sinh(y[0] / SLOPE_V)]

    def observe(t, y):
        return {"v(in)": drive(t), "v(out)": y[0]}

    return rhs, observe


def limiter(level, template):
    netlist = template.format(level=f"{level:g}", emission=SLOPE_V / laws.THERMAL_V)
    rhs, observe = limiter_waveform(level)
    made = integrated(netlist, LIMITER_SOURCE, rhs, observe, [0.0],
                      solving.rows(6e-3, 10e-6), [("v(out)", 0.0, "V")])
    _meets_notes(level, made.columns["v(out)"][-100:])
    return made


def _meets_notes(level, period):
    """The sixth period must give the figures that notes.md printed for this limiter."""
    h = np.abs(np.fft.rfft(period)) / 50.0
    thd = 100.0 * math.sqrt(float(np.sum(h[2:21] ** 2))) / h[1]
    printed = {1: (0.515430, 18.070), 4.5: (0.609795, 33.622)}.get(level)
    if printed:
        # The peak lies between rows: on the parabola through the highest three.
        top = int(np.argmax(period))
        before, at, after = period[top - 1:top + 2]
        peak = at + (after - before) ** 2 / (8.0 * (2.0 * at - before - after))
        if abs(peak - printed[0]) > 2e-6 or abs(thd - printed[1]) > 2e-2:
            raise RuntimeError(f"limiter at {level} V: peak {peak}, THD {thd}, notes {printed}")


# Static points: a drive of DC only. Each must settle at the figure of notes.md.
STATIC = """Diode limiter at rest, {count} copies at different input voltages
{cards}.end
"""
STATIC_POINTS = [(0.1, 0.099950), (0.5, 0.428655), (1.0, 0.515436),
                 (2.0, 0.564629), (4.5, 0.609795), (10.0, 0.649521)]


def limiter_static():
    cards, bias = "", []
    for n, (vin, printed) in enumerate(STATIC_POINTS, start=1):
        cards += (f"V{n} in{n} 0 {vin:g}\nR{n} in{n} out{n} 2.2k\nC{n} out{n} 0 10n\n"
                  f"B{n} out{n} 0 I=2*2.52e-9*sinh(v(out{n})/0.0453)\n")
        v = brentq(lambda v: (vin - v) / R - 2.0 * IS * math.sinh(v / SLOPE_V), 0.0, 0.8,
                   xtol=1e-15, rtol=1e-14)
        if abs(v - printed) > 1e-6:
            raise RuntimeError(f"static limiter at {vin} V: {v}, notes {printed}")
        bias.append((f"v(out{n})", v, "V"))
    netlist = STATIC.format(count=len(STATIC_POINTS), cards=cards)
    return Reference(netlist, bias, LIMITER_SOURCE)


RECTIFIER = """Half-wave rectifier with reservoir, 50 Hz
VIN in 0 DC 0 SIN(0 325 50)
RS in anode 100
D1 anode out DR
C1 out 0 47u
RL out 0 10k
.model DR D(is=2.55n n=1.75)
.end
"""


def rectifier():
    rs, c, rl = 100.0, 47e-6, 10e3
    saturation, emission = 2.55e-9, 1.75
    slope = emission * laws.THERMAL_V
    drive = solving.sine(0.0, 325.0, 50.0)

    def current(total):
        """Current with `total` volts across RS and the diode in series."""
        if total < -1.0:
            # The exponential has vanished beside the 1: the diode passes -IS alone.
            return laws.diode(total + saturation * rs, saturation, emission)

        def excess(vd):
            return (total - vd) / rs - laws.diode(vd, saturation, emission)

        # Above `top` the diode alone would pass more than RS could.
        top = slope * math.log1p(max(total, 0.0) / rs / saturation) + 1e-6
        vd = brentq(excess, min(total, 0.0) - 1e-3, top, xtol=1e-16, rtol=1e-14)
        return laws.diode(vd, saturation, emission)

    def rhs(t, y):
        return [(current(drive(t) - y[0]) - y[0] / rl) / c]

    def observe(t, y):
        i = current(drive(t) - y[0])
        return {"v(out)": y[0], "v(anode)": drive(t) - rs * i}

    origin = """
Half-wave rectifier: Shockley's law I = IS (exp(v/(n Vt)) - 1), Vt 0.0258649 V, in series with 100 ohm;
C dv/dt = i - v/RL, i from a scalar root. IS 2.55 nA, n 1.75 are common values of a silicon rectifier, no published source.
"""
    times = solving.rows(60e-3, 100e-6)
    # Left alone through the idle half-cycle, LSODA steps over the next conduction.
    return integrated(RECTIFIER, origin, rhs, observe, [0.0], times,
                      [("v(out)", 0.0, "V")], corners=times[::10])


def references():
    return {
        "limiter_sinh_1v": lambda: limiter(1.0, SINH),
        "limiter_sinh_4v5": lambda: limiter(4.5, SINH),
        "limiter_sinh_5v": lambda: limiter(5.0, SINH),
        "limiter_diodes_1v": lambda: limiter(1.0, DIODES),
        "limiter_diodes_5v": lambda: limiter(5.0, DIODES),
        "limiter_static": limiter_static,
        "half_wave_rectifier": rectifier,
    }
