#!/usr/bin/env python3
"""Means and deviations of a triode stage over tolerances, by scipy and numpy alone.

Writes tests/references/triode_spread. The stage, 300 V through 100 k, cathode by 1.5 k, grid at
ground, is one equation in the cathode's voltage, solved by scipy's brentq; the law is Koren's
(Glass Audio, 1996) with contact potential as the contract states it, and production spread as
src/device/production.rs states it. Numbers come from numpy's PCG64. No code of the tool is used.
"""

import math
import pathlib

import numpy
from scipy.optimize import brentq

RUNS = 10_000
FOLDER = pathlib.Path(__file__).parent.parent / "tests/references/triode_spread"
MU, EX, KG1, KP, KVB = 100.0, 1.4, 1060.0, 600.0, 300.0
SUPPLY, RA, RK, VTEST = 300.0, 100e3, 1.5e3, 250.0

NETLIST = """Triode stage with tolerances, as scripts/reference_spread.py states it
VB b 0 300 ; tol=3%
RA b plate 100k ; tol=5%
RK cathode 0 1.5k ; tol=10%
XV1 plate 0 cathode SPREAD
.model SPREAD triode(mu=100 ex=1.4 kg1=1060 kp=600 kvb=300 vct=0
+ tolip=0.3 tolmu=0.1 tolvct=0.1 vtest=250)
.end
"""


def stage(supply, ra, rk, current, mu, contact):
    """Volts at plate and cathode."""
    kg1 = KG1 / (1 + current)
    mu_now = MU * (1 + mu)
    vct = contact + VTEST * (1 / MU - 1 / mu_now)

    def excess(vk):
        i = vk / rk
        vpk = supply - i * ra - vk
        z = KP * (1 / mu_now + (vct - vk) / math.sqrt(KVB + vpk * vpk))
        e1 = vpk / KP * numpy.logaddexp(0.0, z)
        return i - (2 * e1**EX / kg1 if e1 > 0 else 0.0)

    vk = brentq(excess, 0.0, supply * rk / (ra + rk), xtol=1e-13)
    return supply - vk / rk * ra, vk


def main():
    chance = numpy.random.Generator(numpy.random.PCG64(20261128))
    off = chance.uniform(-1, 1, (RUNS, 6)) * [0.03, 0.05, 0.10, 0.3, 0.1, 0.1]
    found = numpy.array(
        [
            stage(SUPPLY * (1 + o[0]), RA * (1 + o[1]), RK * (1 + o[2]), o[3], o[4], o[5])
            for o in off
        ]
    )
    FOLDER.mkdir(parents=True, exist_ok=True)
    (FOLDER / "netlist.cir").write_text(NETLIST)
    lines = ["figure,mean,mean_error,deviation,deviation_error"]
    for name, values in zip(["v(plate)", "v(cathode)"], found.T):
        deviation = values.std(ddof=1)
        # The variance of a sample variance, by the fourth moment.
        fourth = ((values - values.mean()) ** 4).mean()
        of_variance = math.sqrt((fourth - deviation**4) / RUNS)
        errors = (deviation / math.sqrt(RUNS), of_variance / (2 * deviation))
        row = [values.mean(), errors[0], deviation, errors[1]]
        lines.append(name + "".join(f",{x:.9g}" for x in row))
    (FOLDER / "spread.csv").write_text("\n".join(lines) + "\n")
    (FOLDER / "source.txt").write_text(
        "scripts/reference_spread.py: Koren's law solved by scipy's brentq at 10 000 draws of\n"
        "numpy's PCG64, tolerances uniform and independent. No code of the tool is used.\n"
    )


if __name__ == "__main__":
    main()
