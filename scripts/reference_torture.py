#!/usr/bin/env python3
"""The roots that comments of tests/torture/*.cir name, found with scipy's brentq.

Equations by hand from the netlists and the published laws; nothing of the tool is used.
"""

from math import atan, exp, log

from scipy.optimize import brentq

VT = 8.617333262e-5 * 300.15


def ring(supply, load, base):
    """Odd ring of npn inverters: all collectors alike."""

    def collector(i):
        return base * i / 100 + VT * log(i / 1e-14)

    i = brentq(lambda i: (supply - collector(i)) / load - 1.01 * i, 1e-9, supply / load)
    return collector(i)


def diodes(count, supply, ohms):
    """Diodes in a row behind a resistor."""
    return brentq(
        lambda v: (supply - v) / ohms - 1e-14 * (exp(v / (count * VT)) - 1),
        0,
        min(supply, count * 0.9),
    )


def tunnel(v):
    return 1e-3 * v / 0.1 * exp(1 - v / 0.1) + 1e-9 * (exp(v / 0.05) - 1)


def widlar():
    one = brentq(lambda i: 9300 * i - 10 + VT * log(i / 1e-14), 1e-6, 2e-3)
    return 10 - 1e4 * brentq(lambda i: 2700 * i - VT * log(one / i), 1e-9, one)


for name, value in {
    "chain6_transistor_loop v(c1)": ring(10, 4700, 22000),
    "ring_3 v(c2)": ring(5, 1000, 10000),
    "feedback_latched v(x)": brentq(lambda x: 2 * x - 0.1 - 5 * atan(x), -5, -1),
    "huge_and_tiny_diodes v(c)": brentq(
        lambda v: v / 1e12 - 1e-14 * (exp((2.5 - v) / VT) - 1), 2, 2.5
    ),
    "diodes_10 v(d1)": diodes(10, 100, 1e4),
    "diodes_50 v(d1)": diodes(50, 30, 1e3),
    "tunnel v(b)": brentq(lambda v: (0.6 - v) / 60 - tunnel(v), 0, 0.7),
    "widlar v(c)": widlar(),
    "exponential_source v(b)": brentq(
        lambda v: (10 - v) / 1e3 - 1e-12 * (exp(40 * v) - 1), 0, 1
    ),
    "exponential_source v(c)": brentq(
        lambda v: (10 - v) / 1e3 - 1e-60 * exp(20 * v), 0, 9.99
    ),
}.items():
    print(f"{name} {value:.8f}")
