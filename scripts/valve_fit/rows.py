"""Printed figures as rows, and the model's answer to each of them.

A sheet holds the rows of one valve and `answer(parameters)`, an array in the same
order. A row that is used pulls the fit with the weight 1 / tolerance; a row held back
only judges it, and so does a row whose tolerance is None.
"""

from dataclasses import dataclass

import numpy as np

from . import power, stage
from .laws import pentode, rectifier, screen, triode
from .sheets import of_valve

# Relative tolerances: how far a model may miss before it is pulled hard. Plate
# currents are the promise; gm and rp of the sheets do not agree with the stage tables
# to better than some 10 %; the pentode law cannot meet rp at all.
TOLERANCE = {
    "ia": 0.03,
    "gm": 0.10,
    "rp": 0.10,
    "stage ia": 0.03,
    "gain": 0.03,
    "thd": 0.25,
    "curve": 0.03,
    "pentode ia": 0.02,
    "pentode gm": 0.06,
    "pentode rp": 1.0,
    "ig2": 0.12,
    "idle ia": 0.06,
    "idle ig2": 0.40,
    "signal ia": 0.08,
    "power": 0.08,
}
GAIN_STEP = 0.3  # rms of rounding to a whole number, as the tables print gains


@dataclass
class Row:
    """One printed figure: value and tolerance in `unit`, times `scale` for base SI."""

    group: str  # point, curve, stage, power: the tables of RESIDUALS.md
    label: str
    quantity: str
    printed: float
    unit: str
    used: bool = True
    tolerance: float | None = None
    seen: bool = False  # the source was seen, not recalled

    @property
    def part(self):
        """What the row was for."""
        if self.tolerance is None:
            return "judge"
        return "used" if self.used else "held back"


def held_back(index):
    """One row in every three, its place moving on by one each time.

    The tables run in threes of rising grid leak; a fixed place would hold back every
    stage with a large leak and leave none of them to the fit.
    """
    return (index + index // 3) % 3 == 2


def relative(kind, value):
    """The tolerance of a figure whose kind has a relative one."""
    return TOLERANCE[kind] * abs(value)


class TriodeSheet:
    """Points, plate curves and resistance-coupled stages of one triode."""

    def __init__(self, sheets, stages, name):
        self.points = of_valve(sheets, "point", name)
        self.curves = [
            (curve, va, ia)
            for curve in of_valve(sheets, "plate_curve", name)
            for va, ia in zip(curve["va"], curve["ia_ma"])
        ]
        self.stages = stages.get(name, [])
        self.printed_ia = [i for i, s in enumerate(self.stages) if not np.isnan(s["ia"])]
        self.printed_thd = [i for i, s in enumerate(self.stages) if not np.isnan(s["thd"])]
        self.rows = self.point_rows() + self.curve_rows() + self.stage_rows()

    def point_rows(self):
        """Plate current, gm, rp and mu of each point; mu follows from the other two."""
        rows = []
        for r in self.points:
            label, seen = f"{r['va']} V, {r['vg1']} V", r["found"]
            add = lambda quantity, value, unit, tolerance: rows.append(
                Row("point", label, quantity, value, unit, True, tolerance, seen)
            )
            add("ia", r["ia_ma"], "mA", relative("ia", r["ia_ma"]))
            add("gm", r["gm_us"], "uS", relative("gm", r["gm_us"]))
            add("rp", r["rp_ohm"] / 1e3, "kohm", relative("rp", r["rp_ohm"] / 1e3))
            add("mu", r["mu"], "1", None)
        return rows

    def curve_rows(self):
        """Readings from plate curves, with their reading error."""
        return [
            Row(
                "curve",
                f"{va} V, {curve['vg1']} V",
                "ia",
                ia,
                "mA",
                not held_back(i),
                float(np.hypot(relative("curve", ia), curve["read_error_ma"])),
                curve["found"],
            )
            for i, (curve, va, ia) in enumerate(self.curves)
        ]

    def stage_rows(self):
        """Gains of all stages, then the currents and THD that are printed."""
        label = lambda s: (
            f"{s['vbb']:g} V, {s['ra'] / 1e3:g} k, {s['rg'] / 1e3:g} k, {s['rk']:g}"
        )
        gains = [
            Row(
                "stage",
                label(s),
                "gain",
                s["gain"],
                "1",
                not held_back(i),
                float(np.hypot(relative("gain", s["gain"]), GAIN_STEP)),
            )
            for i, s in enumerate(self.stages)
        ]
        currents = [
            Row(
                "stage",
                label(self.stages[i]),
                "ia",
                self.stages[i]["ia"] * 1e3,
                "mA",
                not held_back(i),
                relative("stage ia", self.stages[i]["ia"] * 1e3),
            )
            for i in self.printed_ia
        ]
        distortions = [
            Row(
                "stage",
                f"{label(self.stages[i])}; {self.stages[i]['vrms']:g} Vrms",
                "thd",
                self.stages[i]["thd"],
                "%",
                not held_back(i),
                relative("thd", self.stages[i]["thd"]),
            )
            for i in self.printed_thd
        ]
        return gains + currents + distortions

    def answer(self, p):
        """The model's value for every row, in the row's unit."""
        column = lambda rows, key: np.array([r[key] for r in rows], float)
        ip, gm, gp = triode(p, column(self.points, "vg1"), column(self.points, "va"))
        values = [np.stack([ip * 1e3, gm * 1e6, 1e-3 / gp, gm / gp], axis=1).ravel()]
        if self.curves:
            vg = np.array([curve["vg1"] for curve, _, _ in self.curves], float)
            va = np.array([va for _, va, _ in self.curves], float)
            values.append(triode(p, vg, va)[0] * 1e3)
        if self.stages:
            parts = [column(self.stages, key) for key in ("vbb", "ra", "rk", "rg", "vrms")]
            values.append(stage.gain(p, *parts[:4]))
            values.append(stage.quiescent(p, *parts[:3])[0][self.printed_ia] * 1e3)
            if self.printed_thd:
                values.append(stage.distortion(p, *(c[self.printed_thd] for c in parts))[0])
        return np.concatenate(values)


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


# Name in RESIDUALS.md, key in valves.toml, unit, kind of tolerance.
OUTPUT_FIGURES = [
    ("idle ia", "ia0", "mA", "idle ia"),
    ("idle ig2", "ig20", "mA", "idle ig2"),
    ("signal ia", "iam", "mA", "signal ia"),
    ("signal ig2", "ig2m", "mA", None),
    ("power", "po_w", "W", "power"),
    ("thd", "thd", "%", None),
]


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


SHEETS = {"triode": TriodeSheet, "pentode": PentodeSheet, "rectifier": RectifierSheet}
