"""Circuits that have formulas: RC and RLC ramps, a let-go capacitor, pots, a transformer."""

import math

import numpy as np
from scipy.integrate import quad

from reference_circuits import solving
from reference_circuits.reference import Reference

RC = """RC low-pass, a step with a 20 us ramp
VIN in 0 PULSE(0 1 0 20u 20u 1 2)
R1 in out 10k
C1 out 0 10n
.end
"""


def rc_step():
    tau, rise = 10e3 * 10e-9, 20e-6

    # A ramp of slope s into RC gives s (t - tau + tau e^(-t/tau)); the step's top is
    # that ramp less the same ramp begun `rise` later.
    def ramp(t):
        t = np.maximum(t, 0.0)
        return t + tau * np.expm1(-t / tau)

    times = solving.rows(1e-3, 2e-6)
    v = (ramp(times) - ramp(times - rise)) / rise
    drive = np.clip(times / rise, 0.0, 1.0)
    origin = """
RC low-pass, tau = R C = 100 us. Response to a ramp of unit slope: t - tau + tau exp(-t/tau); a step with a
20 us rise is the difference of two ramps. Textbook formula, from memory.
"""
    return Reference(RC, [("v(out)", 0.0, "V")], origin, times, {"v(in)": drive, "v(out)": v})


RLC = """Series RLC, under-damped, a step with a 20 us ramp
VIN in 0 PULSE(0 1 0 20u 20u 1 2)
R1 in a 20
L1 a out 10m
C1 out 0 1u
.end
"""


def rlc_ring():
    r, l, c, rise = 20.0, 10e-3, 1e-6, 20e-6
    w0, alpha = 1.0 / math.sqrt(l * c), r / (2.0 * l)
    wd = math.sqrt(w0 * w0 - alpha * alpha)

    def step(t):
        return 1.0 - math.exp(-alpha * t) * (math.cos(wd * t) + alpha / wd * math.sin(wd * t))

    def ramp(t):
        t = np.maximum(t, 0.0)
        ring = 2.0 * alpha * np.cos(wd * t) + (alpha * alpha - wd * wd) / wd * np.sin(wd * t)
        return t - 2.0 * alpha / w0**2 + np.exp(-alpha * t) * ring / w0**2

    # The ramp response is the integral of the step response.
    area, _ = quad(step, 0.0, 1e-3, epsabs=1e-15, limit=200)
    if abs(area - float(ramp(np.array(1e-3)))) > 1e-14:
        raise RuntimeError("the ramp response is not the integral of the step response")

    def current(t):
        """C d(ramp response)/dt = C (step response)."""
        t = np.maximum(t, 0.0)
        return c * (1.0 - np.exp(-alpha * t) * (np.cos(wd * t) + alpha / wd * np.sin(wd * t)))

    times = solving.rows(4e-3, 5e-6)
    out = (ramp(times) - ramp(times - rise)) / rise
    i = (current(times) - current(times - rise)) / rise
    drive = np.clip(times / rise, 0.0, 1.0)
    origin = """
Series RLC: w0 = 1/sqrt(L C) = 1e4 rad/s, alpha = R/(2L) = 1e3 1/s, wd = sqrt(w0^2 - alpha^2).
Step response 1 - exp(-alpha t)(cos wd t + alpha/wd sin wd t); its integral is the ramp response, and a step
with a 20 us rise is the difference of two ramps. Textbook formula, from memory; the integral is checked by quadrature.
"""
    return Reference(RLC, [("v(out)", 0.0, "V")], origin, times,
                     {"v(out)": out, "v(a)": drive - r * i, "i(R1)": i})


LET_GO = """A charged capacitor let go: two sections
R1 a b 10k
R2 b 0 10k
C1 a 0 10n
C2 b 0 20n
.ic v(a)=5 v(b)=-2
.end
"""


def let_go():
    r1, r2, c1, c2 = 10e3, 10e3, 10e-9, 20e-9
    # d/dt (va, vb) = A (va, vb): the answer is the sum of two modes.
    a = np.array([[-1.0 / (r1 * c1), 1.0 / (r1 * c1)],
                  [1.0 / (r1 * c2), -(1.0 / r1 + 1.0 / r2) / c2]])
    rates, modes = np.linalg.eig(a)
    weights = np.linalg.solve(modes, [5.0, -2.0])
    times = solving.rows(1e-3, 2e-6)
    v = np.exp(np.outer(times, rates)) * weights @ modes.T
    origin = """
Two capacitors held by .ic at 5 V and -2 V and then let go: the linear system's two eigenmodes, weighted to
start there. Textbook method, from memory. No operating point is listed: bias is not where .ic is promised.
"""
    return Reference(LET_GO, [], origin, times, {"v(a)": v[:, 0], "v(b)": v[:, 1]})


POTS = """Bridge of pots, one of each taper
VIN in 0 SIN(3 2 1k)
XLIN in wl 0 P_LIN knob=3
XAUD in wa 0 P_AUD knob=7
XREV in wr 0 P_REV knob=4
XEND in we 0 P_AUD knob=10
RLA wl wa 47k
RAR wa wr 100k
RRE wr we 220k
.model P_LIN pot(r=250k taper=linear)
.model P_AUD pot(r=1meg taper=audio mid=0.15)
.model P_REV pot(r=500k taper=reverse mid=0.1)
.end
"""


def pots():
    def audio(x, mid):
        b = (1.0 / mid - 1.0) ** 2
        return (b**x - 1.0) / (b - 1.0)

    def parts(r, fraction):
        """Wiper to bottom, wiper to top: at least 1 ohm each."""
        return max(1.0, r * fraction), max(1.0, r * (1.0 - fraction))

    wipers = {
        "wl": parts(250e3, 0.3),
        "wa": parts(1e6, audio(0.7, 0.15)),
        "wr": parts(500e3, 1.0 - audio(1.0 - 0.4, 0.1)),
        "we": parts(1e6, 1.0),
    }
    bridges = [("wl", "wa", 47e3), ("wa", "wr", 100e3), ("wr", "we", 220e3)]
    index = {name: n for n, name in enumerate(wipers)}
    g, into = np.zeros((4, 4)), np.zeros(4)
    for name, (bottom, top) in wipers.items():
        g[index[name], index[name]] += 1.0 / bottom + 1.0 / top
        into[index[name]] += 1.0 / top
    for a, b, r in bridges:
        i, j = index[a], index[b]
        g[i, i] += 1.0 / r
        g[j, j] += 1.0 / r
        g[i, j] -= 1.0 / r
        g[j, i] -= 1.0 / r
    gains = np.linalg.solve(g, into)
    times = solving.rows(2e-3, 10e-6)
    drive = 3.0 + 2.0 * np.sin(2.0 * math.pi * 1e3 * times)
    bias = [(f"v({name})", 3.0 * gains[n], "V") for name, n in index.items()]
    bias.append(("v(wl,wa)", 3.0 * (gains[0] - gains[1]), "V"))
    bias.append(("i(RLA)", 3.0 * (gains[0] - gains[1]) / 47e3, "A"))
    origin = """
Four loaded potentiometers: linear; audio with b = (1/mid - 1)^2 so that f(0.5) = (b^0.5 - 1)/(b - 1) = mid;
reverse 1 - f(1 - x); and an end stop, where 1 ohm stays. Laws as promised by the netlist contract; the nodal
equations of the four wipers are solved by numpy. The circuit is linear: waveforms are the gains times the drive.
"""
    columns = {f"v({name})": gains[n] * drive for name, n in index.items()}
    return Reference(POTS, bias, origin, times, columns)


TRANSFORMER = """Coupled inductors, sine from rest into a resistor
VIN in 0 SIN(0 100 50)
RP in p 200
LP p 0 10
LS s 0 0.1
KT LP LS 0.98
RL s 0 8
.end
"""


def transformer():
    rp, lp, ls, k, rl = 200.0, 10.0, 0.1, 0.98, 8.0
    amplitude, w = 100.0, 2.0 * math.pi * 50.0
    m = k * math.sqrt(lp * ls)
    inverse = np.linalg.inv(np.array([[lp, m], [m, ls]]))
    # Both currents flow into the dotted ends: L di/dt = (vin - rp i1, -rl i2).
    a = -inverse @ np.diag([rp, rl])
    b = inverse @ np.array([amplitude, 0.0])
    # Forced answer Im(X e^(jwt)) with (jw - A) X = b, plus two modes that cancel it at t = 0.
    forced = np.linalg.solve(1j * w * np.eye(2) - a, b)
    rates, modes = np.linalg.eig(a)
    weights = np.linalg.solve(modes, -forced.imag)
    times = solving.rows(100e-3, 100e-6)
    i = (np.outer(np.exp(1j * w * times), forced)).imag + np.exp(np.outer(times, rates)) * weights @ modes.T
    drive = amplitude * np.sin(w * times)
    origin = """
Two coupled inductors, M = k sqrt(Lp Ls): the forced sine by phasors plus the two eigenmodes that make both
currents vanish at t = 0. Dots at the first node of each winding (SPICE's convention for K). Textbook method, from memory.
"""
    columns = {"v(p)": drive - rp * i[:, 0], "v(s)": -rl * i[:, 1], "i(RP)": i[:, 0]}
    return Reference(TRANSFORMER, [("v(p)", 0.0, "V"), ("v(s)", 0.0, "V")], origin, times, columns)


def references():
    return {"rc_step": rc_step, "rlc_ring": rlc_ring, "rc_let_go": let_go,
            "pot_bridge": pots, "transformer": transformer}
