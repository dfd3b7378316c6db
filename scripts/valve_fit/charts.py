"""The printed charts: which points of the references make one, and which judge only."""

from dataclasses import dataclass
from typing import Callable

import numpy as np

from .laws import grid_current, output_valve, triode
from .sheets import of_valve

FAINT = 0.03  # part of a valve's largest printed current below which errors are not counted
TOLERANCE = 0.03
GRID = "grid_curve"


@dataclass(frozen=True)
class Chart:
    """Some points of printed curves that are judged together."""

    valve: str
    name: str
    picks: Callable  # row, plate volts -> whether the point belongs here
    held: str = ""  # why the fit does not see it
    table: str = "plate_curve"
    share: float = 1.0  # of the weight that a chart of this valve has


def before(row, *words):
    """Whether the row's source ends with one of the words."""
    return row["source"].endswith(words)


def zero_page_2(row):
    """GE's zero-bias curve of the positive chart, some 10 % under the one on page 3."""
    return "here lies" in row["source"]


CHARTS = [
    Chart("12AX7", "negative grid", lambda r, v: r["vg1"] < 0),
    # Read within 2 % and met by any law with a knee; the negative grid is where the stages work.
    Chart("12AX7", "0 V, plate to 50 V", lambda r, v: r["vg1"] == 0 and v <= 50, share=0.05),
    Chart("12AX7", "0 V, plate above 50 V", lambda r, v: r["vg1"] == 0 and v > 50, share=0.05),
    Chart("12AT7", "negative grid", lambda r, v: r["vg1"] < 0),
    Chart("12AT7", "0 V", lambda r, v: r["vg1"] == 0 and before(r, "page 3")),
    Chart("12AT7", "+1 to +8 V", lambda r, v: r["vg1"] > 0),
    Chart(
        "12AT7",
        "0 V, page 2",
        lambda r, v: r["vg1"] == 0 and zero_page_2(r),
        held="the same sheet's page 3 gives up to 11 % more",
    ),
    Chart("12AU7", "0 to -25 V", lambda r, v: before(r, "6595")),
    Chart(
        "12AU7", "0 to +30 V, plate to 50 V", lambda r, v: before(r, "6594") and v <= 50, share=0.5
    ),
    Chart("12AU7", "0 to +30 V, plate above 50 V", lambda r, v: before(r, "6594") and v > 50),
    Chart("12AT7", "grid current, +1 to +8 V", lambda r, v: True, table=GRID),
    Chart("12AU7", "grid current, +10 to +30 V", lambda r, v: True, table=GRID),
    Chart("E88CC", "0 to -10 V, to 100 mA", lambda r, v: before(r, "upper") and r["vg1"] <= 0),
    Chart("E88CC", "+1 to +4 V", lambda r, v: r["vg1"] > 0),
    Chart("E88CC", "0 to -10 V, to 20 mA", lambda r, v: before(r, "lower"), held="to judge by"),
    Chart("6SL7GT", "0 to -6 V", lambda r, v: True),
    Chart("6V6GT", "screen 285 V", lambda r, v: r.get("vg2") == 285),
    Chart("6V6GT", "screen 225 V", lambda r, v: r.get("vg2") == 225, held="to judge by"),
    Chart("6V6GT", "triode", lambda r, v: "connection" in r, share=0.45),
    Chart("6V6GT", "screen current", lambda r, v: True, table="screen_curve"),
    Chart("EL84", "above the knee", lambda r, v: r.get("vg2") == 300 and v >= 60),
    Chart("EL84", "below the knee", lambda r, v: r.get("vg2") == 300 and v < 60),
    Chart("EL84", "triode", lambda r, v: "connection" in r, held="to judge by"),
    Chart("EL84", "plate 250 V, screen 210 V", lambda r, v: True, table="transfer_curve"),
    Chart("EL84", "screen current", lambda r, v: True, table="screen_transfer"),
    Chart("7591", "screen 350 V", lambda r, v: r.get("vg2") == 350 and before(r, "page 2")),
    Chart(
        "7591",
        "screen 400 V",
        lambda r, v: r.get("vg2") == 400 and before(r, "page 3"),
        held="to judge by",
    ),
    Chart("7591", "0 V, screen 200 to 400 V", lambda r, v: "lower" in r["source"], share=0.5),
]


# rms errors, percent, of the cards as they were before they had seen a chart (28 November 2026; grid
# currents: 29 November).
BEFORE = {
    ("12AT7", "grid current, +1 to +8 V"): 47.6,
    ("12AU7", "grid current, +10 to +30 V"): 39.9,
    ("12AX7", "negative grid"): 12.0,
    ("12AX7", "0 V, plate to 50 V"): 53.0,
    ("12AX7", "0 V, plate above 50 V"): 6.5,
    ("12AT7", "negative grid"): 27.6,
    ("12AT7", "0 V"): 9.5,
    ("12AT7", "+1 to +8 V"): 8.9,
    ("12AT7", "0 V, page 2"): 13.5,
    ("12AU7", "0 to -25 V"): 6.1,
    ("12AU7", "0 to +30 V, plate to 50 V"): 24.4,
    ("12AU7", "0 to +30 V, plate above 50 V"): 7.4,
    ("6SL7GT", "0 to -6 V"): 2.4,
    ("6V6GT", "screen 285 V"): 7.7,
    ("6V6GT", "screen 225 V"): 5.3,
    ("6V6GT", "triode"): 16.2,
    ("6V6GT", "screen current"): 8.2,
    ("EL84", "above the knee"): 12.3,
    ("EL84", "below the knee"): 39.7,
    ("EL84", "triode"): 13.4,
    ("EL84", "plate 250 V, screen 210 V"): 11.2,
    ("EL84", "screen current"): 3.1,
}


@dataclass
class Points:
    """The points of one chart as arrays: V, V, V, mA; `reading` is the reading error, mA."""

    chart: Chart
    vg1: np.ndarray
    vg2: np.ndarray
    va: np.ndarray
    ma: np.ndarray
    reading: np.ndarray
    strapped: np.ndarray  # screen tied to the plate: the chart shows the sum
    largest: float = 0.0  # of all the valve's plate charts, mA

    @property
    def counted(self):
        """Which points are not too faint to judge by."""
        return self.ma >= FAINT * (self.largest or self.ma.max())

    def tolerance(self, weight):
        """mA: how far the model may be off a point before it is pulled hard.

        The whole chart then counts for as many points as `weight`.
        """
        return np.hypot(TOLERANCE * self.ma, 0.2 * self.reading) * np.sqrt(
            len(self.ma) / (weight * self.chart.share)
        )

    def model(self, p):
        """The model's milliamperes at every point."""
        if self.chart.table == GRID:
            return 1e3 * grid_current(p, self.vg1, self.va)
        if "kvb" in p:
            return 1e3 * triode(p, self.vg1, self.va)[0]
        ip, ig2, _, _ = output_valve(p, self.vg1, self.vg2, self.va)
        if self.chart.table.startswith("screen"):
            return 1e3 * ig2
        return 1e3 * (ip + np.where(self.strapped, ig2, 0.0))

    def error(self, p):
        """rms error of the counted points, percent."""
        relative = self.model(p) / self.ma - 1.0
        return 100.0 * float(np.sqrt(np.mean(relative[self.counted] ** 2)))

    def worst(self, p):
        """Largest error of the counted points with its sign, percent."""
        relative = (self.model(p) / self.ma - 1.0)[self.counted]
        return 100.0 * float(relative[np.argmax(np.abs(relative))])


def points_of(row, table):
    """(vg1, vg2, va, mA) of every point of one row."""
    if table in ("transfer_curve", "screen_transfer"):
        key = "ia_ma" if table == "transfer_curve" else "ig2_ma"
        return [(g, row["vg2"], row["va"], i) for g, i in zip(row["vg1"], row[key])]
    key = {"screen_curve": "ig2_ma", GRID: "ig_ma"}.get(table, "ia_ma")
    strap = row.get("connection") == "triode"
    return [
        (row["vg1"], v if strap else row.get("vg2", 0.0), v, i)
        for v, i in zip(row["va"], row[key])
    ]


def charts_of(sheets, name, of_grid=False):
    """The charts of one valve: those of plate and screen, or those of the grid's own current."""
    found = []
    for chart in CHARTS:
        if chart.valve != name or (chart.table == GRID) != of_grid:
            continue
        points = [
            (*point, row["read_error_ma"], row.get("connection") == "triode")
            for row in of_valve(sheets, chart.table, name)
            for point in points_of(row, chart.table)
            if chart.picks(row, point[2])
        ]
        found.append(Points(chart, *(np.array(column) for column in zip(*points))))
    plates = [p for p in found if not p.chart.table.startswith(("screen", "grid"))]
    for points in plates:
        points.largest = max(other.ma.max() for other in plates)
    return found
