"""The rows of power valves and rectifiers: points, triode connection, output stages."""

import numpy as np

from .charts import charts_of
from .laws import power_valve, rectifier
from .power import Stages, cathode_resistor, most_power
from .rows import Row, relative
from .sheets import of_valve

# Name in RESIDUALS.md, key in valves.toml, unit.
OUTPUT_FIGURES = [
    ("idle ia", "ia0", "mA"),
    ("idle ig2", "ig20", "mA"),
    ("signal ia", "iam", "mA"),
    ("signal ig2", "ig2m", "mA"),
    ("power", "po_w", "W"),
    ("power thd", "thd", "%"),
]
STRAP_FIGURES = [("ia", "ia_ma", "mA"), ("gm", "gm_us", "uS"), ("mu", "mu", "1")]
# Factors on the tolerances. Charts of the 6V6GT outnumber its plate resistances, which an output
# stage's damping rests on.
FACTORS = {
    "6V6GT": {"power valve rp": 0.58},
    # Fourteen outputs and two charts hold its currents; how pairs cancel, only distortions do.
    "EL84": {"power thd": 0.3},
    # Its screens' two tables and its pairs' power pull apart; the power is what an amplifier has.
    "6L6GC": {"power": 0.5},
    # Its three pairs' screens and distortions pull less than twelve currents that any law meets.
    "6550": {"idle ig2": 0.3, "power thd": 0.3},
    # One point and one pair.
    "7027A": {"power thd": 0.2},
    # Its charts have the currents; how its pairs cancel, only distortions do.
    "7591": {"power": 0.5, "power thd": 0.25},
}
# Valves with so few output stages that none is held back; those in triode and ultralinear
# connection still judge.
EVERY_STAGE = ("EL34", "6L6GC", "7591")
# Valves whose pairs are printed with more current at rest than the same sheet's charts and points
# have. The 7591's point is 60 mA at 300 V, -10 V with 10.2 mS, which leaves some 36 mA at -12.5 V;
# the table of pairs has 43 there, and at 350 V, -15.5 V 46 for the chart's 32.
REST_APART = ("7591",)
STEP = 1e-3  # V, for the slopes of the triode connection


def strapped(row):
    """A triode-connection row as an output stage: the screen taps the whole winding."""
    return row | {"vg2": row["va"], "tap": 1.0} if "va" in row else row | {"tap": 1.0}


def label_of(row):
    """How a stage is called in RESIDUALS.md."""
    volts = f"{row.get('va', row.get('vb'))} V"
    if "vg2" in row:
        volts += f", screen {row['vg2']} V"
    elif "vg2_supply" in row:
        volts += f", screens from {row['vg2_supply']} V"
    volts += f", {row['vg1']} V" if "vg1" in row else f", {cathode_resistor(row):g} ohm"
    return f"{row['service']}, {volts}, {row.get('raa', row.get('rl'))} ohm"


class PowerSheet:
    """Points, triode and ultralinear connection and output stages of one power valve."""

    def __init__(self, sheets, stages, name):
        del stages  # none are printed for power valves
        self.name = name
        self.charts = charts_of(sheets, name)
        self.every = name in EVERY_STAGE
        factors = FACTORS.get(name, {})
        self.relative = lambda kind, value: factors.get(kind, 1.0) * relative(kind, value)
        self.points = [
            row
            for row in of_valve(sheets, "point", name)
            if row["kind"] == "pentode" and "vg1" in row and "vg2" in row
        ]
        self.straps = of_valve(sheets, "triode_connection", name)
        # A row without screen volts cannot be worked out.
        self.outputs = [
            row
            for row in of_valve(sheets, "power_output", name)
            if ("vg2" in row or "vg2_supply" in row or "vb" in row) and "rk_common" not in row
        ]
        self.taps = of_valve(sheets, "ultralinear", name)
        self.fixed_straps = [row for row in self.straps if "gm_us" in row]
        loaded = [row for row in self.straps if "po_w" in row and "rl" in row]
        self.others = [
            row | {"service": "triode connection"} for row in map(strapped, loaded)
        ] + self.taps
        self.all_outputs = self.outputs + self.others
        self.solver = Stages(self.all_outputs) if self.all_outputs else None
        self.rows = self.point_rows() + self.strap_rows() + self.output_rows()

    def point_rows(self):
        """Plate and screen current, gm and rp of each point."""
        rows = []
        for r in self.points:
            label, seen = f"{r['va']} V, {r['vg2']} V, {r['vg1']} V", r["found"]
            add = lambda quantity, value, unit, kind: rows.append(
                Row("point", label, quantity, value, unit, True, self.relative(kind, value), seen)
            )
            add("ia", r["ia_ma"], "mA", "power valve ia")
            if "ig2_ma" in r:
                add("ig2", r["ig2_ma"], "mA", "ig2")
            if "gm_us" in r:
                add("gm", r["gm_us"], "uS", "power valve gm")
            if "rp_ohm" in r:
                add("rp", r["rp_ohm"] / 1e3, "kohm", "power valve rp")
        return rows

    def strap_rows(self):
        """Cathode current, gm and mu with the screen tied to the plate; judged only."""
        return [
            Row("strap", f"{r['va']} V strapped, {r['vg1']} V", quantity, r[key], unit)
            for r in self.fixed_straps
            for quantity, key, unit in STRAP_FIGURES
        ]

    def figures_of(self, row):
        """What is printed of a stage; currents at rest of single valves repeat the points."""
        single = "raa" not in row and row in self.outputs
        return [f for f in OUTPUT_FIGURES if f[1] in row and not (single and f[1].endswith("0"))]

    def contradicted(self, row, quantity):
        """Whether the same sheet says otherwise, so that the figure only judges."""
        if quantity.startswith("idle"):
            return self.name in REST_APART and "raa" in row
        return row.get("po_w", 0.0) > most_power(row)

    def output_rows(self):
        """Currents at rest, then at full drive; every second stage is held back, but for `EVERY_STAGE`.

        Stages in triode or ultralinear connection, or with the grid driven positive, only
        judge: they have to follow from the rest. So do figures that their own sheet contradicts.
        """
        rows = []
        for i, r in enumerate(self.all_outputs):
            judge = i >= len(self.outputs) or "drive" in r
            for quantity, key, unit in self.figures_of(r):
                apart = judge or self.contradicted(r, quantity)
                tolerance = None if apart else self.relative(quantity, r[key])
                group = "judged" if judge else "power"
                used = i % 2 == 0 or self.every
                row = Row(group, label_of(r), quantity, r[key], unit, used, tolerance)
                row.seen = r["found"]
                rows.append(row)
        return rows

    def answer(self, p):
        """The model's value for every row, in the row's unit."""
        values = []
        for r in self.points:
            ip, ig2, gm, gp = power_valve(p, r["vg1"], r["vg2"], r["va"])
            keys = ("ia_ma", "ig2_ma", "gm_us", "rp_ohm")
            found = (ip * 1e3, ig2 * 1e3, gm * 1e6, 1e-3 / gp)
            values += [value for key, value in zip(keys, found) if key in r]
        for r in self.fixed_straps:
            total = lambda vg, va: sum(power_valve(p, vg, va, va)[:2])
            slope = lambda dg, da: (
                total(r["vg1"] + dg, r["va"] + da) - total(r["vg1"] - dg, r["va"] - da)
            ) / (2.0 * STEP)
            gm = slope(STEP, 0.0)
            values += [total(r["vg1"], r["va"]) * 1e3, gm * 1e6, gm / slope(0.0, STEP)]
        if not self.solver:
            return np.array([float(v) for v in values])
        rest = self.solver.rest(p)
        driven, power, thd = self.solver.driven(p, rest)
        # Strapped valves are printed with the screen's current in the plate's.
        whole = [row.get("tap", 0.0) == 1.0 for row in self.all_outputs]
        for mean in (rest, driven):
            mean[0] += np.where(whole, mean[1], 0.0)
        for i, r in enumerate(self.all_outputs):
            answers = {"ia0": rest[0, i] * 1e3, "ig20": rest[1, i] * 1e3}
            answers |= {"iam": driven[0, i] * 1e3, "ig2m": driven[1, i] * 1e3}
            answers |= {"po_w": power[i], "thd": thd[i]}
            values += [answers[key] for _, key, _ in self.figures_of(r)]
        return np.array([float(v) for v in values])


class RectifierSheet:
    """The printed voltage drop of a rectifier: one point, or a curve."""

    def __init__(self, sheets, stages, name):
        del stages
        (self.row,) = of_valve(sheets, "rectifier", name)
        volts, milliamperes = self.drop_points()
        self.rows = [
            Row("point", f"{v} V across one plate", "ia", i, "mA", True, 0.01 * i)
            for v, i in zip(volts, milliamperes)
        ]

    def drop_points(self):
        """Volts across one plate and milliamperes through it, as printed."""
        if "drop_curve_v" in self.row:
            return self.row["drop_curve_v"], self.row["drop_curve_ma"]
        return [self.row["drop_v"]], [self.row["drop_at_ma_per_plate"]]

    def answer(self, p):
        """Milliamperes of one plate at the printed drops."""
        return np.array([float(rectifier(p, v) * 1e3) for v in self.drop_points()[0]])
