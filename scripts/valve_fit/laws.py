"""The valve laws of gridleak, in volts and amperes, with their exact derivatives.

Triode and pentode: N. Koren, Glass Audio 8(5), 1996, with the contact potential
`vct` of Cohen and Helie (AES 129th convention, 2010). Grid current: Dempwolf and
Zoelzer, DAFx-11. What src/device/triode.rs (isl, turn, knee, take, wide, alphag) and output_valve.rs
add to them, these files explain. Every function works on numbers and on arrays alike; a parameter
set is a plain dictionary whose keys are the names on a `.model` card.
"""

import numpy as np

FOOT = 10.0  # V^2, rounds the foot of an output valve's screen curve
NEAR = 5.0  # V, below which a plate hardly reaches through the screen
CLOSE, LEAST = 1.0, 0.01  # V, V^2: round curves at the plate's zero, the plate's own where `wide` is given
MOST = 0.8  # how far the bend of a triode's grid control goes unless a card says otherwise
GRID_CG = 11.22  # 1/V, the 12AX7's sharpness of grid current, which every card has


def softplus(x):
    """ln(1 + exp(x)) without overflow."""
    return np.logaddexp(0.0, x)


def logistic(x):
    """1 / (1 + exp(-x)), the derivative of `softplus`, without overflow."""
    return 0.5 * (1.0 + np.tanh(0.5 * x))


def triode(p, vgk, vpk):
    """Plate current, transconductance and plate conductance (A, S, S)."""
    vgk = np.asarray(vgk, float)
    vg = vgk + p.get("vct", 0.0)
    v = np.maximum(np.asarray(vpk, float), 1e-9)
    wide = p.get("wide", 0.0)
    root = np.sqrt(p["kvb"] + wide * v + v * v)
    steep = (0.5 * wide + v) / root**2
    most, turn = p.get("most", MOST), p.get("turn", 0.0)
    b = (vg + turn) / root
    y = p.get("isl", 0.0) * p["mu"] * b
    hyperbola = np.sqrt(y * y + most * most)
    bent = vg / root + most * y * b / (hyperbola + most)
    # Koren's scale is the plate's volts, with `wide` it is `root`.
    scale, run = (root, 1.0) if wide else (v, v / root)
    u = p["kp"] * (v / (p["mu"] * scale) + bent)
    soft, open_ = softplus(u), logistic(u)
    lean = most * y / hyperbola
    slope = open_ * (1.0 + lean)
    pulled = slope * vg + open_ * lean * turn
    e1 = scale / p["kp"] * soft
    # Deep in cut-off `soft` is below the smallest float; the current is then zero.
    space = 2.0 * e1 ** p["ex"] / p["kg1"]
    cg = p.get("cg", GRID_CG)
    taken = p.get("knee", 0.0) + p.get("take", 0.0) * softplus(cg * vgk) / cg
    reach, far = (v * v, v + CLOSE) if wide else (v, 1.0)
    total = reach + taken * far + (LEAST if wide else 0.0)
    ip = space * reach / total
    di_de = p["ex"] * ip / np.maximum(e1, 1e-300)
    gm = di_de * slope * run
    gm = gm - ip * p.get("take", 0.0) * logistic(cg * vgk) * far / total
    if wide:
        de_dv = steep * root * soft / p["kp"] + open_ * (1.0 - steep * v) / p["mu"] - pulled * steep
        gp = di_de * de_dv + space * v * (taken * (v + 2.0 * CLOSE) + 2.0 * LEAST) / total**2
    else:
        gp = di_de * (soft / p["kp"] - pulled * v * v / root**3) + space * taken / total**2
    on = np.asarray(vpk) > 0.0
    return np.where(on, ip, 0.0), np.where(on, gm, 0.0), np.where(on, gp, 0.0)


def pentode(p, vgk, vg2k, vpk):
    """Plate current, transconductance and plate conductance (A, S, S)."""
    vg, v2 = np.asarray(vgk, float), np.maximum(np.asarray(vg2k, float), 1e-6)
    u = p["kp"] * (1.0 / p["mu"] + vg / v2)
    e1 = v2 / p["kp"] * softplus(u)
    space = 2.0 * e1 ** p["ex"] / p["kg1"]
    v = np.maximum(np.asarray(vpk, float), 0.0)
    bend = np.arctan(v / p["kvb"])
    gm = p["ex"] * space / np.maximum(e1, 1e-300) * logistic(u) * bend
    gp = space * p["kvb"] / (p["kvb"] ** 2 + v * v)
    return space * bend, gm, np.where(np.asarray(vpk) > 0.0, gp, 0.0)


def screen(p, vgk, vg2k):
    """Screen current (A); the law knows nothing of the plate voltage."""
    drive = np.maximum(np.asarray(vg2k) / p["mu"] + np.asarray(vgk), 0.0)
    return drive ** p["ex"] / p["kg2"]


def output_valve(p, vgk, vg2k, vpk):
    """Plate and screen current, transconductance and plate conductance (A, A, S, S)."""
    v2 = np.maximum(np.asarray(vg2k, float), 1e-9)
    v = np.maximum(np.asarray(vpk, float), 0.0)
    reach = v + NEAR + p.get("fade", 0.0) * v * v
    pull = v * v / reach
    per_mup = 1.0 / p["mup"]
    vg = np.asarray(vgk, float) + p.get("vct", 0.0) + per_mup * pull
    root = np.sqrt(FOOT + v2 * v2)
    u = p["kp"] * (1.0 / p["mu"] + vg / root)
    e1 = v2 / p["kp"] * softplus(u)
    space = 2.0 * e1 ** p["ex"]
    rise_to_grid = p["ex"] * space / np.maximum(e1, 1e-300) * v2 * logistic(u) / root
    crowd = space / (p["kg1"] * p["perv"])
    k = p["knee"] ** 1.5 + crowd
    total = k + v * np.sqrt(v)
    s = k / total
    rise = 1.0 + v / p["vrise"]
    # What turns back before a low plate, and how much of it arrives.
    eback, vback = p.get("eback", 1.0), p.get("vback", 60.0)
    x = (v / vback) ** 2
    arrives = x * x / (1.0 + x * x)
    b = p.get("back", 0.0) / (1.0 + e1 / eback)
    through = 1.0 - s + b * (arrives - (1.0 - s))
    ip = space / p["kg1"] * rise * through
    # The grid's shade: what part of the screen's share is left.
    hidden = p.get("shade", 0.0) * root / np.maximum(e1, 1e-99)
    ig2 = space / p["kg2"] * (1.0 + p["alphas"] * v2 / (v2 + p["lams"] * pull)) / (1.0 + hidden**3)
    less = b * (1.0 - s - arrives) * e1 / (p["ex"] * (e1 + eback))
    per_space = (1.0 - b) * (1.0 - s) * (1.0 - crowd / total) + b * arrives + less
    gm = rise_to_grid / p["kg1"] * rise * per_space
    steep = (1.0 - b) * 1.5 * s * np.sqrt(v) / total
    steep = steep + b * 4.0 * v * x / (vback * (1.0 + x * x)) ** 2
    gp = space / p["kg1"] * (through / p["vrise"] + rise * steep)
    gp = gp + gm * per_mup * v * (v + 2.0 * NEAR) / reach**2
    return ip, ig2, gm, np.where(np.asarray(vpk) > 0.0, gp, 0.0)


def power_valve(p, vgk, vg2k, vpk):
    """Plate and screen current, gm and gp by the law that the set `p` is of."""
    if "vrise" in p:
        return output_valve(p, vgk, vg2k, vpk)
    ip, gm, gp = pentode(p, vgk, vg2k, vpk)
    return ip, screen(p, vgk, vg2k) + 0.0 * ip, gm, gp


def grid_current(p, vgk, vpk=0.0):
    """Control-grid current (A); of the plate's volts only a set with `alphag` knows."""
    drive = softplus(p["cg"] * np.asarray(vgk)) / p["cg"]
    v = np.maximum(np.asarray(vpk, float), 0.0)
    beside = v + CLOSE
    taken = p.get("alphag", 0.0) * drive * beside
    more = taken / (drive * beside + p.get("lamg", 1.0) * (v * beside + CLOSE))
    return p["gg"] * drive ** p["xi"] * (1.0 + more)


def rectifier(p, vpk, cs=20.0):
    """Current of one rectifier plate (A)."""
    return p["perv"] * (softplus(cs * np.asarray(vpk)) / cs) ** p["ex"]


def measured_plate(s, vgk, vpk):
    """Plate current (A) of a measured sample: Dempwolf and Zoelzer's cathode less grid current.

    Their law, not ours; the equations are from memory, the samples' numbers were seen. The
    constant Ig0 is left out, as everywhere.
    """
    cathode = s["g"] * (softplus(s["c"] * (vgk + vpk / s["mu"])) / s["c"]) ** s["gamma"]
    return cathode - grid_current(s, vgk)
