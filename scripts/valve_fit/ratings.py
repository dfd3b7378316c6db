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



def remembered(va, pa_w, vg2=None, pg2_w=None, ik_ma=None, rg=(None, None)):
    """A row of ratings from memory; the systems of the makers are not told apart.

    `rg` is the grid circuit's resistance with fixed and with cathode bias."""
    row = {"va": va, "pa_w": pa_w, "vg2": vg2, "pg2_w": pg2_w, "ik_ma": ik_ma}
    row |= {"rg1_max_ohm_fixed_bias": rg[0], "rg1_max_ohm_cathode_bias": rg[1]}
    row = {key: value for key, value in row.items() if value is not None}
    source = "recalled by the writer of scripts/valve_fit, not in the references"
    return row | {"system": "system not recalled", "found": False, "source": source}


MEMORY_RATINGS |= {
    "5751": remembered(300, 0.8),
    "12BH7A": remembered(300, 3.5, ik_ma=20, rg=(0.25e6, 1e6)),
    "6CG7": remembered(300, 3.5, ik_ma=20, rg=(1e6, 1e6)),
    "6SC7": remembered(250, 1.0),
    "ECC99": remembered(400, 5.0, ik_ma=60),
    "6N1P": remembered(250, 2.2, ik_ma=25),
    "6N2P": remembered(300, 1.0, ik_ma=10),
    "6111": remembered(165, 0.95, ik_ma=22),
    # 3 megohms where the plate turns more than 0.2 W into heat.
    "EF86": remembered(300, 1.0, 200, 0.2, 6, rg=(10e6, 10e6)),
    "5879": remembered(300, 1.25, 300, 0.25),
    "6AU6": remembered(300, 3.0, 150, 0.65),
    "ECL82T": remembered(300, 1.0, ik_ma=15),
    "ECL82P": remembered(300, 7.0, 300, 1.8, 50),
    "ECL86T": remembered(300, 0.5, ik_ma=4),
    "ECL86P": remembered(300, 9.0, 300, 1.5, 55),
    "5881": remembered(360, 23, 270, 3.0, rg=(0.1e6, 0.5e6)),
    "KT66": remembered(500, 25, 500, 3.5, 200),
    "7027A": remembered(600, 35, 500, 5.0, rg=(0.1e6, 0.5e6)),
    "6AQ5": remembered(250, 12, 250, 2.0, rg=(0.1e6, 0.5e6)),
    "6K6GT": remembered(315, 8.5, 285, 2.8, rg=(0.1e6, 0.5e6)),
    "807": remembered(600, 25, 300, 3.5),
    "300B": remembered(400, 36, ik_ma=100),
    "2A3": remembered(300, 15),
}
# Picofarads grid to plate, grid to cathode (input), plate to cathode (output).
for _name, _pf in {
    "5751": (1.4, 1.4, 0.46),
    "12BH7A": (2.6, 3.2, 0.5),
    "6CG7": (4.0, 2.3, 2.2),
    "6SC7": (2.0, 2.0, 3.0),
    "EF86": (0.05, 3.8, 5.3),
    "6AU6": (0.0035, 5.5, 5.0),
    "300B": (15.0, 9.0, 4.3),
    "2A3": (16.5, 7.5, 5.5),
    "6AQ5": (0.35, 8.3, 8.2),
}.items():
    MEMORY_CAPACITANCES[_name] = dict(zip(("cgp_pf", "cin_pf", "cout_pf"), _pf)) | {
        "found": False,
        "source": "recalled by the writer of scripts/valve_fit, not in the references",
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
    ("vhkmax", "vhk_peak", 1.0),
]


def ratings_of(valve, sheets):
    """Ratings in base units and the row that each set came from.

    Design-centre rows go before design-maximum ones; the first row that prints a figure
    gives it, so a card never mixes in the looser system where the stricter one speaks.
    """
    if valve.kind == "rectifier":
        (row,) = of_valve(sheets, "rectifier", valve.sheet_name)
        ratings = {k: row[key] * factor for k, key, factor in RECTIFIER_KEYS if key in row}
        # Where a sheet prints a row of plate volts, the least of them: more is asked for above.
        rows = row.get("rt_min_per_plate_ohm")
        ratings["rsmin"] = rows[0][1] if rows else row["zs_min_per_plate_ohm"]
        return ratings, [row]
    rows = of_valve(sheets, "rating", valve.sheet_name)
    for name in {valve.sheet_name: 0, valve.name: 0}:
        rows = rows + [MEMORY_RATINGS[name]] if name in MEMORY_RATINGS else rows
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
    picofarads = lambda key: row[key] if key in row else row[key + "_max"]
    return {c: picofarads(k) * 1e-12 for c, k in zip(("cgp", "cgk", "cpk"), keys)}, row
