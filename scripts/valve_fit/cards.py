"""Card files: netlist text with a header that says where every number comes from."""

import re
import textwrap

import numpy as np

from .bottles import bottle_of, heater_of, spread_of
from .ratings import capacitances_of, ratings_of
from .sheets import of_valve
from .triode_rows import apart

WIDTH = 96
ORDER = (
    "mu ex kg1 kg2 kp kvb vct isl most turn knee take wide perv vrise mup fade back vback eback alphas lams shade gg cg xi alphag lamg cgp cgk cpk "
    "pamax pg2max vamax vg2max ikmax vhkmax rgmaxfixed rgmaxself pivmax ipmax idcmax "
    "cmax rsmin "
    "base vh ih tolip tolmu vtest"
).split()
BREAKS = ("gg", "cgp", "pamax", "pivmax", "rgmaxfixed", "base")  # these begin a new line
SUFFIXES = {"meg": "e6", "k": "e3", "m": "e-3", "u": "e-6", "n": "e-9", "p": "e-12", "": ""}

LAWS = {
    "triode": (
        "Law: Koren 1996 with contact potential; ip = 2 E1^ex / kg1, E1 = (vpk/kp) ln(1 + "
        "exp(kp (1/mu + r))), q = (vgk + vct)/sqrt(kvb + vpk^2). src/device/triode.rs says how "
        "isl, most and turn bend r = q, what knee and take leave of ip at low plate volts, and on what scale "
        "wide puts grid and drive. Volts, amperes."
    ),
    "pentode": (
        "Law: Koren 1996; ip = 2 E1^ex / kg1 atan(vpk/kvb), E1 = (vg2k/kp) ln(1 + exp(kp (1/mu "
        "+ vgk/vg2k))); ig2 = (vg2k/mu + vgk)^ex / kg2. Volts, amperes. Its plate resistance "
        "above the knee is too high, and its screen current, which does not know the plate "
        "voltage, is an approximation: good for bias points and power, not for output impedance "
        "and damping."
    ),
    "output": (
        "Law: src/device/output_valve.rs; J = 2 E1^ex, E1 = (vg2k/kp) ln(1 + exp(kp (1/mu + (vgk "
        "+ v/mup)/sqrt(10 + vg2k^2)))), v = vpk^2/(vpk + 5 + fade vpk^2); s = K/(K + vpk^1.5), K = knee^1.5 + "
        "J/(kg1 perv); ip = J/kg1 (1 - s), less what back turns back; ig2 = J/kg2 (1 + alphas "
        "vg2k/(vg2k + lams v)), less in the grid's shade. Volts, amperes."
    ),
    "rectifier": (
        "Law, for each plate: i = perv (ln(1 + exp(cs v))/cs)^ex with cs = 20 /V. Terminals "
        "plate1 plate2 cathode. ex = 1.5 is Child's law; perv puts it through the printed drop."
    ),
}
RANGE = {
    "triode": (
        "Valid for plate volts 0 to the rated maximum and grids from cut-off to as far above 0 V as "
        "its chart goes; beyond is extrapolated."
    ),
    "pentode": "Valid for bias points and drive up to zero grid volts; beyond is extrapolated.",
    "output": (
        "Valid for plate volts from 0 to the rated maximum and grids from cut-off to some 20 V "
        "positive, where it is extrapolated."
    ),
    "rectifier": "Valid up to the rated peak current; no emission limit is modelled.",
}
SPREAD = "Real valves spread by some +/- 20 to 30 % in current from one to the next."


def number(value):
    """A plain SPICE number of at most five significant digits, or a word."""
    if isinstance(value, str):
        return value
    for suffix, low, high in (("p", 1e-13, 1e-9), ("m", 1e-3, 1e-1), ("meg", 1e5, 1e9)):
        if low <= abs(value) < high:
            return f"{value / float('1' + SUFFIXES[suffix]):.5g}{suffix}"
    return f"{value:.5g}"


def parse_number(text):
    """The inverse of `number`."""
    if not re.match(r"[-+.]?\d+(\.\d*)?(e[-+]?\d+)?(meg|[kmunp])?$", text.lower()):
        return text
    pattern = r"([-+0-9.]+(?:e[-+]?\d+)?)(meg|[kmunp]?)"
    digits, suffix = re.fullmatch(pattern, text.lower()).groups()
    return float(digits + SUFFIXES[suffix])


def model_card(name, kind, p):
    """The `.model` card with its continuation lines."""
    lines, line = [], f".model {name} {kind}("
    for key in ORDER:
        if key not in p:
            continue
        item = f"{key}={number(p[key])}"
        if key in BREAKS or (line.startswith(".model")):
            lines.append(line)
            line = "+ " + item
        else:
            line += " " + item
    return "\n".join(lines + [line + ")"]) + "\n"


def parse_cards(text):
    """All `.model` cards of a file: name -> (kind, parameters)."""
    joined = re.sub(r"\n\+", " ", "\n".join(l for l in text.split("\n") if not l.startswith("*")))
    cards = {}
    for name, kind, body in re.findall(r"^\.model\s+(\S+)\s+(\w+)\s*\(([^)]*)\)", joined, re.M):
        pairs = (item.split("=") for item in body.split())
        cards[name] = kind, {key: parse_number(value) for key, value in pairs}
    return cards


def comment(text):
    """A paragraph as `*` lines."""
    return "".join(
        f"* {line}\n"
        for line in textwrap.wrap(text, WIDTH - 2, break_long_words=False, break_on_hyphens=False)
    )


def cite(rows, label):
    """One comment that names the sources of some rows, and which were recalled."""
    sources = {}
    for row in rows:
        source = row["source"].rstrip("., ")
        plain = source.removeprefix("SEEN ")  # how the stage tables mark what was seen
        seen = row.get("found") or plain != source or "from memory" in source
        sources[plain + ("" if seen else " (from memory)")] = None
    return comment(f"{label}: " + "; ".join(sources) + ".") if sources else ""


def grid_note(valve, sheets, sheet, p):
    """Where gg, cg, xi, alphag and lamg come from."""
    text = (
        "Grid current: ig = gg (ln(1 + exp(cg vgk))/cg)^xi, Dempwolf and Zoelzer, DAFx-11, "
        "Table 1, means of its three 12AX7 samples (without their constant Ig0)"
    )
    if valve.name == "12AX7":
        return comment(text + ".")
    for points in getattr(sheet, "grid_charts", ()):
        if not points.chart.held:
            text += (
                "; more by alphag and lamg the lower the plate (src/device/triode.rs). All but cg, which is "
                "kept, are fitted to the printed grid current, gg and xi drawn to what scaling from the "
                "12AX7 gives."
            )
            rows = of_valve(sheets, points.chart.table, points.chart.valve)
            return comment(text) + cite(rows, "Grid current")
    if "alphag" in p:
        return comment(
            f"Grid current: the {valve.like}'s; gg is scaled with the space current at one volt of drive, "
            "the rest is kept (common practice, no published source)."
        )
    return comment(
        text + "; gg is scaled from the 12AX7 with the space current at one volt of drive, cg and "
        "xi are kept (common practice, no published source)."
    )


def drawn_to(valve):
    """What the priors of a fit sit at, in words."""
    if valve.kind == "output" and valve.like:
        return f"the fitted {valve.like}"
    if valve.kind == "output":
        return "figures common to such valves (valve_fit/valves.py)"
    return valve.drawn_to or "its own 1996 set"


def charts_cited(sheets, sheet, held):
    """The rows of the charts that a fit sees, or of those that it does not see."""
    return [
        row
        for points in sheet.charts
        if bool(points.chart.held) == held
        for row in of_valve(sheets, points.chart.table, points.chart.valve)
        if any(points.chart.picks(row, v) for v in np.atleast_1d(row["va"]))
    ]


def header(valve, sheets, sheet, p, summary):
    """The comment lines above a fitted card."""
    also = f", also {', '.join(valve.aliases)}" if valve.aliases else ""
    text = comment(f"{valve.name}{also}: {valve.kind}. Written by scripts/fit_valves.py.")
    text += comment(LAWS[valve.kind])
    if valve.kind != "rectifier":
        text += comment(
            ("mu to take" if valve.kind == "triode" else "mu to lams")
            + f": fitted to the rows below, drawn to {drawn_to(valve)}."
        )
        text += cite(sheet.points, "Points")
        text += cite(charts_cited(sheets, sheet, held=False), "Plate and screen curves")
        text += cite(charts_cited(sheets, sheet, held=True), "Curves held back")
        text += cite(getattr(sheet, "samples", []), "Grid at and above zero, measured samples")
        stages = getattr(sheet, "stages", [])
        text += cite([row for row in stages if not apart(sheet.name, row)], "Stages")
        text += cite([row for row in stages if apart(sheet.name, row)], "Stages held back")
        text += cite(getattr(sheet, "outputs", []), "Output stages")
        text += cite(getattr(sheet, "straps", []), "Triode connection (judged only)")
        text += cite(getattr(sheet, "taps", []), "Ultralinear connection (judged only)")
        text += grid_note(valve, sheets, sheet, p)
    else:
        text += cite([sheet.row], "Drop")
    _, row = capacitances_of(valve, sheets)
    if row:
        renamed = "; cgk is the printed input, cpk the output capacitance"
        source = row["source"] + ("" if "cgk_pf" in row else renamed)
        text += cite([row | {"source": source}], "Capacitances")
    _, rows = ratings_of(valve, sheets)
    text += rating_note(valve, rows)
    text += bottle_note(valve)
    if valve.few_points:
        text += comment(
            "From few points: the figures above do not fix every parameter, the rest is the prior's. "
            "Take it for bias and gain, not for distortion."
        )
    for remark in valve.remarks:
        text += comment(remark)
    text += comment(f"Residuals: {summary} See RESIDUALS.md.")
    return text + comment(RANGE[valve.kind] + " " + SPREAD)


def bottle_note(valve):
    """Where base, heater and spread come from."""
    heater = heater_of(valve.sheet_name)
    note = cite([heater[2]], "Base and heater (of the whole bottle)") if heater else ""
    if valve.kind == "rectifier":
        return note
    found, rows = spread_of(valve.sheet_name)
    if found:
        return note + cite(rows, f"Spread of production ({', '.join(found)})")
    return note + comment("Spread of production: no limits at hand, the default stands.")


def facts_of(valve, sheets):
    """Ratings and bottle."""
    return ratings_of(valve, sheets)[0] | bottle_of(valve, sheets)


def rating_note(valve, rows):
    """Which rating system the card carries, and from where."""
    if valve.kind == "rectifier":
        return cite(rows, "Ratings (a plate: pivmax, ipmax, rsmin; both together: idcmax, cmax)")
    if not rows:
        return comment("Ratings: none at hand.")
    label = lambda row: f"{row['source']}, {row['system']}"
    note = cite([row | {"source": label(row)} for row in rows], "Ratings (a section)")
    if any("rg1_max_ohm" in row for row in rows):
        note += comment("The source does not tell the bias systems apart for the grid resistance.")
    return note


def fitted_file(valve, sheets, sheet, p, summary):
    """The whole text of a fitted valve's card file; `p` is the law and the grid current."""
    card = p | capacitances_of(valve, sheets)[0] | facts_of(valve, sheets)
    text = header(valve, sheets, sheet, p, summary)
    for name in (valve.name, *valve.aliases):
        text += model_card(name, valve.kind, card | valve.stricter.get(name, {}))
    return text


def file_plain(valve, sheets, p, summary):
    """The whole text of a card file of the plain pentode law's set."""
    name = f"{valve.name}_PLAIN"
    card = p | capacitances_of(valve, sheets)[0] | facts_of(valve, sheets)
    text = comment(f"{name}: pentode, the plain law for comparison.")
    text += comment("Written by scripts/fit_valves.py.")
    text += comment(LAWS["pentode"])
    text += comment(
        f"mu to kvb and gg: fitted to the rows of {valve.name} before there was a better law, and "
        "kept; scripts/valve_fit/plain_sets.py. Sources: see that model."
    )
    text += comment(f"Residuals: {summary} See RESIDUALS.md.")
    text += comment(RANGE["pentode"] + " " + SPREAD)
    return text + model_card(name, "pentode", card)


def file_1996(valve, sheets, row, p, summary):
    """The whole text of a card file of the published 1996 set."""
    name = f"{valve.name}_1996"
    pf = {"cgp": row["cgp_pf"], "cgk": row["ccg_pf"], "cpk": row["ccp_pf"]}
    card = p | {key: value * 1e-12 for key, value in pf.items()} | facts_of(valve, sheets)
    kind = "triode" if valve.kind == "triode" else "pentode"
    text = comment(f"{name}: {kind}, the widely printed set.")
    text += comment("Written by scripts/fit_valves.py.")
    text += comment(LAWS[kind])
    text += cite([row], "All parameters and capacitances")
    text += comment("No grid current; the set's series grid resistor and diode are left out.")
    text += rating_note(valve, ratings_of(valve, sheets)[1])
    text += comment(f"Residuals: {summary} See RESIDUALS.md.")
    text += comment(RANGE[kind] + " " + SPREAD)
    return text + model_card(name, kind, card)
