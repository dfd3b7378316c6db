"""One picture of each type: printed points over the model's curves, as SVG text.

Filled points pulled the fit, hollow ones only judge it. The same cards give the same bytes.
"""

import numpy as np

from .charts import GRID
from .laws import grid_current, output_valve, rectifier, triode

GRID_TITLE = "the grid's own current"
WIDE, HIGH = 760, 430
LEFT, RIGHT, TOP, BOTTOM = 64, 70, 40, 52
INKS = ("#1b6ca8", "#b2452f", "#3c7d3c", "#7a4b94", "#946b1f", "#2b7f86", "#a33f6d", "#555")


def round_step(span):
    """A tick of 1, 2 or 5 that divides a span into at most eight."""
    power = 10.0 ** np.floor(np.log10(span / 8.0))
    return next(power * m for m in (1, 2, 5, 10) if span / (power * m) <= 8.0)


class Panel:
    """One set of axes: plate volts to milliamperes."""

    def __init__(self, title, most_volts, most_ma):
        self.title, self.volts, self.ma = title, most_volts, most_ma
        self.body = []

    def at(self, volts, ma):
        """Picture coordinates."""
        x = LEFT + (WIDE - LEFT - RIGHT) * volts / self.volts
        return x, HIGH - BOTTOM - (HIGH - TOP - BOTTOM) * ma / self.ma

    def curve(self, label, volts, ma, ink):
        """A line, cut off where it leaves the panel, named at its end."""
        inside = ma <= self.ma * 1.001
        if np.count_nonzero(inside) < 2:
            return
        first, last = np.flatnonzero(inside)[[0, -1]]
        shown = slice(first, last + 1)
        path = " ".join("%.1f,%.1f" % self.at(v, i) for v, i in zip(volts[shown], ma[shown]))
        x, y = self.at(volts[last], ma[last])
        self.body.append(f'<polyline points="{path}" fill="none" stroke="{ink}" stroke-width="1.4"/>')
        self.body.append(f'<text x="{x + 4:.1f}" y="{y + 4:.1f}" fill="{ink}">{label}</text>')

    def points(self, volts, ma, ink, held):
        """Printed points."""
        fill = "#fff" if held else ink
        for v, i in zip(volts, ma):
            x, y = self.at(v, i)
            self.body.append(
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.6" fill="{fill}" stroke="{ink}"/>'
            )

    def text(self, down):
        """The panel as SVG, moved down the picture."""
        lines = [f'<g transform="translate(0 {down})">']
        lines.append(f'<text x="{LEFT}" y="22" class="title">{self.title}</text>')
        for k in range(int(self.volts / round_step(self.volts) + 1e-9) + 1):
            v = k * round_step(self.volts)
            x, y = self.at(v, 0.0)
            lines.append(f'<line x1="{x:.1f}" y1="{TOP}" x2="{x:.1f}" y2="{y:.1f}" class="grid"/>')
            lines.append(f'<text x="{x:.1f}" y="{y + 17:.1f}" text-anchor="middle">{v:g}</text>')
        for k in range(int(self.ma / round_step(self.ma) + 1e-9) + 1):
            i = k * round_step(self.ma)
            x, y = self.at(0.0, i)
            right = WIDE - RIGHT
            lines.append(f'<line x1="{x:.1f}" y1="{y:.1f}" x2="{right}" y2="{y:.1f}" class="grid"/>')
            lines.append(f'<text x="{x - 6:.1f}" y="{y + 4:.1f}" text-anchor="end">{i:g}</text>')
        middle = (LEFT + WIDE - RIGHT) / 2
        lines.append(f'<text x="{middle}" y="{HIGH - 14}" text-anchor="middle">plate volts</text>')
        lines.append(f'<text x="6" y="{TOP - 8}">mA</text>')
        return "\n".join(lines + self.body + ["</g>"])


def document(name, panels):
    """The whole picture."""
    high = HIGH * len(panels)
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {high}" '
        f'width="{WIDE}" height="{high}" font-family="sans-serif" font-size="12">\n'
        "<style>.grid{stroke:#ddd}.title{font-size:14px;font-weight:bold}text{fill:#222}</style>\n"
        f'<rect width="{WIDE}" height="{high}" fill="#fff"/>\n'
    )
    return head + "\n".join(p.text(k * HIGH) for k, p in enumerate(panels)) + "\n</svg>\n"


def families(valve, sheet):
    """Printed points by panel: title -> [(vg1, vg2 or None, volts, mA, held)]."""
    found = {}
    for points in (*getattr(sheet, "charts", ()), *getattr(sheet, "grid_charts", ())):
        if points.chart.table not in ("plate_curve", GRID):
            continue
        for k in range(len(points.ma)):
            strapped, positive = points.strapped[k], points.vg1[k] > 0
            screen = None if valve.kind == "triode" or strapped else float(points.vg2[k])
            title = "triode connection" if strapped else "" if screen is None else f"screen {screen:g} V"
            title = "positive grid" if positive else title
            title = GRID_TITLE if points.chart.table == GRID else title
            row = (float(points.vg1[k]), screen, float(points.va[k]), float(points.ma[k]))
            found.setdefault(title, []).append((*row, bool(points.chart.held)))
    if found:
        return found
    for row in getattr(sheet, "points", ()):
        screen = row.get("vg2")
        title = "" if screen is None else f"screen {screen:g} V"
        found.setdefault(title, []).append((row["vg1"], screen, row["va"], row["ia_ma"], False))
    return found


def panel_of(valve, title, rows, p):
    """One panel: a curve for each grid voltage that is printed, and the printed points."""
    grids = sorted({row[0] for row in rows}, reverse=True)
    few = len(grids) < 4 and title != GRID_TITLE
    if few:
        deepest = min(grids)
        grids = sorted({0.0, *grids, *(deepest * k / 4 for k in range(1, 7))}, reverse=True)
    most_volts = max(row[2] for row in rows) * (1.4 if few else 1.02)
    most_ma = max(row[3] for row in rows) * (2.5 if few else 1.08)
    heading = f"{valve.name}: {title}" if title else valve.name
    panel = Panel(f"{heading} (points printed, lines the model)", most_volts, most_ma)
    volts = np.linspace(0.0, most_volts, 121)
    for k, grid in enumerate(grids):
        ink = INKS[k % len(INKS)]
        mine = [row for row in rows if row[0] == grid]
        screen = rows[0][1]
        if title == GRID_TITLE:
            ma = 1e3 * grid_current(p, grid, volts)
        elif valve.kind == "triode":
            ma = 1e3 * triode(p, grid, volts)[0]
        elif screen is None:
            ma = 1e3 * sum(output_valve(p, grid, volts, volts)[:2])
        else:
            ma = 1e3 * output_valve(p, grid, screen, volts)[0]
        panel.curve(f"{grid:g} V", volts, ma, ink)
        for held in (False, True):
            some = [row for row in mine if row[4] == held]
            panel.points([row[2] for row in some], [row[3] for row in some], ink, held)
    return panel


def picture(valve, sheet, p):
    """The picture of one type."""
    if valve.kind == "rectifier":
        drops, currents = sheet.drop_points()
        panel = Panel(f"{valve.name}: one plate (points printed, line the model)", max(drops) * 1.3, max(currents) * 1.4)
        volts = np.linspace(0.0, panel.volts, 121)
        panel.curve("", volts, 1e3 * rectifier(p, volts), INKS[0])
        panel.points(drops, currents, INKS[1], False)
        return document(valve.name, [panel])
    panels = [panel_of(valve, title, rows, p) for title, rows in families(valve, sheet).items()]
    return document(valve.name, panels)
