"""Reads the published figures in tests/references into arrays in base SI units."""

import csv
import tomllib
from pathlib import Path

import numpy as np

REFERENCES = Path(__file__).resolve().parents[2] / "tests" / "references"


def load_sheets():
    """The tables of valves.toml, as read."""
    with open(REFERENCES / "valves.toml", "rb") as file:
        return tomllib.load(file)


def load_more():
    """The tables of valves_more.toml: bases, heaters and types beyond the first ones."""
    with open(REFERENCES / "valves_more.toml", "rb") as file:
        return tomllib.load(file)


def load_spread():
    """The tables of spread.toml: production limits."""
    with open(REFERENCES / "spread.toml", "rb") as file:
        return tomllib.load(file)


def load_stages():
    """Resistance-coupled stages by valve: a list of dictionaries in SI units."""
    stages = {}
    with open(REFERENCES / "resistance_coupled.csv", newline="") as file:
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
        "rg": number("rg_next_kohm", 1e3),
        "rk": number("rk_ohm"),
        "ia": number("ia_ma", 1e-3),
        "gain": number("gain"),
        "vrms": number("vout") * to_rms,
        "thd": number("thd_pct"),
        "source": row["source"],
    }


def of_valve(sheets, table, name):
    """The rows of one table of valves.toml that belong to one valve."""
    return [row for row in sheets.get(table, []) if row["valve"] == name]
