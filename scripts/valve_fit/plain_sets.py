"""The plain pentode law's sets, as they were fitted before `output` cards took their names.

They are kept as they were, for comparison and for netlists that ask for the plain law; the
fit that made them saw the same rows at full drive throughout.
"""

PLAIN = {
    "6V6GT": {
        "mu": 10.62,
        "ex": 1.3936,
        "kg1": 2162.4,
        "kg2": 7245.8,
        "kp": 36.104,
        "kvb": 22.661,
        "gg": 0.0007279,
        "cg": 11.22,
        "xi": 1.276,
    },
    "6L6GC": {
        "mu": 9.1532,
        "ex": 1.3607,
        "kg1": 1443.8,
        "kg2": 7717.1,
        "kp": 35.778,
        "kvb": 35.265,
        "gg": 0.001055,
        "cg": 11.22,
        "xi": 1.276,
    },
    "EL34": {
        "mu": 10.846,
        "ex": 1.3644,
        "kg1": 784.08,
        "kg2": 1774.5,
        "kp": 57.049,
        "kvb": 33.56,
        "gg": 0.002091,
        "cg": 11.22,
        "xi": 1.276,
    },
    "EL84": {
        "mu": 18.954,
        "ex": 1.3933,
        "kg1": 699.88,
        "kg2": 2179.5,
        "kp": 231.96,
        "kvb": 40.111,
        "gg": 0.002264,
        "cg": 11.22,
        "xi": 1.276,
    },
    "6550": {
        "mu": 8.4339,
        "ex": 1.4232,
        "kg1": 1066.6,
        "kg2": 5674.7,
        "kp": 37.023,
        "kvb": 35.564,
        "gg": 0.001428,
        "cg": 11.22,
        "xi": 1.276,
    },
    "KT88": {
        "mu": 9.8182,
        "ex": 1.3991,
        "kg1": 804.2,
        "kg2": 8564.5,
        "kp": 23.879,
        "kvb": 24.697,
        "gg": 0.001841,
        "cg": 11.22,
        "xi": 1.276,
    },
}
