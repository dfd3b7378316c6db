"""Base, heater and production spread of each type: what a bottle is beside its law."""

import re

from .sheets import load_more, load_spread, of_valve

# Basing designations of the RETMA and EIA; those that the [[base]] row does not print are from
# memory.
BASES = {
    "12AX7": "9a",
    "12AT7": "9a",
    "12AU7": "9a",
    "12AY7": "9a",
    "6SN7GTB": "8bd",
    "6SL7GT": "8bd",
    "6V6GT": "7ac",
    "6L6GC": "7ac",
    "EL34": "8ep",
    "EL84": "9cv",
    "6550": "7s",
    "KT88": "7s",
    "5AR4": "5da",
    "5Y3GT": "5t",
    "5U4GB": "5t",
    "5751": "9a",
    "12BH7A": "9a",
    "E88CC": "9aj",
    "6CG7": "9aj",
    "6SC7": "8s",
    "ECC99": "9a",
    "6N1P": "9aj",
    "6N2P": "9aj",
    "EF86": "9cq",
    "5879": "9ad",
    "6AU6": "7bk",
    "ECL82": "9ex",
    "ECL86": "9lz",
    "5881": "7ac",
    "KT66": "7ac",
    "7591": "8kg",
    "7027A": "8hy",
    "6AQ5": "7bz",
    "6K6GT": "7s",
    "807": "5aw",
    "300B": "4d",
    "2A3": "4d",
    "6X4": "5bs",
    "EZ80": "9m",
    "EZ81": "9m",
    "5V4G": "5l",
}
# Whose production limits a type goes by, where it has none of its own.
LIMITS_OF = {"6L6GC": "6L6", "5881": "6L6", "807": "6L6", "E88CC": "6922EH"}
# The spread of current that a model from few points states where no limits are published: the
# type's own 30 % and what its few figures leave open.
FEW_POINTS_SPREAD = 0.4
# [[spread_statement]]: gm of new stock from 0.66 to 1.33 of the printed one.
STATED = {"12AX7": 0.33}


def heater_of(name):
    """Volts and amperes of the heater, and the row they came from.

    Where the heater can be wired both ways the 6.3 V figures are taken; a range of current is
    taken at its middle.
    """
    rows = of_valve(load_more(), "base", name)
    if not rows:
        return None
    number = r"(\d+(?:\.\d+)?)"
    text = rows[0]["heater"]
    found = re.findall(rf"{number} V,? {number}(?:-{number})? (m?A)", text)
    volts, low, high, unit = next((f for f in found if f[0] == "6.3"), found[0])
    amperes = (float(low) + float(high or low)) / 2.0 * (1e-3 if unit == "mA" else 1.0)
    return float(volts), round(amperes, 4), rows[0]


def width(limits):
    """Half the width of printed limits, relative to their middle."""
    return round((limits[-1] - limits[0]) / (limits[-1] + limits[0]), 2)


def spread_of(name):
    """`tolip` and `tolmu` where limits are published, and their sources."""
    rows = of_valve(load_spread(), "limit", LIMITS_OF.get(name, name))
    found, sources = {}, []
    for row in rows:
        for key, limits in (("tolip", row.get("ia_ma")), ("tolmu", row.get("mu"))):
            if key not in found and limits and len(limits) > 1:
                found[key] = width(limits)
                sources.append(row)
    if name in STATED and "tolip" not in found:
        found["tolip"] = STATED[name]
        sources += of_valve(load_spread(), "spread_statement", name)
    return found, list({row["source"]: row for row in sources}.values())


def bottle_of(valve, sheets):
    """Card parameters of the bottle, in base units."""
    name = valve.sheet_name
    card = {"base": BASES[name]} if name in BASES else {}
    heater = heater_of(name)
    if heater:
        card |= {"vh": heater[0], "ih": heater[1]}
    if valve.kind == "rectifier":
        return card
    points = of_valve(sheets, "point", name)
    tested = [row.get("vg2", row.get("va")) for row in points]
    if tested and tested[-1] and tested[-1] != 250:
        card["vtest"] = float(tested[-1])
    few = {"tolip": FEW_POINTS_SPREAD} if valve.few_points else {}
    return card | few | spread_of(name)[0]
