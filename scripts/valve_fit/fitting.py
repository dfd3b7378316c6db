"""Least squares with priors: printed rows pull, a related valve's set holds back."""

import numpy as np
from scipy.optimize import least_squares

LOGARITHMIC = {"mu", "kg1", "kg2", "kp", "kvb", "knee", "perv", "vrise", "alphas", "mup", "lams"}
LOGARITHMIC |= {"isl", "most", "take", "fade", "wide", "back", "vback", "eback", "shade", "gg", "alphag", "lamg"}
FITTED = {
    "triode": ("mu", "ex", "kg1", "kp", "kvb", "vct", "isl", "most", "turn", "knee", "take", "wide"),
    "output": (
        "mu", "ex", "kg1", "kg2", "kp", "knee", "perv", "vrise", "mup", "fade", "back", "vback",
        "eback", "alphas", "lams", "shade", "vct",
    ),
}
# Relative steps of the slopes; None is least_squares' own, some 1e-8. The mean currents of an
# output stage are settled to 1e-8 A only.
STEPS = {"triode": None, "output": 1e-5}
SEED = 1996
STARTS = 1
DIGITS = 5  # significant digits on a card


def to_scale(name, value):
    """The number least squares works with: ln for what cannot change sign."""
    return np.log(value) if name in LOGARITHMIC else value


def from_scale(name, x):
    """The inverse of `to_scale`, rounded to the digits printed on a card."""
    if name in LOGARITHMIC:
        return float(f"{np.exp(x):.{DIGITS}g}")
    return abs(round(float(x), DIGITS - 1))


def residuals(sheet, p, weight):
    """(model - printed) / tolerance of the rows that the fit may see."""
    seen = [i for i, row in enumerate(sheet.rows) if row.part == "used"]
    model = sheet.answer(p)[seen]
    printed = np.array([sheet.rows[i].printed for i in seen])
    tolerance = np.array([sheet.rows[i].tolerance for i in seen])
    from_charts = [
        (points.model(p) - points.ma) / points.tolerance(weight)
        for points in getattr(sheet, "charts", ())
        if not points.chart.held
    ]
    return np.concatenate([(model - printed) / tolerance, *from_charts])


def fit_grid(points, law, weight, widths, bounds):
    """The grid current's parameters in `widths`, drawn to those of `law`, through a printed chart."""
    names = list(widths)
    scaled = lambda values: np.array([to_scale(n, v) for n, v in zip(names, values)])
    centre = scaled(law[n] for n in names)
    low, high = (scaled(bounds[n][side] for n in names) for side in (0, 1))

    def cost(x):
        p = law | {n: np.exp(v) if n in LOGARITHMIC else v for n, v in zip(names, x)}
        misses = (points.model(p) - points.ma) / points.tolerance(weight)
        return np.concatenate([misses, (x - centre) / np.array(list(widths.values()))])

    found = least_squares(cost, centre, bounds=(low, high))
    digits = lambda x: float(f"{x:.4g}")
    return {n: digits(np.exp(v) if n in LOGARITHMIC else v) for n, v in zip(names, found.x)}


def fit(sheet, kind, priors, bounds, weight, held=()):
    """Parameters of one valve, rounded as printed, and the cost at the best start.

    `priors` maps a name to (centre, width); the width is in units of ln for the
    logarithmic ones. `bounds` maps a name to (lowest, highest); those in `held` stay put.
    """
    fixed = {n: priors[n][0] for n in held}
    names = [n for n in FITTED[kind] if n in priors and n not in held]
    centre = np.array([to_scale(n, priors[n][0]) for n in names])
    width = np.array([priors[n][1] for n in names])
    low, high = (
        np.array([to_scale(n, bounds[n][side]) for n in names]) for side in (0, 1)
    )

    def cost(x):
        p = fixed | {n: np.exp(v) if n in LOGARITHMIC else v for n, v in zip(names, x)}
        return np.concatenate([residuals(sheet, p, weight), (x - centre) / width])

    draw = np.random.default_rng(SEED)
    best = None
    for number in range(STARTS):
        start = centre + (draw.normal(size=len(names)) * width if number else 0.0)
        start = np.clip(start, low + 1e-6, high - 1e-6)
        found = least_squares(
            cost, start, bounds=(low, high), x_scale=width, xtol=1e-5, ftol=1e-5, diff_step=STEPS[kind]
        )
        if best is None or found.cost < best.cost - 1e-9:
            best = found
    return fixed | {n: from_scale(n, x) for n, x in zip(names, best.x)}, float(best.cost)
