"""The output stages of the printed power tables: one valve, or a push-pull pair.

Driven by a sine, quasi-static, with an ideal transformer, so the figures are those of the
valve law alone. All stages of one valve are solved at once: arrays of shape (stages,) or
(stages, SAMPLES). Printed powers are about what the terminals of a lossless transformer
would give; `handed_on` says which are not.
"""

import re

import numpy as np

from .laws import power_valve
from .stage import SAMPLES, thd_percent

PHASE = np.sin(2.0 * np.pi * (np.arange(SAMPLES) + 0.5) / SAMPLES)
ROUNDS = 60  # at most, of the search for the mean currents
SETTLED = 1e-7  # A
TAP_STEP = 1e-3  # V, for the slope of a tapped stage
LIMITS = (5, 10)  # percent
# Valves of theirs whose rows do not name them.
PHILIPS = ("ECL82", "ECL86")
# What an output transformer hands on: 3 % of its impedance in each winding's copper and an iron
# loss of 25 times it, the tool's own where nothing is given.
HANDED_ON = 0.905


def cathode_resistor(row):
    """Ohms of the cathode resistor, from the row or its label; nan for fixed bias."""
    if "fixed bias" in row.get("service", ""):
        return np.nan
    written = re.search(r"Rk=(\d+)", row.get("service", ""))
    return float(row.get("rk", written.group(1) if written else np.nan))


def stops_at_distortion(row):
    """Whether the printed output is that at a distortion limit.

    Philips and Mullard print the output at 10 % (single valves) or 5 % (pairs); their grids
    are then short of the cathode. The other makers drive to zero grid volts.
    """
    theirs = "Philips" in row["source"] or row["valve"] in PHILIPS
    return theirs and row.get("thd") in LIMITS


def handed_on(row):
    """The part of the plates' power that a row prints: 1, or what a transformer hands on.

    The EL84's pairs are printed behind one. Their own currents say so: in class B, 92 mA of mean
    current with 4 % of distortion are a fundamental of 139 mA, in 8 k from plate to plate 19.4 W;
    17 W are printed. The chart of the same sheet, interpolated without any law, gives 18.6 W, and
    19.1 W in class AB (README.md). Its single valves have their printed power at the plate.
    """
    return HANDED_ON if row["valve"] == "EL84" and "raa" in row and "tap" not in row else 1.0


def most_power(row):
    """The power (W) that a pair's printed plate current can carry at most; infinite if none is printed.

    The load has the difference of the two currents, whose mean cannot be larger than that of their
    sum: in class B without any crossing it is 2/pi of the fundamental's crest, which a third
    harmonic may raise by a third of itself.
    """
    if not {"raa", "iam", "po_w", "thd"} <= row.keys():
        return np.inf
    mean = 1e-3 * (row["iam"] + row.get("tap", 0.0) * row.get("ig2m", 0.0))
    crest = 0.5 * np.pi * mean * (1.0 + row["thd"] / 300.0)
    return 0.5 * crest**2 * row["raa"] / 4.0


def drive_of(row):
    """Peak volts at one grid where the row prints them, else nan: up to zero grid volts."""
    if "drive_vrms" in row:
        return row["drive_vrms"] * 2.0**0.5
    if "drive_gg_peak" in row:
        return row["drive_gg_peak"] / 2.0
    return row.get("drive_peak", row.get("drive", np.nan))


class Stages:
    """Some rows of [[power_output]], [[ultralinear]] or [[triode_connection]]."""

    def __init__(self, rows):
        column = lambda *keys, other=0.0: np.array(
            [next((row[k] for k in keys if k in row), other) for row in rows], float
        )
        self.pair = np.array(["raa" in row for row in rows])
        self.load = np.where(self.pair, column("raa") / 4.0, column("rl"))
        rk = np.array([cathode_resistor(row) for row in rows])
        self.fixed = np.isnan(rk)
        self.rk = np.where(self.fixed, 0.0, rk)
        self.vg1 = column("vg1")
        # Volts printed as `va`, `vg2` are taken from cathode to electrode; `vb` is a supply.
        self.ground = np.array(["vb" in row and "va" not in row for row in rows])
        self.va = column("va", "vb")
        self.vg2 = column("vg2_supply", "vg2", "va", "vb")
        # With a single valve the printed screen volts are those at the screen: through its
        # 2 k, the EL34's 265 V would be 235 V and its 100 mA no more than 70.
        self.rg2 = np.where(self.pair, column("rg2", "rg2_common"), 0.0)
        self.tap = column("tap")
        self.drive = np.array([drive_of(row) for row in rows], float)
        self.limit = np.array(
            [row["thd"] if stops_at_distortion(row) else np.inf for row in rows], float
        )
        self.handed_on = np.array([handed_on(row) for row in rows], float)
        self.start = np.where(self.pair, 0.1, 0.05)

    def bias_at(self, mean):
        """Grid, screen and plate volts over the cathode at mean currents (plate, screen)."""
        vgk = np.where(self.fixed, self.vg1, -self.rk * (mean[0] + mean[1]))
        lift = np.where(self.ground, vgk, 0.0)
        return vgk, self.vg2 + lift - mean[1] * self.rg2, self.va + lift

    def valve(self, p, vg, v2, va, w):
        """Plate and screen current with the plate `w` below its supply.

        Also the current that the transformer sees, and its slope to -w.
        """
        tap = self.tap[:, None]
        ip, ig2, _, gp = power_valve(p, vg, v2 - tap * w, va - w)
        if not self.tap.any():
            return ip, ig2, ip, gp
        wound = ip + tap * ig2
        moved = w - TAP_STEP
        near = power_valve(p, vg, v2 - tap * moved, va - moved)
        return ip, ig2, wound, (near[0] + tap * near[1] - wound) / TAP_STEP

    def waves(self, p, vg, v2, va, mean, w):
        """Plate and screen currents (totals) and the load's volts over a period.

        Of a pair `w` is half the plate-to-plate volts. Newton kept in a bracket.
        """
        v2, va, pair, load = v2[:, None], va[:, None], self.pair[:, None], self.load[:, None]
        other = 2.0 * vg.mean(axis=1, keepdims=True) - vg
        # The transformer carries the mean of a single valve's current, screen tap included.
        still = (mean[0] + self.tap * mean[1])[:, None]
        low, high = np.broadcast_arrays(np.where(pair, -va, -3.0 * va), va + 0.0 * vg)
        low, high = low + 0.0 * vg, high + 0.0 * vg
        for _ in range(60):
            one, screen_one, seen_one, g_one = self.valve(p, vg, v2, va, w)
            two, screen_two, seen_two, g_two = self.valve(p, other, v2, va, -w)
            value = np.where(
                pair, w - load * (seen_one - seen_two), w - load * (seen_one - still)
            )
            slope = 1.0 + load * np.where(pair, g_one + g_two, g_one)
            low, high = np.where(value < 0.0, w, low), np.where(value < 0.0, high, w)
            new = w - value / slope
            new = np.where((new >= low) & (new <= high), new, 0.5 * (low + high))
            moved, w = np.max(np.abs(new - w)), new
            if moved < 1e-7:
                break
        both = lambda a, b: np.where(self.pair, (a + b).mean(axis=1), a.mean(axis=1))
        return both(one, two), both(screen_one, screen_two), w

    def settle(self, p, mean, amplitude):
        """Mean currents of shape (2, stages), load volts, grid bias at a drive.

        `amplitude` takes the grid bias and gives peak volts; None is rest. Currents that
        depend on themselves (cathode and screen resistors, a single valve's mean) are found
        by the secant rule on each.
        """
        w = np.zeros((len(self.load), SAMPLES))
        count = np.where(self.pair, 2.0, 1.0)
        before = None
        for _ in range(ROUNDS):
            vgk, v2, va = self.bias_at(mean)
            if amplitude is None:
                found = power_valve(p, vgk, v2, va)
                miss = count * np.stack(found[:2]) - mean
            else:
                vg = vgk[:, None] + amplitude(vgk)[:, None] * PHASE
                ip, ig2, w = self.waves(p, vg, v2, va, mean, w)
                miss = np.stack([ip, ig2]) - mean
            if np.max(np.abs(miss)) < SETTLED:
                break
            if before is None:
                step = np.where(self.rk > 0.0, 0.25, 1.0) * miss
            else:
                dx = mean - before[0]
                safe = np.where(np.abs(dx) > 1e-13, dx, 1.0)
                slope = np.where(np.abs(dx) > 1e-13, (miss - before[1]) / safe, -1.0)
                # gm rk of a pair reaches 3, so the slope lies between -1 and -5 or so.
                step = -miss / np.clip(slope, -8.0, -0.7)
            before, mean = (mean, miss), mean + step
        return mean, w, vgk

    def rest(self, p):
        """Mean plate and screen current at rest (A), shape (2, stages)."""
        return self.settle(p, np.stack([self.start, 0.1 * self.start]), None)[0]

    def driven(self, p, rest):
        """Mean currents (A) at full drive, power (W) and THD (percent)."""
        full = lambda vgk: np.where(np.isnan(self.drive), np.abs(vgk), self.drive)
        mean, w, vgk = self.settle(p, rest, full)
        thd = thd_percent(w)
        over = thd > self.limit
        if over.any():
            mean, w, thd = self.back_off(p, (mean, w, thd), full, vgk, over)
        return mean, self.handed_on * np.var(w, axis=1) / self.load, thd

    def back_off(self, p, at_full, full, vgk, over):
        """The stages in `over` at the drive where their THD is the printed limit."""
        mean, w, thd = at_full
        amplitude = full(vgk)
        last = np.log(amplitude), np.log(thd)
        now = np.where(over, 0.85, 1.0) * amplitude
        for _ in range(20):
            mean, w, _ = self.settle(p, mean, lambda vgk, a=now: np.where(over, a, full(vgk)))
            thd = thd_percent(w)
            miss = np.log(np.where(over, self.limit / thd, 1.0))
            if np.max(np.abs(miss)) < 1e-6:
                break
            run = np.where(over, np.log(now) - last[0], 1.0)
            slope = (np.log(thd) - last[1]) / np.where(run == 0.0, 1.0, run)
            last = np.log(now), np.log(thd)
            now = now * np.exp(np.clip(miss / np.clip(slope, 0.5, 6.0), -0.3, 0.3))
        return mean, w, thd
