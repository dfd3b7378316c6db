#!/usr/bin/env python3
"""Fits the valve library and writes netlists/valves/*.cir, RESIDUALS.md and charts/*.svg.

    scripts/fit_valves.py           fit, write the cards and the residuals
    scripts/fit_valves.py --check   recompute the residuals from the committed cards;
                                    exit 1 if a promise is broken or a file is out of date

Reads tests/references/valves.toml and resistance_coupled.csv; needs Python 3.11, numpy and
scipy (developed with 2.4 and 1.17). The same inputs give the same bytes.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

from valve_fit import cards, fitting, laws, pictures, report, sheets, stage
from valve_fit.plain_sets import PLAIN
from valve_fit.power_rows import PowerSheet, RectifierSheet
from valve_fit.triode_rows import TriodeSheet
from valve_fit.valves import (
    BOUNDS,
    GRID_BOUNDS,
    GRID_CENTRE,
    GRID_WIDTHS,
    HELD,
    KNEE_KG1,
    SETS_1996,
    VALVES,
    WIDTHS,
    centre_of,
    grid_law,
    grid_scale,
    mu_bounds,
    set_1996,
)

SHEETS = {"triode": TriodeSheet, "output": PowerSheet, "rectifier": RectifierSheet}
TARGET = Path(__file__).resolve().parents[1] / "netlists" / "valves"
LAW_AND_GRID = {*fitting.FITTED["triode"], *fitting.FITTED["output"], "gg", "cg", "xi", "alphag", "lamg"}


def fit_rectifier(sheet):
    """Child's law through the one printed drop, or a power law through a curve."""
    volts, milliamperes = (np.array(column, float) for column in sheet.drop_points())
    ex = 1.5
    if len(volts) > 1:
        ex = float(f"{np.polyfit(np.log(volts), np.log(milliamperes), 1)[0]:.4g}")
    perv = np.exp(np.mean(np.log(1e-3 * milliamperes / volts**ex)))
    return {"perv": float(f"{perv:.5g}"), "ex": ex}


def fit_law(valve, sheet, tables, fitted):
    """The law's parameters of one triode or output valve."""
    centre = centre_of(valve, tables, fitted)
    priors = {
        key: (centre[key], width)
        for key, width in (WIDTHS[valve.kind] | valve.widths).items()
        if key in centre
    }
    bounds = {"mu": mu_bounds(valve, tables)} | BOUNDS[valve.kind]
    held = HELD if valve.kind == "output" else ()
    p, cost = fitting.fit(sheet, valve.kind, priors, bounds, valve.chart_weight, held)
    print(f"{valve.name}: cost {cost:.2f}", file=sys.stderr)
    return p


def add_grid(valve, sheet, p, tables, fitted):
    """The parameters with the grid current: its chart's, else scaled from that of a relative which
    has a chart, else from the 12AX7's."""
    law = grid_law(tables)
    known = fitted["12AX7"] if "wide" in p else {"kg1": KNEE_KG1}
    if "alphag" in fitted.get(valve.like, {}):
        known = fitted[valve.like]
        law = {key: known[key] for key in ("gg", "cg", "xi", "alphag", "lamg")}
    scale = grid_scale(valve.kind, p) / grid_scale("triode", known)
    law = law | {"gg": float(f"{law['gg'] * scale:.4g}")}
    for points in getattr(sheet, "grid_charts", ()):
        if not points.chart.held:
            start = GRID_CENTRE | law
            law |= fitting.fit_grid(points, start, valve.chart_weight, GRID_WIDTHS, GRID_BOUNDS)
    return p | law


def fit_all(valves, only=None):
    """Parameters by name, in the library's order; later valves may lean on earlier ones.

    Of the valves that `only` does not name the committed cards are taken.
    """
    tables, stages = sheets.load_sheets(), sheets.load_stages()
    fitted = {}
    for valve in valves:
        sheet = SHEETS[valve.kind](tables, stages, valve.sheet_name)
        if only and valve.name not in only:
            p = read_card(valve)
        elif valve.kind == "rectifier":
            p = fit_rectifier(sheet)
        else:
            p = fit_law(valve, sheet, tables, fitted)
        if valve.kind != "rectifier":
            p = add_grid(valve, sheet, p, tables, fitted | {valve.name: p})
        fitted[valve.name] = p
    return fitted


def law_only(found, name):
    """The law and grid current of one card, without capacitances and ratings."""
    return {key: value for key, value in found[name][1].items() if key in LAW_AND_GRID}


def read_card(valve):
    """The law's parameters from a committed card; aliases must not differ."""
    found = cards.parse_cards((TARGET / valve.file).read_text())
    laws_found = [law_only(found, name) for name in (valve.name, *valve.aliases)]
    if any(law != laws_found[0] for law in laws_found) or found[valve.name][0] != valve.kind:
        raise ValueError(f"{valve.file}: the kind is wrong or an alias differs")
    return laws_found[0]


def read_cards():
    """The parameters of every committed card by name."""
    return {valve.name: read_card(valve) for valve in VALVES}


def older_sets(tables, valve):
    """The sets that a valve's card is compared with, by their heading."""
    plain, old = PLAIN.get(valve.name), set_1996(tables, valve.sheet_name)
    return ({"plain set": plain} if plain else {}) | ({"1996 set": old} if old else {})


def texts_of(fitted):
    """File name -> text of the whole library, and the fits with their sheets."""
    tables, stages = sheets.load_sheets(), sheets.load_stages()
    files, fits = {}, []
    for valve in VALVES:
        sheet, p = SHEETS[valve.kind](tables, stages, valve.sheet_name), fitted[valve.name]
        fits.append((valve, sheet, p))
        files[f"charts/{report.picture_name(valve)}"] = pictures.picture(valve, sheet, p)
        line = report.summary_line(valve.kind, sheet, p)
        files[valve.file] = cards.fitted_file(valve, tables, sheet, p, line)
        if valve.name in SETS_1996:
            (row,) = sheets.of_valve(tables, "model", valve.sheet_name)
            old = set_1996(tables, valve.sheet_name)
            line = report.summary_line(valve.kind, sheet, old)
            text = cards.file_1996(valve, tables, row, old, line)
            files[f"{valve.name.lower()}_1996.cir"] = text
        if valve.name in PLAIN:
            line = report.summary_line(valve.kind, sheet, PLAIN[valve.name])
            text = cards.file_plain(valve, tables, PLAIN[valve.name], line)
            files[f"{valve.name.lower()}_plain.cir"] = text
    sets = {valve.name: older_sets(tables, valve) for valve in VALVES}
    files["RESIDUALS.md"] = report.residuals_text(fits, sets)
    return files, report.broken_promises(fits, tables)


def wrong_laws():
    """Sentences on laws that miss the worked example: 12AX7 set of 1996, 330 V, 100 k, 1.5 k.

    Steck, "Analog and Digital Electronics", prints 1.07 mA, 221 V, gm 1880 uS; the closer
    figures and rp were computed apart from this script with scipy and sympy.
    """
    p = set_1996(sheets.load_sheets(), "12AX7")
    current, vk, vpk = stage.quiescent(p, np.array(330.0), 100e3, 1500.0)
    _, gm, gp = laws.triode(p, -vk, vpk)
    found = (current * 1e3, vpk, gm * 1e6, 1e-3 / gp)
    expected = (1.0742, 220.97, 1877.0, 48.995)
    missed = [(f, e) for f, e in zip(found, expected) if abs(f / e - 1.0) > 1e-3]
    return [f"worked example: expected {e:g}, found {f:g}" for f, e in missed]


def out_of_date(files):
    """Sentences on files that differ from what the cards say they should be."""
    complaints = []
    for name, text in files.items():
        path = TARGET / name
        if not path.exists() or path.read_text() != text:
            complaints.append(f"{name} is out of date: run scripts/fit_valves.py")
    return complaints


def main():
    """Fit and write, or check; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n", maxsplit=1)[0])
    parser.add_argument("--check", action="store_true", help="judge the committed cards")
    parser.add_argument("--only", nargs="+", help="fit these types, keep the other cards")
    arguments = parser.parse_args()
    files, complaints = texts_of(
        read_cards() if arguments.check else fit_all(VALVES, arguments.only)
    )
    if arguments.check:
        complaints += wrong_laws() + out_of_date(files)
    else:
        (TARGET / "charts").mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            (TARGET / name).write_text(text)
    for complaint in complaints:
        print(complaint, file=sys.stderr)
    return 1 if complaints else 0


if __name__ == "__main__":
    sys.exit(main())
