"""The table of RESIDUALS.md that holds every figure asked for against what the models give."""

import numpy as np

# Valve, charts judged together, rms error of plate current asked for and aimed at, percent.
CHARTS = [
    ("12AX7", ("negative grid",), 5, 3),
    ("12AX7", ("0 V, plate to 50 V",), 12, 6),
    ("12AT7", ("negative grid",), 7, 4),
    ("12AT7", ("+1 to +8 V",), 8, 5),
    ("12AU7", ("0 to -25 V",), 4, 3),
    ("12AU7", ("0 to +30 V, plate to 50 V",), 10, 6),
    ("6V6GT", ("screen 285 V",), 5, 3),
    ("6V6GT", ("screen 225 V",), 5, 3),
    ("6V6GT", ("triode",), 8, 5),
    ("EL84", ("above the knee",), 6, 4),
    ("EL84", ("below the knee",), 12, 8),
]
# Figures of rows: quantity, how far off in percent, or by what factor.
STAGES = [("gain", 6.0, None), ("ia", 5.0, None), ("thd", None, 1.3)]
PAIRS = [
    ("power", 7.0, None),
    ("power thd", None, 1.4),
    ("idle ig2", 15.0, None),
    ("signal ig2", 25.0, None),
]
AB2 = ("power", 10.0, None)
NAMES = {"ia": "plate current", "thd": "distortion", "power thd": "distortion"}
NAMES |= {"idle ig2": "screen current at rest", "signal ig2": "screen current driven"}


def off(model, printed, factor):
    """How far off: a factor of 1 or more, or percent with its sign."""
    if factor:
        return np.maximum(model / printed, printed / model)
    return 100.0 * (model / printed - 1.0)


def row_of(valve, what, rows, wanted):
    """A row of the table: some printed figures of one kind, or None where there are none."""
    quantity, percent, factor = wanted
    rows = [(found, row.printed) for found, row in rows if row.quantity == quantity]
    if not rows:
        return None
    errors = off(*np.array(rows, float).T, factor)
    worst = float(errors[np.argmax(np.abs(errors))])
    met = int(np.count_nonzero(np.abs(errors) <= (factor or percent)))
    asked = f"within a factor {factor:g}" if factor else f"within {percent:g} %"
    shown = f"{worst:.2f} times" if factor else f"{worst:+.1f} %"
    what = f"{what}: {NAMES.get(quantity, quantity)}"
    return [valve, what, asked, f"{met} of {len(rows)}", shown, "yes" if met == len(rows) else "no"]


def chart_rows(sheets):
    """The charts that the table of asked figures names."""
    for name, charts, must, aim in CHARTS:
        valve, sheet, p = sheets[name]
        for points in sheet.charts:
            if points.chart.name in charts:
                error = points.error(p)
                asked = f"rms {must} % (aim {aim} %)"
                met = "yes" if error <= must else "no"
                yield [valve.name, f"chart, {points.chart.name}", asked, f"{error:.1f} %", "", met]


def asked_rows(fits):
    """Every row of the table; a maker that the fit does not follow is left out."""
    sheets = {valve.name: (valve, sheet, p) for valve, sheet, p in fits}
    yield from chart_rows(sheets)
    for valve, sheet, p in fits:
        if valve.kind == "rectifier":
            continue
        answered = list(zip(sheet.answer(p), sheet.rows))
        groups = {row.group for _, row in answered}
        for group in sorted(g for g in groups if g == "stage" or g.endswith(", held back")):
            rows = [pair for pair in answered if pair[1].group == group]
            what = "stages" if group == "stage" else f"stages of {group}"
            yield from (row_of(valve.name, what, rows, wanted) for wanted in STAGES)
        pairs = [pair for pair in answered if pair[1].group == "power" and "pair" in pair[1].label]
        yield from (row_of(valve.name, "pairs", pairs, wanted) for wanted in PAIRS)
        positive = [pair for pair in answered if "AB2" in pair[1].label]
        yield row_of(valve.name, "class AB2", positive, AB2)


HEAD = ["valve", "what", "asked", "met", "worst", "all"]
INTRODUCTION = """\
## What was asked for

Every figure asked of the library against what the models give. A stage row is one printed figure;
"met" counts those within what is asked. Makers that the fit does not follow ("Known
disagreements") are not in it. Whole circuits are in tests/published_circuits.rs, single valves'
fits in tests/fit.rs.

"""
