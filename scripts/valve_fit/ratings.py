"""Ratings and capacitances beside the law, in base units, with the rows they came from."""

from .sheets import of_valve

# Figures that tests/references does not hold, from memory; the cards say so.
MEMORY_RATINGS = {
    "EL34": {
        "system": "design-centre (Philips EL34; self bias class A and AB, fixed bias class B)",
        "va": 800,
        "vg2": 425,
        "pa_w": 25,
        "pg2_w": 8,
        "ik_ma": 150,
        "vhk": 100,
        "rg1_max_ohm_cathode_bias": 700000.0,
        "rg1_max_ohm_fixed_bias": 500000.0,
        "found": False,
        "source": "Philips EL34 (recalled by the writer of scripts/valve_fit, not in valves.toml)",
    },
}
MEMORY_CAPACITANCES = {
    "6V6GT": {
        "cgp_pf": 0.7,
        "cin_pf": 9.0,
        "cout_pf": 7.5,
        "found": False,
        "source": "RCA 6V6-GT (recalled by the writer of scripts/valve_fit, not in valves.toml)",
    },
}

# Card parameter, keys of [[rating]] in order of preference, factor to base units.
RATING_KEYS = [
    ("pamax", ("pa_w",), 1.0),
    ("pg2max", ("pg2_w",), 1.0),
    ("vamax", ("va",), 1.0),
    ("vg2max", ("vg2",), 1.0),
    ("ikmax", ("ik_ma",), 1e-3),
    ("vhkmax", ("vhk", "vkf", "vhk_peak"), 1.0),
    ("rgmaxfixed", ("rg1_max_ohm_fixed_bias", "rg1_max_ohm"), 1.0),
    ("rgmaxself", ("rg1_max_ohm_cathode_bias", "rg1_max_ohm"), 1.0),
]
RECTIFIER_KEYS = [
    ("pivmax", "piv_v", 1.0),
    ("ipmax", "peak_ma_per_plate", 1e-3),
    ("idcmax", "idc_max_ma", 1e-3),
    ("cmax", "c_in_max_uf", 1e-6),
]


def ratings_of(valve, sheets):
    """Ratings in base units and the row that each set came from.

    Design-centre rows go before design-maximum ones; the first row that prints a figure
    gives it, so a card never mixes in the looser system where the stricter one speaks.
    """
    if valve.kind == "rectifier":
        (row,) = of_valve(sheets, "rectifier", valve.sheet_name)
        ratings = {k: row[key] * factor for k, key, factor in RECTIFIER_KEYS}
        # Where a sheet prints a row of plate volts, the least of them: more is asked for above.
        rows = row.get("rt_min_per_plate_ohm")
        ratings["rsmin"] = rows[0][1] if rows else row["zs_min_per_plate_ohm"]
        return ratings, [row]
    rows = of_valve(sheets, "rating", valve.sheet_name)
    if valve.sheet_name in MEMORY_RATINGS:
        rows = rows + [MEMORY_RATINGS[valve.sheet_name]]
    centre = [row for row in rows if row["system"].startswith("design-centre")]
    chosen = centre or rows
    ratings = {}
    for name, keys, factor in RATING_KEYS:
        for row in chosen:
            found = next((row[key] for key in keys if key in row), None)
            if found is not None:
                ratings.setdefault(name, found * factor)
    return ratings, chosen


def capacitances_of(valve, sheets):
    """cgp, cgk, cpk in farads and the row they came from, or ({}, None)."""
    rows = of_valve(sheets, "capacitance", valve.sheet_name)
    row = rows[0] if rows else MEMORY_CAPACITANCES.get(valve.sheet_name)
    if row is None:
        return {}, None
    keys = ("cgp_pf", "cgk_pf", "cpk_pf") if "cgk_pf" in row else ("cgp_pf", "cin_pf", "cout_pf")
    return {c: row[k] * 1e-12 for c, k in zip(("cgp", "cgk", "cpk"), keys)}, row
