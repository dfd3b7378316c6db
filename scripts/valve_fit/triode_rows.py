"""The rows of one triode: points, curve readings, measured samples and stages."""

import numpy as np

from . import stage
from .charts import charts_of
from .laws import measured_plate, triode
from .rows import Row, held_back, relative
from .sheets import of_valve

# Where the measured samples speak and the sheets do not: the grid at and above zero with
# the plate pulled low, as in an overdriven stage. V.
MEASURED_GRIDS = (0.0, 0.5, 1.0)
MEASURED_PLATES = (25.0, 50.0, 100.0)
MEASURED_POINTS = [(vg, va) for vg in MEASURED_GRIDS for va in MEASURED_PLATES]
FAINT_MA = 0.15
# Tolerance of a current at cut-off, relative: it doubles within 0.7 V. Narrower, the points suffer.
CUT_OFF = 2.0
GAIN_STEP = 0.3  # rms of rounding to a whole number, as the tables print gains


# A catalogue's row that has the current of 0 V at another grid voltage.
MISPRINTED = {("ECL82", 100, -0.5)}
# Makers whose stage rows the fit does not see, by valve: a word of the source, and the group
# that RESIDUALS.md shows them in. Brimar's 12AX7 and Tung-Sol's 12AU7 are other valves.
APART = {
    "E88CC": (("TAD", "TAD, its load not stated"),),
    "12AX7": (("Tung-Sol", "Tung-Sol, held back"), ("Brimar", "Brimar, another valve")),
    "12AU7": (("Brimar", "Brimar, held back"), ("Tung-Sol", "Tung-Sol, another valve")),
}


def apart(name, stage_row):
    """The group of a stage whose maker the fit does not follow, or None."""
    for word, group in APART.get(name, ()):
        if word in stage_row["source"] and "SEEN" in stage_row["source"]:
            return group
    return None


class TriodeSheet:
    """Points, plate curves and resistance-coupled stages of one triode."""

    def __init__(self, sheets, stages, name):
        self.name = name
        # Rows without grid volts, and sections of bottles of two kinds, are sorted out here.
        self.points = [
            row
            for row in of_valve(sheets, "point", name)
            if row["kind"] == "triode" and "vg1" in row and "va" in row
            and (name, row["va"], row["vg1"]) not in MISPRINTED
        ]
        self.charts = charts_of(sheets, name)
        self.grid_charts = charts_of(sheets, name, of_grid=True)
        self.samples = of_valve(sheets, "dempwolf", name)
        self.stages = stages.get(name, [])
        self.printed_ia = [i for i, s in enumerate(self.stages) if not np.isnan(s["ia"])]
        self.printed_thd = [i for i, s in enumerate(self.stages) if not np.isnan(s["thd"])]
        self.rows = self.point_rows() + self.measured_rows() + self.stage_rows()

    def point_rows(self):
        """Plate current, gm, rp and mu of each point; mu follows from the other two."""
        rows = []
        for r in self.points:
            label, seen = f"{r['va']} V, {r['vg1']} V", r["found"]
            add = lambda quantity, value, unit, tolerance: rows.append(
                Row("point", label, quantity, value, unit, True, tolerance, seen)
            )
            # What the sheet does not print is left out. A point of microamperes is a cut-off, which is
            # printed as approximate.
            if r["ia_ma"] < FAINT_MA:
                tolerance = CUT_OFF * r["ia_ma"]
                rows.append(Row("cut-off", label, "ia", r["ia_ma"], "mA", True, tolerance, seen))
            else:
                add("ia", r["ia_ma"], "mA", relative("ia", r["ia_ma"]))
            if "gm_us" in r:
                add("gm", r["gm_us"], "uS", relative("gm", r["gm_us"]))
            if "rp_ohm" in r:
                add("rp", r["rp_ohm"] / 1e3, "kohm", relative("rp", r["rp_ohm"] / 1e3))
            if "mu" in r:
                add("mu", r["mu"], "1", None if "rp_ohm" in r else relative("mu", r["mu"]))
        return rows

    def measured_rows(self):
        """Mean plate current of the measured samples, by the law their paper fits to each."""
        rows = []
        for vg, va in MEASURED_POINTS if self.samples else ():
            ia = 1e3 * np.mean([measured_plate(s, vg, va) for s in self.samples])
            ia = float(f"{ia:.4g}")
            label, use = f"{va:g} V, {vg:g} V", not held_back(len(rows))
            rows.append(Row("measured", label, "ia", ia, "mA", use, None, True))
        return rows

    def stage_rows(self):
        """Gains of all stages, then the currents and THD that are printed."""
        label = lambda s: (
            f"{s['vbb']:g} V, {s['ra'] / 1e3:g} k, {s['rg'] / 1e3:g} k, {s['rk']:g}"
        )
        other = [apart(self.name, s) for s in self.stages]
        gains = [
            Row(
                other[i] or "stage",
                label(s),
                "gain",
                s["gain"],
                "1",
                not held_back(i) and not other[i],
                float(np.hypot(relative("gain", s["gain"]), GAIN_STEP)),
            )
            for i, s in enumerate(self.stages)
        ]
        currents = [
            Row(
                other[i] or "stage",
                label(self.stages[i]),
                "ia",
                self.stages[i]["ia"] * 1e3,
                "mA",
                not held_back(i) and not other[i],
                relative("stage ia", self.stages[i]["ia"] * 1e3),
            )
            for i in self.printed_ia
        ]
        distortions = [
            Row(
                other[i] or "stage",
                f"{label(self.stages[i])}; {self.stages[i]['vrms']:g} Vrms",
                "thd",
                self.stages[i]["thd"],
                "%",
                not held_back(i) and not other[i],
                relative("thd", self.stages[i]["thd"]),
            )
            for i in self.printed_thd
        ]
        return gains + currents + distortions

    def answer(self, p):
        """The model's value for every row, in the row's unit."""
        column = lambda rows, key: np.array([r[key] for r in rows], float)
        ip, gm, gp = triode(p, column(self.points, "vg1"), column(self.points, "va"))
        values = []
        for r, *found in zip(self.points, ip * 1e3, gm * 1e6, 1e-3 / gp, gm / gp):
            keys = ("ia_ma", "gm_us", "rp_ohm", "mu")
            values += [value for key, value in zip(keys, found) if key in r]
        values = [np.array(values)]
        if self.samples:
            vg, va = np.array(MEASURED_POINTS).T
            values.append(triode(p, vg, va)[0] * 1e3)
        if self.stages:
            parts = [column(self.stages, key) for key in ("vbb", "ra", "rk", "rg", "vrms")]
            values.append(stage.gain(p, *parts[:4]))
            values.append(stage.quiescent(p, *parts[:3])[0][self.printed_ia] * 1e3)
            if self.printed_thd:
                values.append(stage.distortion(p, *(c[self.printed_thd] for c in parts))[0])
        return np.concatenate(values)
