"""The library: which valves, what draws their fits, which ratings go on their cards."""

from dataclasses import dataclass, field

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
]


@dataclass(frozen=True)
class Valve:
    """One card file. `centre` is where the priors sit; None takes the 1996 set."""

    name: str
    kind: str
    data: str | None = None  # the name in the reference tables, where it differs
    aliases: tuple = ()
    centre: dict | None = None
    like: str | None = None  # the fitted valve whose set, scaled to mu, is the centre
    drawn_to: str = "its own 1996 set"
    mu_range: tuple | None = None  # pentodes: sheets print no mu; triodes: 15 % round theirs
    remarks: tuple = field(default=())

    @property
    def sheet_name(self):
        """The name in the reference tables."""
        return self.data or self.name

    @property
    def file(self):
        """The card file's name."""
        return f"{self.name.lower()}.cir"


VALVES = [
    Valve(
        "12AX7",
        "triode",
        aliases=("ECC83", "7025"),
        remarks=(
            "The two stage tables differ by up to 10 % where they overlap (180 V and 200 V, "
            "220 k: gain 63 against 56.5), so no set meets both.",
        ),
    ),
    Valve(
        "12AT7",
        "triode",
        aliases=("ECC81",),
        remarks=(
            "The makers' points differ in mu (70 at 200 V, 60 elsewhere); the currents agree "
            "with one law, the slopes do not. There is no stage table to judge by.",
        ),
    ),
    Valve(
        "12AU7",
        "triode",
        aliases=("ECC82",),
        remarks=(
            "The stage table prints whole numbers of 10 to 12: rounding alone is up to 5 %. "
            "With 220 k loads the law's mu falls off sooner than the table's.",
        ),
    ),
    Valve(
        "12AY7",
        "triode",
        aliases=("6072",),
        like="12AX7",
        drawn_to="the fitted 12AX7 with its mu and kp scaled to mu 44",
        remarks=("One point alone fixes the scale; the shape is that of the 12AX7.",),
    ),
    Valve(
        "6SN7",
        "triode",
        data="6SN7GTB",
        aliases=("6SN7GT", "6SN7GTB"),
        centre={"mu": 20, "ex": 1.3, "kg1": 1180, "kp": 84, "kvb": 300},
        drawn_to="the 12AU7 set of 1996",
        remarks=(
            "The stage table prints whole numbers of 13 and 14. The sheet gives mu 20 at both "
            "points; the table asks for more, and mu sits at its bound of 15 % above.",
        ),
    ),
    Valve(
        "6SL7",
        "triode",
        data="6SL7GT",
        aliases=("6SL7GT",),
        like="12AX7",
        drawn_to="the fitted 12AX7 with its mu and kp scaled to mu 70",
        remarks=("Curve readings below 0.1 mA are within their reading error, not in percent.",),
    ),
    Valve(
        "6V6GT",
        "pentode",
        centre={"mu": 9.5, "ex": 1.35, "kg1": 1460, "kg2": 4500, "kp": 48, "kvb": 12},
        drawn_to="the 6L6GC set of 1996 with mu 9.5",
        mu_range=(8, 12),
    ),
    Valve("6L6GC", "pentode", mu_range=(7.5, 10)),
    Valve(
        "EL34",
        "pentode",
        aliases=("6CA7",),
        mu_range=(9, 12),
        remarks=(
            "At 400 V screen and -39 V the screen law is already cut off where the sheet "
            "prints 3 mA a valve.",
        ),
    ),
    Valve(
        "EL84",
        "pentode",
        aliases=("6BQ5",),
        centre={"mu": 19, "ex": 1.35, "kg1": 650, "kg2": 4200, "kp": 100, "kvb": 24},
        drawn_to="the EL34 set of 1996 with mu 19 and kp 100",
        mu_range=(17, 22),
    ),
    Valve("6550", "pentode", mu_range=(7, 9)),
    Valve(
        "KT88",
        "pentode",
        mu_range=(7.5, 10),
        remarks=("One point and one pair: little more than the 1996 set put on the sheet.",),
    ),
    Valve("5AR4", "rectifier", aliases=("GZ34",)),
    Valve(
        "5Y3GT",
        "rectifier",
        aliases=("5Y3",),
        remarks=("Printed drops of the 5Y3GT range from 44 to 60 V; this is the 60 V figure.",),
    ),
    Valve(
        "5U4GB",
        "rectifier",
        remarks=("Printed drops of the 5U4 family range from 44 to 58 V.",),
    ),
]

# Published sets that get a card of their own, under NAME_1996.
SETS_1996 = ("12AX7", "12AT7", "12AU7", "6L6GC", "EL34")
LAW_1996 = ("mu", "ex", "kg1", "kg2", "kp", "kvb")

# Widths of the priors (ln for all but ex and vct) and the bounds of the search. A kvb
# above 3000 V^2 or below 50 would bend the whole curve instead of its foot; a pentode's
# kvb is a knee voltage. vct is the contact potential of an oxide cathode, V.
WIDTHS = {
    "triode": {"mu": 0.08, "ex": 0.2, "kg1": 0.5, "kp": 0.4, "kvb": 1.0, "vct": 0.3},
    "pentode": {"mu": 0.08, "ex": 0.12, "kg1": 0.5, "kg2": 0.5, "kp": 0.4, "kvb": 0.4},
}
CONTACT_POTENTIAL = 0.4
BOUNDS = {
    "triode": {
        "ex": (1.1, 1.7),
        "kg1": (50, 10000),
        "kp": (10, 2000),
        "kvb": (50, 3000),
        "vct": (0.0, 1.0),
    },
    "pentode": {
        "ex": (1.1, 1.7),
        "kg1": (50, 10000),
        "kg2": (500, 50000),
        "kp": (10, 2000),
        "kvb": (2, 60),
    },
}


def set_1996(sheets, name):
    """The parameters of the 1996 table for a valve, or None."""
    rows = of_valve(sheets, "model", name)
    return {k: float(rows[0][k]) for k in LAW_1996 if k in rows[0]} if rows else None


def centre_of(valve, sheets, fitted):
    """Where the priors of a valve sit; `fitted` holds the valves fitted before it."""
    if valve.like:
        mu = float(of_valve(sheets, "point", valve.sheet_name)[0]["mu"])
        other = fitted[valve.like]
        return other | {"mu": mu, "kp": other["kp"] * mu / other["mu"]}
    centre = valve.centre or set_1996(sheets, valve.sheet_name)
    return {"vct": CONTACT_POTENTIAL} | centre if valve.kind == "triode" else centre


def mu_bounds(valve, sheets):
    """Bounds of mu: given for pentodes, 15 % beyond the printed ones for triodes."""
    if valve.mu_range:
        return valve.mu_range
    printed = [row["mu"] for row in of_valve(sheets, "point", valve.sheet_name)]
    return 0.85 * min(printed), 1.15 * max(printed)


def ratings_of(valve, sheets):
    """Ratings in base units and the row that each set came from.

    Design-centre rows go before design-maximum ones; the first row that prints a figure
    gives it, so a card never mixes in the looser system where the stricter one speaks.
    """
    if valve.kind == "rectifier":
        (row,) = of_valve(sheets, "rectifier", valve.sheet_name)
        return {k: row[key] * factor for k, key, factor in RECTIFIER_KEYS}, [row]
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


def grid_law(sheets):
    """The 12AX7 grid-current law: means of the three measured samples."""
    rows = of_valve(sheets, "dempwolf", "12AX7")
    mean = lambda key: sum(row[key] for row in rows) / len(rows)
    return {key: float(f"{mean(key):.4g}") for key in ("gg", "cg", "xi")}


def grid_scale(kind, p):
    """Space current (A) at one volt of effective drive: what gg is scaled with."""
    if kind == "triode":
        return 2.0 / p["kg1"]
    return 3.141592653589793 / p["kg1"] + 1.0 / p["kg2"]
