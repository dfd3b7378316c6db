"""The resistance-coupled triode stage of the printed tables, and its distortion.

Supply `vbb`, plate load `ra`, cathode resistor `rk` fully bypassed, following grid
leak `rg` in parallel with the load for signals. Grid current is left out: the
tables keep the grid negative, save for the bias that it leaves without cathode resistor. Every argument may be an array, one item per stage.
"""

import numpy as np

from .laws import triode

SAMPLES = 64  # per period: room for harmonics 2..20 and for what lies above them
# V: what grid current leaves across the 10 M of a stage without cathode resistor, by the grid
# law of the 12AX7 (scripts/valve_fit/valves.py).
LEAK_BIAS = 0.43
HIGHEST = 20  # the last harmonic counted, as in the `distortion` command


def solve_rising(f, low, high, rounds=60):
    """Root of `f`, which rises between `low` and `high`: Newton kept in a bracket.

    `f(x)` returns the value and the slope; arrays are solved item by item.
    """
    low, high = np.broadcast_arrays(np.asarray(low, float), np.asarray(high, float))
    low, high = low.copy(), high.copy()
    x = 0.5 * (low + high)
    for _ in range(rounds):
        value, slope = f(x)
        low = np.where(value < 0.0, x, low)
        high = np.where(value < 0.0, high, x)
        step = x - value / slope
        inside = (step >= low) & (step <= high)
        new = np.where(inside, step, 0.5 * (low + high))
        if np.max(np.abs(new - x) / (np.abs(x) + 1e-12)) < 1e-10:
            return new
        x = new
    return x


def quiescent(p, vbb, ra, rk):
    """Plate current (A), cathode over grid volts and plate-to-cathode volts at rest."""
    leaked = np.where(np.asarray(rk) > 0.0, 0.0, LEAK_BIAS)

    def balance(i):
        ip, gm, gp = triode(p, -i * rk - leaked, vbb - i * (ra + rk))
        return i - ip, 1.0 + gm * rk + gp * (ra + rk)

    i = solve_rising(balance, np.zeros_like(vbb, dtype=float), vbb / (ra + rk))
    return i, i * rk + leaked, vbb - i * (ra + rk)


def gain(p, vbb, ra, rk, rg):
    """Small-signal voltage gain gm (ra || rg || rp), a positive number."""
    _, vk, vpk = quiescent(p, vbb, ra, rk)
    _, gm, gp = triode(p, -vk, vpk)
    return gm / (1.0 / ra + 1.0 / rg + gp)


def swing(p, vk, vpk, load, amplitude):
    """Plate-to-cathode volts over one sine period; shape (stages, SAMPLES)."""
    phase = np.sin(2.0 * np.pi * np.arange(SAMPLES) / SAMPLES)
    vgk = amplitude[:, None] * phase - vk[:, None]
    rest = triode(p, -vk, vpk)[0][:, None]
    load, middle = load[:, None], vpk[:, None]

    def balance(v):
        ip, _, gp = triode(p, vgk, v)
        return v - middle + load * (ip - rest), 1.0 + load * gp

    return solve_rising(balance, np.zeros_like(vgk), middle + load * rest + 0.0 * vgk)


def thd_percent(wave):
    """Harmonics 2..20 relative to the fundamental, percent; one period a row."""
    lines = np.abs(np.fft.rfft(wave, axis=-1))
    return 100.0 * np.sqrt(np.sum(lines[..., 2 : HIGHEST + 1] ** 2, axis=-1)) / lines[..., 1]


def distortion(p, vbb, ra, rk, rg, vrms):
    """THD (percent) and large-signal gain at an output of `vrms` volts.

    Quasi-static: the cathode stays at its volts at rest, the load is ra || rg.
    """
    _, vk, vpk = quiescent(p, vbb, ra, rk)
    _, gm, gp = triode(p, -vk, vpk)
    load = 1.0 / (1.0 / ra + 1.0 / rg)
    small = gm / (1.0 / load + gp)
    amplitude = vrms * np.sqrt(2.0) / small
    for _ in range(8):
        wave = swing(p, vk, vpk, load, amplitude)
        got = np.std(wave, axis=-1)
        # A stage that cannot reach the level is left at four times its bias.
        amplitude = np.minimum(amplitude * vrms / got, 4.0 * vk + 0.1)
    wave = swing(p, vk, vpk, load, amplitude)
    return thd_percent(wave), np.std(wave, axis=-1) * np.sqrt(2.0) / amplitude
