#!/usr/bin/env python3
"""Steady states for gridleak's `distortion`: the same circuits as hand-written equations.

  scripts/reference_distortion.py            write tests/references/steady_states.csv
  scripts/reference_distortion.py --check    compare it with a fresh computation

The period's start is sought with Newton on the map from the start of a period to its end.
The mean, the mean square and the Fourier integrals are integrated along with the circuit,
so that nothing is interpolated. Needs numpy and scipy, and nothing of gridleak.
"""

import argparse
import csv
import io
import math
import sys
from pathlib import Path

import numpy as np
from scipy.integrate import quad, solve_ivp

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from reference_circuits.laws import KOREN_12AX7_GRID  # noqa: E402

FILE = HERE.parent / "tests" / "references" / "steady_states.csv"
HARMONICS = 9
# What --check allows between committed figures and fresh ones, as a part of the rms.
SAME = 1e-8


def static(law, level):
    """A law without memory: Fourier integrals by scipy's adaptive quadrature."""

    def mean(f):
        parts = [quad(f, a, a + math.pi / 2, epsabs=1e-13, epsrel=1e-12)[0] for a in np.arange(4) * math.pi / 2]
        return sum(parts) / (2 * math.pi)

    def y(x):
        return law(level * math.sin(x))

    average = mean(y)
    square = mean(lambda x: (y(x) - average) ** 2)
    lines = [
        (2 * mean(lambda x, k=k: y(x) * math.cos(k * x)), 2 * mean(lambda x, k=k: y(x) * math.sin(k * x)))
        for k in range(1, HARMONICS + 1)
    ]
    return average, math.sqrt(square), [math.hypot(*line) / math.sqrt(2) for line in lines]


def steady(rhs, observe, start, hz):
    """The periodic solution of y' = rhs(t, y): mean, rms and harmonics of observe(t, y)."""
    period = 1.0 / hz
    n = len(start)
    kinds = {"method": "LSODA", "rtol": 1e-12, "atol": 1e-14, "max_step": period / 100}

    def end(y0):
        return solve_ivp(rhs, (0, period), y0, **kinds).y[:, -1]

    y0 = np.array(start, dtype=float)
    for _ in range(30):
        y1 = end(y0)
        jacobian = np.empty((n, n))
        for k in range(n):
            nudge = 1e-5 * max(1.0, abs(y0[k]))
            moved = y0.copy()
            moved[k] += nudge
            jacobian[:, k] = (end(moved) - y1) / nudge
        step = np.linalg.solve(np.eye(n) - jacobian, y1 - y0)
        y0 = y0 + step
        if np.max(np.abs(step) / np.maximum(1.0, np.abs(y0))) < 1e-11:
            break
    else:
        raise RuntimeError("Newton does not settle")

    def along(t, z):
        y = z[:n]
        out = observe(t, y)
        angles = 2 * math.pi * hz * t * np.arange(1, HARMONICS + 1)
        more = np.concatenate([[out, out * out], out * np.cos(angles), out * np.sin(angles)])
        return np.concatenate([rhs(t, y), more * hz])

    z = solve_ivp(along, (0, period), np.concatenate([y0, np.zeros(2 + 2 * HARMONICS)]), **kinds).y[n:, -1]
    cosines, sines = 2 * z[2 : 2 + HARMONICS], 2 * z[2 + HARMONICS :]
    return z[0], math.sqrt(z[1] - z[0] ** 2), list(np.hypot(cosines, sines) / math.sqrt(2))


def limiter(level, hz=1000.0):
    """Yeh, Abel and Smith, DAFx-07: 2.2 k, 10 n, two diodes as one sinh."""

    def rhs(t, y):
        drive = level * math.sin(2 * math.pi * hz * t)
        return np.array([(drive - y[0]) / 2.2e3 / 10e-9 - 2 * 2.52e-9 / 10e-9 * math.sinh(y[0] / 0.0453)])

    return steady(rhs, lambda t, y: y[0], [0.0], hz)


class Root:
    """A scalar equation solved again and again from its last answer."""

    def __init__(self, start):
        self.last = start

    def of(self, f):
        x = self.last
        for _ in range(200):
            y = f(x)
            nudge = 1e-6 * max(1.0, abs(x))
            step = y * 2 * nudge / (f(x + nudge) - f(x - nudge))
            # Half a volt a step keeps it near where the laws bend.
            step = max(-5.0, min(5.0, step))
            x -= step
            if abs(step) < 1e-13 * max(1.0, abs(x)):
                break
        self.last = x
        return x


def blocking(level, probe, hz=1000.0):
    """The triode stage of tests/references/grid_blocking, 12AX7 with grid current."""
    valve = KOREN_12AX7_GRID
    grid, plate = Root(0.0), Root(200.0)

    def nodes(t, y):
        a = level * math.sin(2 * math.pi * hz * t) - y[0]
        g = grid.of(lambda g: (a - g) / 68e3 - valve.grid(g - y[1]))
        p = plate.of(lambda p: (330.0 - p) / 100e3 - valve.plate(p - y[1], g - y[1]) - (p - y[2]) / 1e6)
        return a, g, p

    def rhs(t, y):
        a, g, p = nodes(t, y)
        cathode = valve.plate(p - y[1], g - y[1]) + valve.grid(g - y[1])
        return np.array(
            [
                (a / 1e6 + (a - g) / 68e3) / 22e-9,
                (cathode - y[1] / 1.5e3) / 25e-6,
                (p - y[2]) / 1e6 / 22e-9,
            ]
        )

    def observe(t, y):
        _, g, p = nodes(t, y)
        return {"v(out)": p - y[2], "v(grid)": g}[probe]

    # Somewhere near: the grid's capacitor charged by the peaks.
    return steady(rhs, observe, [0.8 * max(level - 2.0, 0.0), 1.4, 220.0], hz)


def rows():
    """Case, probe, frequency, level and what it gives."""
    for level in [0.1, 1.0, 5.0]:
        yield "tanh", "v(out)", 1000.0, level, static(math.tanh, level)
    for level in [0.05, 1.0, 4.5]:
        yield "limiter", "v(out)", 1000.0, level, limiter(level)
    for level, probe in [(0.5, "v(out)"), (20.0, "v(out)"), (20.0, "v(grid)")]:
        yield "blocking", probe, 1000.0, level, blocking(level, probe)


def text():
    """The table."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["case", "probe", "freq_hz", "level", "mean", "rms", *(f"h{k}" for k in range(1, HARMONICS + 1))])
    for case, probe, hz, level, (mean, rms, harmonics) in rows():
        print(f"{case} {level}", file=sys.stderr)
        writer.writerow([case, probe, hz, level, *(f"{x:.13g}" for x in [mean, rms, *harmonics])])
    return out.getvalue()


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--check", action="store_true", help="compare, write nothing; exit 1 if anything differs")
    fresh = text()
    if not parser.parse_args().check:
        FILE.write_text(fresh)
        return 0
    old, new = (list(csv.reader(t.splitlines())) for t in (FILE.read_text(), fresh))
    if len(old) != len(new) or old[0] != new[0]:
        print("other rows or columns")
        return 1
    wrong = 0
    for a, b in zip(old[1:], new[1:]):
        scale = float(b[5])
        off = max(abs(float(x) - float(y)) / scale for x, y in zip(a[3:], b[3:]))
        if a[:2] != b[:2] or off > SAME:
            print(f"{b[0]} {b[1]} at {b[3]} differs by {off:.1e} of its rms")
            wrong = 1
    return wrong


if __name__ == "__main__":
    sys.exit(main())
