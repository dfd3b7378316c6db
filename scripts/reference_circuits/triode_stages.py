"""Stages with one triode and a resistor in its plate: plain, blocking and Miller.

One circuit serves them all. Input capacitor CIN from the drive to node a, grid leak
RG from a to ground, stopper RS from a to the grid (absent in the plain stage),
plate resistor RA, cathode RK || CK, output COUT into RL. The states are the
capacitor voltages uin = vin - va, vk and uout = vp - vo.
"""

import numpy as np

from reference_circuits import laws, solving
from reference_circuits.reference import integrated

VB, RA, RK, CK = 330.0, 100e3, 1.5e3, 25e-6
CIN, RG, COUT, RL = 22e-9, 1e6, 22e-9, 1e6
RS = 68e3

LAW_SOURCE = """
Valve law: Koren, Glass Audio 1996 (notes.md: SEEN), 12AX7 set mu 100, ex 1.4, kg1 1060, kp 600, kvb 300.
Supply and resistors: the worked example of Steck, "Analog and Digital Electronics", ch. "Vacuum Tubes",
330 V, 100 k, 1.5 k; coupling capacitors, grid leak and load are common practice, no published source.
"""

STAGE_CARDS = """
VB supply 0 330
RA supply plate 100k
RK cathode 0 1.5k
CK cathode 0 25u
COUT plate out 22n
RL out 0 1meg
XV1A plate grid cathode 12AX7K
"""

PLAIN = f"""Single triode stage, cathode bypassed, 0.5 V of 1 kHz
VIN in 0 SIN(0 0.5 1k)
CIN in grid 22n
RG grid 0 1meg{STAGE_CARDS}.model 12AX7K triode(mu=100 ex=1.4 kg1=1060 kp=600 kvb=300)
.end
"""

BLOCKED = """Triode stage driven into grid current, {what}
VIN in 0 {drive}
CIN in a 22n
RG a 0 1meg
RS a grid 68k{cards}.model 12AX7K triode(mu=100 ex=1.4 kg1=1060 kp=600 kvb=300
+ gg=0.0006177 cg=9.901 xi=1.314)
.end
"""

MILLER = f"""Triode stage with interelectrode capacitances, 10 kHz square wave
VIN in 0 PULSE(-0.5 0.5 0 5u 5u 45u 100u)
CIN in a 22n
RG a 0 1meg
RS a grid 68k{STAGE_CARDS}.model 12AX7K triode(mu=100 ex=1.4 kg1=1060 kp=600 kvb=300
+ cgp=1.7p cgk=1.6p cpk=0.46p)
.end
"""


def at_rest(law):
    """Plate, cathode and grid voltage with no signal."""

    def residual(z):
        p, k, g = z
        ip = law.plate(p - k, g - k)
        ig = law.grid(g - k)
        return [(VB - p) / RA - ip, ip + ig - k / RK, -g / (RG + RS) - ig]

    return solving.operating_point(residual, [220.0, 1.6, 0.0])


def bias_rows(p, k, extra):
    current = (VB - p) / RA
    return [
        ("v(plate)", p, "V"),
        ("v(cathode)", k, "V"),
        ("v(plate,cathode)", p - k, "V"),
        ("v(out)", 0.0, "V"),
        ("i(RA)", current, "A"),
        ("p(RA)", current * (VB - p), "W"),
        *extra,
    ]


def plate_balance(z, law, g, k, uout):
    """Current into the plate node: from RA, less the valve's, less the load's."""
    p = z[0]
    return [(VB - p) / RA - law.plate(p - k, g - k) - (p - uout) / RL]


def plain():
    law = laws.KOREN_12AX7
    drive = solving.sine(0.0, 0.5, 1e3)
    p0, k0, _ = at_rest(law)
    plate = solving.Following(plate_balance, [p0])

    def observe(t, y):
        uin, k, uout = y
        g = drive(t) - uin
        p = plate.at(law, g, k, uout)[0]
        return {"v(grid)": g, "v(plate)": p, "v(cathode)": k, "v(out)": p - uout}

    def rhs(t, y):
        v = observe(t, y)
        ip = law.plate(v["v(plate)"] - y[1], v["v(grid)"] - y[1])
        return [v["v(grid)"] / (RG * CIN), (ip - y[1] / RK) / CK, v["v(out)"] / (RL * COUT)]

    return integrated(PLAIN, LAW_SOURCE, rhs, observe, [0.0, k0, p0],
               solving.rows(5e-3, 10e-6), bias_rows(p0, k0, [("v(grid)", 0.0, "V")]))


def blocking(what, card, drive, times):
    """The drive's peaks clamp at the grid and charge CIN, which then cuts the stage off."""
    law = laws.KOREN_12AX7_GRID
    p0, k0, g0 = at_rest(law)
    # The grid node has no capacitance here: its current through RS is the grid's.
    grid = solving.Following(lambda z, a, k: [(a - z[0]) / RS - law.grid(z[0] - k)], [g0])
    plate = solving.Following(plate_balance, [p0])
    a0 = g0 + RS * law.grid(g0 - k0)

    def observe(t, y):
        uin, k, uout = y
        a = drive(t) - uin
        g = grid.at(a, k)[0]
        p = plate.at(law, g, k, uout)[0]
        return {"v(a)": a, "v(grid)": g, "v(plate)": p, "v(cathode)": k, "v(out)": p - uout}

    def rhs(t, y):
        v = observe(t, y)
        k = y[1]
        ip = law.plate(v["v(plate)"] - k, v["v(grid)"] - k)
        ig = law.grid(v["v(grid)"] - k)
        return [(v["v(a)"] / RG + ig) / CIN, (ip + ig - k / RK) / CK, v["v(out)"] / (RL * COUT)]

    origin = LAW_SOURCE + """
Grid current: Dempwolf and Zoelzer, DAFx-11 (equations from memory) without the constant Ig0;
gg 6.177e-4, cg 9.901, xi 1.314. The 68 k stopper and 22 n capacitor are common practice, no published source.
"""
    netlist = BLOCKED.format(what=what, drive=card, cards=STAGE_CARDS)
    return integrated(netlist, origin, rhs, observe, [-a0, k0, p0], times,
               bias_rows(p0, k0, []))


def miller():
    """All three electrode capacitances: the 68 k stopper meets the Miller capacitance."""
    law = laws.KOREN_12AX7
    cgp, cgk, cpk = 1.7e-12, 1.6e-12, 0.46e-12
    drive = solving.pulse(-0.5, 0.5, 5e-6, 45e-6, 5e-6, 100e-6)
    p0, k0, _ = at_rest(law)
    # Capacitances seen by g, p, k (rows: current leaving the node).
    storage = np.array([
        [cgp + cgk, -cgp, -cgk],
        [-cgp, cgp + cpk, -cpk],
        [-cgk, -cpk, cgk + cpk + CK],
    ])
    inverse = np.linalg.inv(storage)

    def observe(t, y):
        uin, g, p, k, uout = y
        # Node a has no capacitance to anything but CIN: v(a) follows the drive.
        return {"v(a)": drive(t) - uin, "v(grid)": g, "v(plate)": p, "v(cathode)": k,
                "v(out)": p - uout}

    def rhs(t, y):
        uin, g, p, k, uout = y
        a = drive(t) - uin
        ip = law.plate(p - k, g - k)
        into = np.array([(a - g) / RS, (VB - p) / RA - ip - (p - uout) / RL, ip - k / RK])
        dg, dp, dk = inverse @ into
        return [(a / RG + (a - g) / RS) / CIN, dg, dp, dk, (p - uout) / (RL * COUT)]

    origin = LAW_SOURCE + """
Interelectrode capacitances 1.7, 1.6 and 0.46 pF: the printed 12AX7 figures (notes.md, Miller line);
the stopper of 68 k is the one of that line. Trapezium drive with 5 us edges; rows fall on every corner.
"""
    corners = [n * 100e-6 + c for n in range(3) for c in (0.0, 5e-6, 50e-6, 55e-6)]
    return integrated(MILLER, origin, rhs, observe, [-0.5, 0.0, p0, k0, p0],
               solving.rows(300e-6, 0.5e-6), bias_rows(p0, k0, [("v(grid)", 0.0, "V")]), corners)


def references():
    return {
        "triode_stage": plain,
        "triode_miller": miller,
        "grid_blocking": lambda: blocking(
            "20 V of 1 kHz through a coupling capacitor", "SIN(0 20 1k)",
            solving.sine(0.0, 20.0, 1e3), solving.rows(12e-3, 20e-6)),
        "grid_recovery": lambda: blocking(
            "a 20 V burst that dies away and leaves it blocked", "SIN(0 20 1k 0 150)",
            solving.sine(0.0, 20.0, 1e3, 150.0), solving.rows(40e-3, 50e-6)),
    }
