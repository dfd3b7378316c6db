"""Semiconductor stages at rest, from the formulas that Berkeley published for SPICE."""

import math

from reference_circuits import laws, solving
from reference_circuits.reference import Reference

VT = laws.THERMAL_V


def bipolar_currents(vbe, vbc, saturation, bf, br, vaf, ikf):
    """Collector and base current of the Gummel-Poon model without leakage diodes."""
    forward = saturation * math.expm1(vbe / VT)
    reverse = saturation * math.expm1(vbc / VT)
    q1 = 1.0 / (1.0 - vbc / vaf)
    q2 = forward / ikf
    qb = q1 / 2.0 * (1.0 + math.sqrt(1.0 + 4.0 * q2))
    return (forward - reverse) / qb - reverse / br, forward / bf + reverse / br


BIPOLAR = """Common-emitter stage, {what}
VCC vcc 0 24
RB1 vcc b 47k
RB2 b 0 {rb2}
RC vcc c {rc}
RE e 0 470
Q1 c b e QN
.model QN NPN(is=1e-14 bf=200 vaf=80 ikf=0.05)
.end
"""


def bipolar(what, rb2_card, rb2, rc_card, rc, guess):
    vcc, rb1, re = 24.0, 47e3, 470.0

    def residual(z):
        b, c, e = z
        ic, ib = bipolar_currents(b - e, b - c, 1e-14, 200.0, 1.0, 80.0, 0.05)
        return [(vcc - b) / rb1 - b / rb2 - ib, (vcc - c) / rc - ic, ic + ib - e / re]

    b, c, e = solving.operating_point(residual, guess)
    origin = """
NPN of the Gummel-Poon model as SPICE 2 and 3 publish it (Nagel, ERL-M520, UC Berkeley, 1975; from memory):
q1 = 1/(1 - vbc/VAF), q2 = If/IKF, qb = q1/2 (1 + sqrt(1 + 4 q2)), Ic = (If - Ir)/qb - Ir/BR, Ib = If/BF + Ir/BR,
If = IS (exp(vbe/Vt) - 1); BR 1, NF = NR = 1, no leakage diodes, no series resistances. Vt 0.0258649 V.
"""
    netlist = BIPOLAR.format(what=what, rb2=rb2_card, rc=rc_card)
    bias = [("v(b)", b, "V"), ("v(c)", c, "V"), ("v(e)", e, "V"),
            ("i(RC)", (vcc - c) / rc, "A"), ("i(RE)", e / re, "A"), ("i(RB1)", (vcc - b) / rb1, "A")]
    return Reference(netlist, bias, origin)


JFETS = """Common-source JFETs, one saturated and one in its ohmic region
VDD vdd 0 24
RD1 vdd d1 4.7k
RS1 s1 0 1k
RG1 g1 0 100k
J1 d1 g1 s1 JN
RD2 vdd d2 22k
RS2 s2 0 100
J2 d2 0 s2 JN
.model JN NJF(beta=1.3m vto=-2 lambda=0.02 is=1e-14)
.end
"""


def jfet_drain(vgs, vds, beta, vto, lam):
    """Shichman and Hodges: none below vto, ohmic below vds = vgs - vto, else saturated."""
    drive = vgs - vto
    if drive <= 0.0:
        return 0.0
    if vds < drive:
        return beta * vds * (2.0 * drive - vds) * (1.0 + lam * vds)
    return beta * drive * drive * (1.0 + lam * vds)


def jfets():
    vdd = 24.0

    def stage(rd, rs, guess):
        def residual(z):
            d, s = z
            i = jfet_drain(-s, d - s, 1.3e-3, -2.0, 0.02)
            return [(vdd - d) / rd - i, i - s / rs]

        return solving.operating_point(residual, guess)

    d1, s1 = stage(4.7e3, 1e3, [18.0, 1.0])
    d2, s2 = stage(22e3, 100.0, [1.0, 0.1])
    if not (d1 - s1 > 2.0 - s1 and d2 - s2 < 2.0 - s2):
        raise RuntimeError("the two JFETs are not in the regions that the title says")
    origin = """
N-channel JFET of SPICE (Shichman and Hodges 1968; Nagel, ERL-M520, 1975; from memory): Id = beta (vgs - vto)^2 (1 + lambda vds)
saturated, beta vds (2 (vgs - vto) - vds)(1 + lambda vds) below vds = vgs - vto. The gate diodes' reverse
currents (2e-14 A) are left out: they are 1e-11 of the drain current.
"""
    bias = [("v(d1)", d1, "V"), ("v(s1)", s1, "V"), ("i(RD1)", (vdd - d1) / 4.7e3, "A"),
            ("v(d2)", d2, "V"), ("v(s2)", s2, "V"), ("i(RD2)", (vdd - d2) / 22e3, "A")]
    return Reference(JFETS, bias, origin)


MOSFETS = """Common-source MOSFETs, level 1, one saturated and one in its ohmic region
VDD vdd 0 20
R1 vdd g 1meg
R2 g 0 330k
RD1 vdd d1 2.2k
RS1 s1 0 680
M1 d1 g s1 0 MN w=100u l=10u
RD2 vdd d2 22k
M2 d2 g 0 0 MN w=100u l=10u
.model MN NMOS(level=1 kp=200u vto=1.5 lambda=0.01 gamma=0.6 phi=0.65)
.end
"""


def mosfet_drain(vgs, vds, vsb):
    """Level 1: the threshold rises with the source's voltage above the bulk."""
    beta, vto, lam, gamma, phi = 200e-6 * 100.0 / 10.0, 1.5, 0.01, 0.6, 0.65
    drive = vgs - vto - gamma * (math.sqrt(phi + vsb) - math.sqrt(phi))
    if drive <= 0.0:
        return 0.0
    if vds < drive:
        return beta * vds * (drive - vds / 2.0) * (1.0 + lam * vds)
    return beta / 2.0 * drive * drive * (1.0 + lam * vds)


def mosfets():
    vdd, g = 20.0, 20.0 * 330.0 / 1330.0

    def residual(z):
        d1, s1, d2 = z
        i1 = mosfet_drain(g - s1, d1 - s1, s1)
        i2 = mosfet_drain(g, d2, 0.0)
        return [(vdd - d1) / 2.2e3 - i1, i1 - s1 / 680.0, (vdd - d2) / 22e3 - i2]

    d1, s1, d2 = solving.operating_point(residual, [15.0, 1.5, 0.3])
    if not (d1 - s1 > g - s1 - 1.5 and d2 < g - 1.5):
        raise RuntimeError("the two MOSFETs are not in the regions that the title says")
    origin = """
N-channel MOSFET, level 1 (Shichman and Hodges 1968; SPICE 2, Nagel, ERL-M520, 1975; from memory):
vth = VTO + GAMMA (sqrt(PHI + vsb) - sqrt(PHI)), Id = KP W/L/2 (vgs - vth)^2 (1 + LAMBDA vds) saturated,
KP W/L vds (vgs - vth - vds/2)(1 + LAMBDA vds) below vds = vgs - vth. The bulk diodes' reverse currents
(about 1e-14 A) are left out.
"""
    bias = [("v(g)", g, "V"), ("v(d1)", d1, "V"), ("v(s1)", s1, "V"), ("i(RD1)", (vdd - d1) / 2.2e3, "A"),
            ("v(d2)", d2, "V"), ("i(RD2)", (vdd - d2) / 22e3, "A")]
    return Reference(MOSFETS, bias, origin)


def references():
    return {
        "bipolar_active": lambda: bipolar("at some 10 mA", "15k", 15e3, "680", 680.0, [5.5, 17.0, 4.8]),
        "bipolar_saturated": lambda: bipolar("saturated", "33k", 33e3, "3.3k", 3.3e3, [3.9, 3.3, 3.2]),
        "jfet_stages": jfets,
        "mosfet_stages": mosfets,
    }
