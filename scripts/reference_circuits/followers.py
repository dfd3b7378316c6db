"""Stages whose cathode carries the signal: a follower and a long-tailed pair."""

from reference_circuits import laws, solving
from reference_circuits.reference import integrated

FOLLOWER = """Cathode follower, 20 V of 1 kHz into 47k
VB supply 0 300
VIN grid 0 SIN(150 20 1k)
RK cathode 0 100k
COUT cathode out 100n
RL out 0 47k
XV1A supply grid cathode 12AX7K
.model 12AX7K triode(mu=100 ex=1.4 kg1=1060 kp=600 kvb=300)
.end
"""


def follower():
    law = laws.KOREN_12AX7
    vb, rk, cout, rl = 300.0, 100e3, 100e-9, 47e3
    drive = solving.sine(150.0, 20.0, 1e3)
    k0 = solving.operating_point(
        lambda z: [law.plate(vb - z[0], 150.0 - z[0]) - z[0] / rk], [150.0])[0]

    # The only state is uout = vk - vo; the cathode has no capacitance.
    cathode = solving.Following(
        lambda z, g, u: [law.plate(vb - z[0], g - z[0]) - z[0] / rk - (z[0] - u) / rl], [k0])

    def observe(t, y):
        k = cathode.at(drive(t), y[0])[0]
        return {"v(grid)": drive(t), "v(cathode)": k, "v(out)": k - y[0]}

    def rhs(t, y):
        return [observe(t, y)["v(out)"] / (rl * cout)]

    origin = """
The cathode follower of notes.md (COMPUTED there: cathode 150.6546 V, 1.50655 mA): 12AX7 law of Koren 1996,
supply 300 V, grid 150 V, 100 k in the cathode. The 100 n and 47 k load after it are ours and carry no DC.
"""
    bias = [("v(cathode)", k0, "V"), ("i(RK)", k0 / rk, "A"), ("p(RK)", k0 * k0 / rk, "W"),
            ("v(out)", 0.0, "V")]
    return integrated(FOLLOWER, origin, rhs, observe, [k0],
               solving.rows(4e-3, 10e-6), bias)


PAIR = """Long-tailed pair, 5 V of 1 kHz on one grid
VB supply 0 350
VIN in 0 SIN(0 5 1k)
C1 in g1 22n
R1 g1 tail 1meg
C2 g2 0 100n
R2 g2 tail 1meg
RKB cathode tail 1k
RT tail 0 22k
RA1 supply p1 100k
RA2 supply p2 120k
CO1 p1 o1 22n
CO2 p2 o2 22n
RL1 o1 0 220k
RL2 o2 0 220k
XV1A p1 g1 cathode 12AX7K
XV1B p2 g2 cathode 12AX7K
.model 12AX7K triode(mu=100 ex=1.4 kg1=1060 kp=600 kvb=300)
.end
"""


def pair():
    law = laws.KOREN_12AX7
    vb, ra1, ra2, rkb, rt, rg, rl = 350.0, 100e3, 120e3, 1e3, 22e3, 1e6, 220e3
    c1, c2, co = 22e-9, 100e-9, 22e-9
    drive = solving.sine(0.0, 5.0, 1e3)

    def rest(z):
        k, tail, p1, p2 = z
        i1, i2 = law.plate(p1 - k, tail - k), law.plate(p2 - k, tail - k)
        return [i1 + i2 - (k - tail) / rkb, (k - tail) / rkb - tail / rt,
                (vb - p1) / ra1 - i1, (vb - p2) / ra2 - i2]

    k0, tail0, p10, p20 = solving.operating_point(rest, [41.0, 40.0, 250.0, 240.0])

    # Given the capacitors (u1 = vin - g1, g2, o-capacitors) the rest is algebraic:
    # current balances at the cathodes, the tail junction and the two plates.
    def balance(z, g1, g2, w1, w2):
        k, tail, p1, p2 = z
        i1, i2 = law.plate(p1 - k, g1 - k), law.plate(p2 - k, g2 - k)
        return [i1 + i2 - (k - tail) / rkb,
                (k - tail) / rkb + (g1 - tail) / rg + (g2 - tail) / rg - tail / rt,
                (vb - p1) / ra1 - i1 - (p1 - w1) / rl,
                (vb - p2) / ra2 - i2 - (p2 - w2) / rl]

    nodes = solving.Following(balance, [k0, tail0, p10, p20])

    def observe(t, y):
        u1, g2, w1, w2 = y
        g1 = drive(t) - u1
        k, tail, p1, p2 = nodes.at(g1, g2, w1, w2)
        return {"v(g1)": g1, "v(g2)": g2, "v(cathode)": k, "v(tail)": tail,
                "v(o1)": p1 - w1, "v(o2)": p2 - w2}

    def rhs(t, y):
        v = observe(t, y)
        return [(v["v(g1)"] - v["v(tail)"]) / (rg * c1), (v["v(tail)"] - v["v(g2)"]) / (rg * c2),
                v["v(o1)"] / (rl * co), v["v(o2)"] / (rl * co)]

    origin = """
Long-tailed pair with the 12AX7 law of Koren 1996 (notes.md: SEEN). Component values are common practice
(100 k and 120 k plates, 22 k tail), no published source; the equations are the current balances in
scripts/reference_circuits/followers.py.
"""
    bias = [("v(cathode)", k0, "V"), ("v(tail)", tail0, "V"), ("v(g1)", tail0, "V"),
            ("v(g2)", tail0, "V"), ("v(p1)", p10, "V"), ("v(p2)", p20, "V"),
            ("i(RA1)", (vb - p10) / ra1, "A"), ("i(RA2)", (vb - p20) / ra2, "A"),
            ("i(RT)", tail0 / rt, "A")]
    return integrated(PAIR, origin, rhs, observe,
               [-tail0, tail0, p10, p20], solving.rows(5e-3, 10e-6), bias)


def references():
    return {"cathode_follower": follower, "long_tailed_pair": pair}
