"""Device laws, written out from their publications; scalars in volts and amperes."""

import math
from dataclasses import dataclass

# The thermal voltage at 27 C that netlists promise.
THERMAL_V = 0.0258649


def softplus(x):
    """ln(1 + exp(x)), which is x (to double precision) once exp(-x) has vanished."""
    return x if x > 40.0 else math.log1p(math.exp(x))


@dataclass(frozen=True)
class Triode:
    """Koren, Glass Audio 1996 (law), Dempwolf and Zoelzer, DAFx-11 (grid current)."""

    mu: float = 100.0
    ex: float = 1.4
    kg1: float = 1060.0
    kp: float = 600.0
    kvb: float = 300.0
    gg: float = 0.0
    cg: float = 9.901
    xi: float = 1.314

    def plate(self, vpk, vgk):
        """Plate current: 2 E1^ex / kg1 where E1 > 0, else none."""
        inner = self.kp * (1.0 / self.mu + vgk / math.sqrt(self.kvb + vpk * vpk))
        e1 = vpk / self.kp * softplus(inner)
        return 2.0 * e1**self.ex / self.kg1 if e1 > 0.0 else 0.0

    def grid(self, vgk):
        """Grid current: gg (ln(1 + exp(cg vgk)) / cg)^xi, without the constant Ig0."""
        if self.gg == 0.0:
            return 0.0
        return self.gg * (softplus(self.cg * vgk) / self.cg) ** self.xi


KOREN_12AX7 = Triode()
KOREN_12AX7_GRID = Triode(gg=0.0006177)


def diode(v, saturation, emission):
    """Shockley's law, IS (exp(v/(n Vt)) - 1)."""
    return saturation * math.expm1(v / (emission * THERMAL_V))
