//! The parameter sets that the battery runs over.

use super::kind::Param;
use crate::device::REGISTRY;
use crate::device::trial::Sample;

/// Parameters by name.
pub type Values = &'static [(&'static str, f64)];

/// Sets beyond the defaults: everything that can be switched on is on.
const BUSY: &[(&str, Values, Values)] = &[
    (
        "triode",
        &[
            ("gg", 6.06e-4),
            ("cg", 13.9),
            ("xi", 1.354),
            ("vct", 0.5),
            ("cgp", 1.7e-12),
            ("cgk", 1.6e-12),
            ("cpk", 0.5e-12),
            ("pamax", 1.0),
        ],
        &[],
    ),
    (
        "triode",
        &[
            ("gg", 6.06e-4),
            ("vct", 0.8),
            ("kvb", 6.0),
            ("isl", 0.2),
            ("most", 0.3),
            ("turn", 1.9),
            ("knee", 40.0),
            ("take", 7.0),
            ("alphag", 1.8),
            ("lamg", 0.03),
        ],
        &[],
    ),
    (
        "triode",
        &[
            ("mu", 106.0),
            ("ex", 1.5),
            ("kg1", 1750.0),
            ("kp", 1080.0),
            ("kvb", 2.0),
            ("gg", 6.06e-4),
            ("vct", 0.67),
            ("isl", 0.055),
            ("most", 0.58),
            ("knee", 12.0),
            ("take", 1.5),
            ("wide", 420.0),
            ("alphag", 8.0),
            ("lamg", 2.0),
        ],
        &[],
    ),
    (
        "pentode",
        &[
            ("mu", 12.0),
            ("vct", 0.3),
            ("kvb", 25.0),
            ("gg", 1e-3),
            ("cg", 10.0),
            ("xi", 1.3),
            ("cgp", 1e-12),
        ],
        &[],
    ),
    (
        "output",
        &[
            ("mu", 11.0),
            ("kg1", 520.0),
            ("kg2", 3800.0),
            ("knee", 10.0),
            ("perv", 2.6e-3),
            ("alphas", 2.5),
            ("back", 0.4),
            ("vback", 60.0),
            ("eback", 9.0),
            ("shade", 0.03),
            ("gg", 1e-3),
            ("cg", 10.0),
            ("xi", 1.3),
            ("cgp", 1e-12),
        ],
        &[],
    ),
    ("rectifier", &[("perv", 3.5e-4)], &[]),
    (
        "rectifier",
        &[
            ("perv", 2e-3),
            ("ex", 1.4),
            ("cs", 15.0),
            ("pivmax", 1400.0),
        ],
        &[],
    ),
    (
        "pushpull",
        &[("raa", 8e3), ("power", 22.0), ("cp", 3e-10), ("cps", 5e-10)],
        &[],
    ),
    ("ultralinear", &[("raa", 6.6e3), ("power", 50.0)], &[]),
    (
        "singleended",
        &[("ra", 5e3), ("power", 5.0), ("idc", 0.05), ("cps", 2e-10)],
        &[],
    ),
    ("choke", &[("l", 10.0), ("idc", 0.1), ("c", 1e-10)], &[]),
    (
        "mains",
        &[
            ("vpri", 230.0),
            ("vht", 300.0),
            ("iht", 0.2),
            ("vbias", 50.0),
            ("heater", 30.0),
            ("leak", 5e-3),
            ("iron", 1.0),
        ],
        &[],
    ),
    (
        "mains",
        &[("vpri", 120.0), ("vht", 250.0), ("iht", 0.1), ("hz", 60.0)],
        &[],
    ),
    ("speaker", &[("re", 6.2), ("n", 0.6)], &[]),
    ("pot", &[("r", 1e6), ("taper", 1.0)], &[("knob", 3.0)]),
    ("toggle", &[], &[("at", 1.0)]),
    (
        "d",
        &[
            ("is", 2.5e-9),
            ("rs", 0.6),
            ("n", 1.75),
            ("tt", 5e-9),
            ("cjo", 4e-12),
            ("vj", 0.7),
            ("m", 0.4),
            ("bv", 12.0),
            ("ibv", 1e-4),
        ],
        &[("area", 2.0)],
    ),
    ("d", &[("is", 1e-20), ("n", 2.0), ("bv", 1000.0)], &[]),
    ("npn", BUSY_BJT, &[("area", 1.5)]),
    ("pnp", BUSY_BJT, &[]),
    (
        "npn",
        &[
            ("rb", 200.0),
            ("rbm", 10.0),
            ("irb", 1e-4),
            ("xtf", 4.0),
            ("tf", 3e-10),
            ("nf", 1.02),
        ],
        &[],
    ),
    (
        "njf",
        &[
            ("vto", -1.5),
            ("beta", 1.3e-3),
            ("lambda", 0.02),
            ("rd", 10.0),
            ("rs", 5.0),
            ("cgs", 3e-12),
            ("cgd", 2e-12),
        ],
        &[("area", 2.0)],
    ),
    ("pjf", &[("lambda", 0.01), ("cgs", 3e-12)], &[]),
    (
        "nmos",
        BUSY_MOS,
        &[
            ("w", 1e-3),
            ("ad", 1e-7),
            ("as", 1e-7),
            ("pd", 1e-3),
            ("ps", 1e-3),
        ],
    ),
    ("pmos", BUSY_MOS, &[("w", 1e-3), ("ad", 1e-7), ("as", 1e-7)]),
    (
        "nmos",
        &[
            ("vto", 3.0),
            ("kp", 1.0),
            ("rd", 0.1),
            ("rs", 0.02),
            ("cbd", 1e-9),
        ],
        &[],
    ),
    (
        "sw",
        &[("ron", 10.0), ("roff", 1e8), ("vt", 2.0), ("vh", 0.5)],
        &[("on", 1.0)],
    ),
    (
        "csw",
        &[("ron", 10.0), ("roff", 1e8), ("it", 1e-3), ("ih", 2e-4)],
        &[("on", 0.0)],
    ),
];

const BUSY_BJT: Values = &[
    ("is", 1e-14),
    ("bf", 250.0),
    ("vaf", 74.0),
    ("ikf", 0.3),
    ("ise", 1.4e-14),
    ("ne", 1.3),
    ("br", 6.0),
    ("var", 12.0),
    ("ikr", 0.05),
    ("isc", 1e-13),
    ("nc", 1.8),
    ("rb", 50.0),
    ("rbm", 5.0),
    ("re", 0.2),
    ("rc", 1.0),
    ("cje", 22e-12),
    ("tf", 4e-10),
    ("xtf", 3.0),
    ("vtf", 4.0),
    ("itf", 0.06),
    ("cjc", 8e-12),
    ("xcjc", 0.6),
    ("tr", 5e-8),
    ("cjs", 2e-12),
    ("mjs", 0.4),
    ("xtb", 1.5),
];

pub const BUSY_MOS: Values = &[
    ("kp", 5e-5),
    ("gamma", 0.6),
    ("lambda", 0.03),
    ("rsh", 10.0),
    ("cgso", 3e-10),
    ("cgdo", 3e-10),
    ("cgbo", 2e-10),
    ("cj", 2e-4),
    ("cjsw", 1e-9),
    ("tox", 50e-9),
    ("js", 1e-6),
];

/// Defaults and busy sets, at 27 C and, for the busy ones, hot as well.
pub fn samples() -> Vec<Sample> {
    let mut all = Vec::new();
    for kind in REGISTRY {
        let needs = |p: &&Param| p.required;
        if !kind.model_params.iter().any(|p| needs(&p))
            && !kind.instance_params.iter().any(|p| needs(&p))
        {
            all.push(Sample::of(kind.name));
        }
        let before = all.len();
        for &(name, model, instance) in BUSY {
            if name == kind.name {
                let mut s = Sample::of(name);
                for &(p, value) in model {
                    s = s.model(p, value);
                }
                for &(p, value) in instance {
                    s = s.instance(p, value);
                }
                all.push(s.clone());
                all.push(s.celsius(70.0));
            }
        }
        assert!(all.len() > before, "no busy set for `{}`", kind.name);
    }
    all
}
