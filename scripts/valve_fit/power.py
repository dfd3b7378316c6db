"""The output stage of the printed power tables: one valve, or a push-pull pair.

Driven by a sine until the grid just reaches the cathode, quasi-static, with an
ideal transformer, so the figures are those of the valve law alone. Printed powers
are about what the terminals of a lossless transformer would give.
"""

import numpy as np

from .laws import pentode, screen
from .stage import SAMPLES, solve_rising, thd_percent

PHASE = np.sin(2.0 * np.pi * np.arange(SAMPLES) / SAMPLES)
ROUNDS = 100  # at most, of the damped search for cathode, screen and mean plate volts
DAMPING = 0.25  # gm * rk of a pair reaches 3: with cathode bias, full steps swing for ever


def bias_at(row, ip, ig2):
    """Grid-cathode, screen-cathode and plate-cathode volts at these total currents.

    `row` is a row of [[power_output]]. Volts printed as `va`, `vg2` are taken from
    cathode to electrode; `vb` and `vg2_supply` are supplies to ground.
    """
    vgk = row["vg1"] if "vg1" in row else -row["rk"] * (ip + ig2)
    lift = vgk if "vb" in row and "va" not in row else 0.0
    va = row.get("va", row.get("vb")) + lift
    vg2 = row.get("vg2_supply", row.get("vg2", row.get("vb"))) + lift
    return vgk, vg2 - ig2 * row.get("rg2", row.get("rg2_common", 0.0)), va


def single_plate(p, row, vg, vg2, va, mean):
    """Plate current over the period of one valve loaded by row['rl']."""
    load = row["rl"]

    def balance(v):
        ip, _, gp = pentode(p, vg, vg2, v)
        return v - va + load * (ip - mean), 1.0 + load * gp

    v = solve_rising(balance, 0.0 * vg, va + load * mean + 0.0 * vg)
    return pentode(p, vg, vg2, v)[0], v - va


def pair_plates(p, row, vg, vg2, va):
    """Both plate currents and half the plate-to-plate volts of a pair into row['raa']."""
    quarter = row["raa"] / 4.0
    other = 2.0 * vg.mean() - vg

    def balance(w):
        one, _, g1 = pentode(p, vg, vg2, va - w)
        two, _, g2 = pentode(p, other, vg2, va + w)
        return w - quarter * (one - two), 1.0 + quarter * (g1 + g2)

    w = solve_rising(balance, -va + 0.0 * vg, va + 0.0 * vg)
    both = pentode(p, vg, vg2, va - w)[0] + pentode(p, other, vg2, va + w)[0]
    return both, w


def run(p, row, driven):
    """Total plate and screen currents (A), power (W) and THD (%) of one printed row.

    `driven` false gives the currents at rest; power and THD are then nan.
    """
    pair = "raa" in row
    count = 2.0 if pair else 1.0
    ip, ig2 = 0.02 * count, 0.002 * count
    wave = np.zeros(SAMPLES)
    # Nothing moves with the mean currents: one round is exact.
    coupled = bool({"rk", "rg2", "rg2_common"} & row.keys())
    fixed = (pair or not driven) and not coupled
    step = DAMPING if coupled else 1.0
    for _ in range(ROUNDS):
        vgk, vg2, va = bias_at(row, ip, ig2)
        vg = vgk + abs(vgk) * PHASE if driven else np.array([vgk])
        if not driven:
            current = count * pentode(p, vg, vg2, va)[0]
        elif pair:
            current, wave = pair_plates(p, row, vg, vg2, va)
        else:
            current, wave = single_plate(p, row, vg, vg2, va, ip)
        grids = (vg, 2.0 * vgk - vg) if pair else (vg,)
        miss = current.mean() - ip, sum(screen(p, g, vg2).mean() for g in grids) - ig2
        if fixed or abs(miss[0]) + abs(miss[1]) < 1e-9:
            ip, ig2 = ip + miss[0], ig2 + miss[1]
            break
        ip, ig2 = ip + step * miss[0], ig2 + step * miss[1]
    if not driven:
        return ip, ig2, np.nan, np.nan
    power = 4.0 * np.var(wave) / row["raa"] if pair else np.var(wave) / row["rl"]
    return ip, ig2, power, float(thd_percent(wave))
