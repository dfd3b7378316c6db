"""Reads the published figures in tests/references into arrays in base SI units."""

import csv
import tomllib
from functools import lru_cache
from pathlib import Path

import numpy as np

REFERENCES = Path(__file__).resolve().parents[2] / "tests" / "references"


# Of these the second helping has the sheets themselves, where the first has recollections. Of the KT88
# it has a catalogue's row: the recollection's 3 mA of screen current are contradicted by its pair.
SEEN_LATER = ("6V6GT", "EL84", "12AU7", "KT88")


@lru_cache
def read(name):
    """One file of the references, as read."""
    with open(REFERENCES / name, "rb") as file:
        return tomllib.load(file)


@lru_cache
def load_sheets():
    """The tables of valves.toml, valves_more.toml and curves.toml together.

    valves_more.toml adds valves that valves.toml lacks in a table, and takes the place of its
    rows for `SEEN_LATER`.
    """
    first, second, curves = read("valves.toml"), read("valves_more.toml"), read("curves.toml")
    tables = {}
    for table in {**first, **second, **curves}:
        rows, more = list(first.get(table, [])), second.get(table, [])
        known = {row.get("valve") for row in rows}
        for valve in dict.fromkeys(row["valve"] for row in more if "valve" in row):
            own = [row for row in more if row["valve"] == valve]
            if valve in SEEN_LATER and valve in known and table != "rating":
                rows = [row for row in rows if row.get("valve") != valve] + own
            elif valve not in known:
                rows += own
        tables[table] = rows + list(curves.get(table, []))
    return tables


def load_more():
    """The tables of valves_more.toml: bases, heaters and types beyond the first ones."""
    return read("valves_more.toml")


def load_spread():
    """The tables of spread.toml: production limits."""
    return read("spread.toml")


def load_stages():
    """Resistance-coupled stages by valve: a list of dictionaries in SI units."""
    stages = {}
    for name in ("resistance_coupled.csv", "resistance_coupled_more.csv"):
        with open(REFERENCES / name, newline="") as file:
            for row in csv.DictReader(file):
                stages.setdefault(row["valve"], []).append(stage_row(row))
    return stages


def stage_row(row):
    """One row of resistance_coupled.csv; figures that were not printed are nan."""
    number = lambda key, scale=1.0: float(row[key]) * scale if row[key] else np.nan
    to_rms = {"Vrms": 1.0, "Vpk": 0.5**0.5}[row["vout_unit"]]
    return {
        "vbb": number("vbb_v"),
        "ra": number("ra_kohm", 1e3),
        "rg": number("rg_next_kohm", 1e3) if row["rg_next_kohm"] else np.inf,
        "rk": number("rk_ohm"),
        "ia": number("ia_ma", 1e-3),
        "gain": number("gain"),
        "vrms": number("vout") * to_rms,
        "thd": number("thd_pct"),
        "source": row["source"],
    }


def of_valve(sheets, table, name):
    """The rows of one table of valves.toml that belong to one valve."""
    return [row for row in sheets.get(table, []) if row.get("valve") == name]
