"""One reference: a netlist and what it must give, written to or compared with a folder."""

import csv
import platform
from dataclasses import dataclass, field

import numpy as np
import scipy

from reference_circuits import solving

# What `--check` allows between committed figures and fresh ones.
SAME = 1e-9


@dataclass
class Reference:
    """`bias` rows are (subject, value, unit); `columns` go with `times`."""

    netlist: str
    bias: list
    origin: str
    times: np.ndarray | None = None
    columns: dict = field(default_factory=dict)
    second_opinion: float | None = None

    def files(self):
        """File name -> text."""
        made = {"netlist.cir": self.netlist.strip() + "\n", "source.txt": self.source()}
        rows = [f"{subject},{value!r},{unit}" for subject, value, unit in self._plain_bias()]
        made["operating_point.csv"] = "\n".join(["subject,value,unit", *rows]) + "\n"
        if self.times is not None:
            header = ",".join(["time_s", *(_quoted(c) for c in self.columns)])
            step_s = self.times[1] - self.times[0]
            # Times are rounded so that 3 * 10 us reads 3e-05; values keep 13 digits.
            digits = 3 - int(np.floor(np.log10(step_s)))
            lines = [
                ",".join([repr(round(float(t), digits)), *(f"{c[i]:.13g}" for c in self.columns.values())])
                for i, t in enumerate(self.times)
            ]
            made["waveform.csv"] = "\n".join([header, *lines]) + "\n"
        return made

    def _plain_bias(self):
        return [(_quoted(subject), float(value), unit) for subject, value, unit in self.bias]

    def source(self):
        """Where equations and figures come from and how they were worked out."""
        text = self.origin.strip() + "\n\n"
        text += (
            "Worked out by scripts/reference_waveforms.py from equations written by hand for this\n"
            "circuit, sharing no code with gridleak. "
            f"Python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}.\n"
            "Operating point: scipy.optimize.root at 1e-12, polished by Newton down to rounding.\n"
        )
        if self.second_opinion is not None:
            text += (
                f"Waveform: scipy Radau, rtol {solving.RTOL:g}, atol {solving.ATOL:g}, restarted at every row so that\n"
                "no row is interpolated. LSODA at rtol "
                f"{solving.SECOND_RTOL:g} differs by less than {_upper(self.second_opinion)} of the peak-to-peak\n"
                "excursion of any state.\n"
            )
        elif self.times is not None:
            text += "Waveform: the closed form above, in double precision.\n"
        return text

    def differences(self, folder):
        """What a fresh computation disagrees with in `folder`, as sentences."""
        found = []
        for file, text in self.files().items():
            path = folder / file
            if not path.exists():
                found.append(f"{path}: missing")
            elif file.endswith(".csv"):
                found += [f"{path}: {why}" for why in _compare_tables(path.read_text(), text)]
            elif file == "netlist.cir" and path.read_text() != text:
                found.append(f"{path}: the netlist differs from the script's")
        return found


def integrated(netlist, origin, rhs, observe, start, times, bias, corners=()):
    """A reference whose waveform is `rhs` integrated from `start`; `observe` names its columns."""
    states, distance = solving.integrate(rhs, start, times, corners)
    seen = [observe(t, y) for t, y in zip(times, states)]
    columns = {probe: np.array([row[probe] for row in seen]) for probe in seen[0]}
    return Reference(netlist, bias, origin, times, columns, distance)


def _upper(value):
    """`value` rounded up to a power of ten, so that source.txt does not depend on noise."""
    return f"1e{int(np.ceil(np.log10(max(value, 1e-16))))}"


def _quoted(name):
    return f'"{name}"' if "," in name else name


def _compare_tables(committed, fresh):
    old = list(csv.reader(committed.splitlines()))
    new = list(csv.reader(fresh.splitlines()))
    if len(old) != len(new) or old[0] != new[0]:
        return ["other rows or columns"]
    found = []
    for column, name in enumerate(new[0]):
        a = [row[column] for row in old[1:]]
        b = [row[column] for row in new[1:]]
        try:
            x, y = np.array(a, dtype=float), np.array(b, dtype=float)
        except ValueError:
            if a != b:
                found.append(f"column {name} differs")
            continue
        # A waveform's zero crossings are judged against its peak; a table of
        # operating points mixes volts and amperes and is judged row by row.
        scale = np.max(np.abs(y)) if new[0][0] == "time_s" else np.maximum(np.abs(y), 1e-12)
        worst = float(np.max(np.abs(x - y) / scale)) if np.any(scale) else 0.0
        if worst > SAME:
            found.append(f"column {name} differs by {worst:.2e} relative")
    return found
