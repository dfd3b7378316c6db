"""The rows of power valves and rectifiers: points, triode connection, output stages."""

import numpy as np

from . import power
from .laws import pentode, rectifier, screen
from .rows import Row, relative
from .sheets import of_valve

# Name in RESIDUALS.md, key in valves.toml, unit, kind of tolerance.
OUTPUT_FIGURES = [
    ("idle ia", "ia0", "mA", "idle ia"),
    ("idle ig2", "ig20", "mA", "idle ig2"),
    ("signal ia", "iam", "mA", "signal ia"),
    ("signal ig2", "ig2m", "mA", None),
    ("power", "po_w", "W", "power"),
    ("thd", "thd", "%", None),
]


class PentodeSheet:
    """Points, triode connection and output stages of one power valve."""

    def __init__(self, sheets, stages, name):
        del stages  # none are printed for power valves
        self.points = of_valve(sheets, "point", name)
        self.straps = of_valve(sheets, "triode_connection", name)
        # A row without screen volts cannot be worked out.
        self.outputs = [
            row
            for row in of_valve(sheets, "power_output", name)
            if "vg2" in row or "vg2_supply" in row or "vb" in row
        ]
        self.rows = self.point_rows() + self.strap_rows() + self.output_rows()

    def point_rows(self):
        """Plate and screen current, gm and rp of each point."""
        rows = []
        for r in self.points:
            label, seen = f"{r['va']} V, {r['vg2']} V, {r['vg1']} V", r["found"]
            add = lambda quantity, value, unit, kind: rows.append(
                Row("point", label, quantity, value, unit, True, relative(kind, value), seen)
            )
            add("ia", r["ia_ma"], "mA", "pentode ia")
            add("ig2", r["ig2_ma"], "mA", "ig2")
            add("gm", r["gm_us"], "uS", "pentode gm")
            add("rp", r["rp_ohm"] / 1e3, "kohm", "pentode rp")
        return rows

    def strap_rows(self):
        """Cathode current with the screen tied to the plate; judged only."""
        return [
            Row("point", f"{r['va']} V strapped, {r['vg1']} V", "ia", r["ia_ma"], "mA")
            for r in self.straps
        ]

    def output_rows(self):
        """Currents at rest (pairs only: single ones repeat the points), then full drive."""
        rows = []
        for i, r in enumerate(self.outputs):
            volts = f"{r.get('va', r.get('vb'))} V"
            volts += f", {r['vg1']} V" if "vg1" in r else f", {r['rk']} ohm"
            label = f"{r['service']}, {volts}, {r.get('raa', r.get('rl'))} ohm"
            used = i % 2 == 0
            for quantity, key, unit, kind in OUTPUT_FIGURES:
                if key not in r or (key.endswith("0") and "raa" not in r):
                    continue
                tolerance = relative(kind, r[key]) if kind else None
                rows.append(
                    Row("power", label, quantity, r[key], unit, used, tolerance, r["found"])
                )
        return rows

    def answer(self, p):
        """The model's value for every row, in the row's unit."""
        values = []
        for r in self.points:
            ip, gm, gp = pentode(p, r["vg1"], r["vg2"], r["va"])
            ig2 = screen(p, r["vg1"], r["vg2"])
            values += [ip * 1e3, ig2 * 1e3, gm * 1e6, 1e-3 / gp]
        for r in self.straps:
            ip = pentode(p, r["vg1"], r["va"], r["va"])[0] + screen(p, r["vg1"], r["va"])
            values.append(ip * 1e3)
        for r in self.outputs:
            rest, driven = power.run(p, r, False), power.run(p, r, True)
            answers = {"ia0": rest[0] * 1e3, "ig20": rest[1] * 1e3}
            answers |= {"iam": driven[0] * 1e3, "ig2m": driven[1] * 1e3}
            answers |= {"po_w": driven[2], "thd": driven[3]}
            for _, key, _, _ in OUTPUT_FIGURES:
                if key in r and not (key.endswith("0") and "raa" not in r):
                    values.append(answers[key])
        return np.array([float(v) for v in values])


class RectifierSheet:
    """The one printed voltage drop of a rectifier."""

    def __init__(self, sheets, stages, name):
        del stages
        (self.row,) = of_valve(sheets, "rectifier", name)
        drop, current = self.row["drop_v"], self.row["drop_at_ma_per_plate"]
        self.rows = [
            Row("point", f"{drop} V across one plate", "ia", current, "mA", True, 0.01 * current)
        ]

    def answer(self, p):
        """Milliamperes of one plate at the printed drop."""
        return np.array([float(rectifier(p, self.row["drop_v"]) * 1e3)])
