"""Roots and integrals of hand-written equations, to near double precision."""

import math

import numpy as np
from scipy.integrate import solve_ivp
from scipy.optimize import root

# Radau's dense output is of lower order than its steps, so every row of a
# reference is the end of a step and is as exact as these tolerances say.
RTOL = 1e-11
ATOL = 1e-12
# The second integrator, and how far it may lie from the first, as a part of the
# largest excursion. A wrong restart or a missed corner shows up far above this.
SECOND_RTOL = 1e-9
SECOND_ATOL = 1e-11
AGREEMENT = 1e-6


def rows(stop_s, step_s):
    """Times 0, step, ... stop."""
    return np.arange(round(stop_s / step_s) + 1) * step_s


def newton(residual, start):
    """A root of `residual` from a good `start`: Newton with a difference Jacobian.

    The Jacobian is only approximate, the convergence test is not: it stops where
    the step is down to rounding, so the root is exact to about 1e-14 relative.
    """
    z = np.array(start, dtype=float)
    f = np.asarray(residual(z), dtype=float)
    for _ in range(60):
        jacobian = np.empty((len(z), len(z)))
        for j in range(len(z)):
            nudge = 1e-7 * max(1.0, abs(z[j]))
            up, down = z.copy(), z.copy()
            up[j] += nudge
            down[j] -= nudge
            jacobian[:, j] = (np.asarray(residual(up)) - np.asarray(residual(down))) / (2 * nudge)
        step = np.linalg.solve(jacobian, f)
        if not np.any(f) or np.all(np.abs(step) <= 4e-15 * np.maximum(1.0, np.abs(z))):
            return z
        scale = 1.0
        while scale > 1e-6:
            trial = z - scale * step
            trial_f = np.asarray(residual(trial), dtype=float)
            if np.linalg.norm(trial_f) < np.linalg.norm(f):
                break
            scale *= 0.5
        else:
            # No step lowers the residual: it is rounding that is left.
            if np.all(np.abs(step) <= 1e-10 * np.maximum(1.0, np.abs(z))):
                return z
            raise RuntimeError(f"no descent at {z}, residual {f}")
        z, f = trial, trial_f
    if np.all(np.abs(step) <= 1e-12 * np.maximum(1.0, np.abs(z))):
        return z
    raise RuntimeError(f"no root: {z}, residual {f}")


def operating_point(residual, guess):
    """The root nearest to `guess`: scipy's hybrid method, polished by Newton."""
    found = root(residual, guess, tol=1e-12)
    return newton(residual, found.x)


class Following:
    """An algebraic system solved again and again from its last answer."""

    def __init__(self, residual, start):
        self.residual = residual
        self.last = np.array(start, dtype=float)

    def at(self, *arguments):
        self.last = newton(lambda z: self.residual(z, *arguments), self.last)
        return self.last


def integrate(rhs, initial, times, corners=()):
    """The state at each of `times`, one row each, and how far LSODA lies from it.

    `corners` are times (all among `times`) where the drive bends, which the second
    integrator has to start afresh from; the first starts afresh at every row.
    """
    states = [np.array(initial, dtype=float)]
    longest = None
    for begin, end in zip(times[:-1], times[1:]):
        first = None if longest is None else min(longest, end - begin)
        part = solve_ivp(rhs, (begin, end), states[-1], method="Radau",
                         rtol=RTOL, atol=ATOL, first_step=first)
        if not part.success:
            raise RuntimeError(f"Radau stopped at {part.t[-1]}: {part.message}")
        longest = float(np.max(np.diff(part.t)))
        states.append(part.y[:, -1])
    states = np.array(states)
    distance = _second_opinion(rhs, states, times, corners)
    if not distance < AGREEMENT:
        raise RuntimeError(f"Radau and LSODA differ by {distance:.2e} of the excursion")
    return states, distance


def _second_opinion(rhs, states, times, corners):
    bounds = sorted({0, len(times) - 1, *(int(np.argmin(np.abs(times - c))) for c in corners)})
    worst = 0.0
    y = states[0]
    excursion = np.maximum(np.ptp(states, axis=0), 1e-9)
    for a, b in zip(bounds[:-1], bounds[1:]):
        part = solve_ivp(rhs, (times[a], times[b]), y, method="LSODA",
                         t_eval=times[a:b + 1], rtol=SECOND_RTOL, atol=SECOND_ATOL)
        worst = max(worst, float(np.max(np.abs(part.y.T - states[a:b + 1]) / excursion)))
        y = part.y[:, -1]
    return worst


def sine(offset, amplitude, frequency, damping=0.0):
    """SIN(offset amplitude frequency 0 damping)."""
    turn = 2.0 * math.pi * frequency
    return lambda t: offset + amplitude * math.exp(-t * damping) * math.sin(turn * t)


def pulse(low, high, rise, width, fall, period):
    """PULSE(low high 0 rise fall width period)."""

    def at(t):
        phase = math.fmod(t, period)
        if phase < rise:
            return low + (high - low) * phase / rise
        if phase < rise + width:
            return high
        if phase < rise + width + fall:
            return high + (low - high) * (phase - rise - width) / fall
        return low

    return at
