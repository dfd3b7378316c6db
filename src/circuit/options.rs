//! What `.options` and `.temp` lines say about the circuit itself.

use super::network::Circuit;
use super::problem::CircuitProblem;
use crate::device::NOMINAL_C;
use crate::device::role::DeviceRole;
use crate::diag::Diagnostic;
use crate::netlist::statement::{Assign, ControlKind, Name, Netlist};

/// Where the laws of junctions mean something, degrees Celsius.
const TEMPERATURES: std::ops::RangeInclusive<f64> = -200.0..=500.0;

/// The published options that stand for parameters which a MOSFET's line leaves out.
const SIZES: [(&str, &str); 4] = [
    ("defl", "l"),
    ("defw", "w"),
    ("defad", "ad"),
    ("defas", "as"),
];

/// The temperature of a netlist: `.temp`, or `.options temp=`, or 27 C.
pub fn celsius(netlist: &Netlist, problems: &mut Vec<Diagnostic>) -> f64 {
    let mut celsius = NOMINAL_C;
    for statement in &netlist.controls {
        let Some(value) = statement.temperature() else {
            continue;
        };
        if TEMPERATURES.contains(&value.number) {
            celsius = value.number;
        } else {
            let problem = CircuitProblem::BadValue {
                what: "temperature",
                name: match statement.kind {
                    ControlKind::Temp(_) => ".temp".into(),
                    _ => ".options".into(),
                },
                found: value.text.clone(),
                expected: "-200 to 500 degrees Celsius",
            };
            problems.push(problem.at(value.span));
        }
    }
    celsius
}

/// What a MOSFET has whose line does not say it, by the names of its parameters.
pub fn transistor_sizes(netlist: &Netlist) -> Vec<Assign> {
    let size = |(option, parameter): (&str, &str)| {
        let (name, value) = netlist.option(option)?;
        let (text, span) = (parameter.to_string(), name.span);
        let name = Name { text, span };
        let value = value.clone();
        Some(Assign { name, value })
    };
    SIZES.into_iter().filter_map(size).collect()
}

/// The warning that models were measured at another temperature than is computed with, where
/// something of the circuit depends on that.
pub fn nominal_temperature(netlist: &Netlist, circuit: &Circuit) -> Option<Diagnostic> {
    let (name, value) = netlist.option("tnom")?;
    let warms = circuit.elements.iter().any(|e| match e.role() {
        Some(DeviceRole::Diode | DeviceRole::Transistor(_)) => true,
        // Behind the value stand its two coefficients.
        Some(DeviceRole::Resistor) => e.made.instance.iter().skip(1).any(|&tc| tc != 0.0),
        _ => false,
    });
    (value.number != NOMINAL_C && warms).then(|| {
        let found = value.text.clone();
        CircuitProblem::NominalTemperature { found }.warn_at(name.span)
    })
}
