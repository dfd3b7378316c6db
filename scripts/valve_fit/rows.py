"""Printed figures as rows, and the model's answer to each of them.

A sheet holds the rows of one valve and `answer(parameters)`, an array in the same
order. A row that is used pulls the fit with the weight 1 / tolerance; a row held back
only judges it, and so does a row whose tolerance is None.
"""

from dataclasses import dataclass

# Relative tolerances: how far a model may miss before it is pulled hard. Plate
# currents are the promise; gm and rp of the sheets do not agree with the stage tables
# to better than some 10 %, and rp of power valves is printed as approximate.
TOLERANCE = {
    "ia": 0.025,
    "gm": 0.10,
    "rp": 0.10,
    "mu": 0.10,
    "stage ia": 0.03,
    "gain": 0.016,
    "thd": 0.25,
    "measured": 0.20,
    "power valve ia": 0.02,
    "power valve gm": 0.05,
    "power valve rp": 0.20,
    "ig2": 0.10,
    "idle ia": 0.04,
    "idle ig2": 0.15,
    "signal ia": 0.04,
    "signal ig2": 0.10,
    "power": 0.04,
    "power thd": 0.50,
}


@dataclass
class Row:
    """One printed figure: value and tolerance in `unit`, the one that RESIDUALS.md shows."""

    group: str  # point, cut-off, curve, measured, stage, strap, power or judged
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
