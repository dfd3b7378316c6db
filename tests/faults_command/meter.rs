//! Hidden values and a meter that is off: what is read off an amplifier.

use super::circuits::Dice;
use super::damage::Fault;
use gridleak::analysis::operating_point::{self, near};
use gridleak::circuit::params::Overrides;
use gridleak::circuit::read::Draft;
use gridleak::circuit::{Circuit, Node};
use gridleak::faults::evidence::Meter;
use gridleak::system::assemble::{Assembly, SourceState};
use gridleak::tolerance::change::Drawn;
use gridleak::tolerance::list::{Target, Variables};

pub const METER: Meter = Meter {
    ohms: 10e6,
    accuracy: 0.01,
};

/// A netlist as a circuit, wired as it may be.
pub fn built(text: &str) -> Option<Circuit> {
    let built = Draft::text(text).build_unwired(&Overrides::default());
    let mut circuit = built.ok()?.circuit;
    circuit.ledger = None;
    Some(circuit)
}

/// The points of a circuit that can be measured.
pub fn points(circuit: &Circuit) -> Vec<(String, Node)> {
    let nodes = circuit.nodes.iter().enumerate().skip(1);
    nodes
        .filter(|(_, n)| !n.inner && !n.name.starts_with("cut"))
        .map(|(k, n)| (n.name.clone(), Node(k)))
        .collect()
}

/// What a meter shows at each point of the sound amplifier, V, or one reading at a time of a
/// circuit with hidden values; none if there is no solution.
pub fn measured(circuit: &mut Circuit, points: &[(String, Node)], ohms: f64) -> Option<Vec<f64>> {
    let start = {
        let (point, _) = operating_point::dc(circuit).ok()?;
        point.x
    };
    points
        .iter()
        .map(|(_, node)| {
            circuit.join(*node, Node::GROUND, ohms);
            let mut assembly = Assembly::new(circuit);
            let found = near(&mut assembly, SourceState::DC, &start);
            drop(assembly);
            circuit.part();
            found.ok().map(|p| p.x[node.0 - 1])
        })
        .collect()
}

/// Three digits as a meter of 2000 counts shows them.
pub fn shown(value: f64) -> String {
    match value.abs() {
        v if v < 1.9995 => format!("{value:.3}"),
        v if v < 19.995 => format!("{value:.2}"),
        v if v < 199.95 => format!("{value:.1}"),
        _ => format!("{value:.0}"),
    }
}

/// The readings of an amplifier as its netlist has it, at every node.
pub fn sound(text: &str) -> String {
    let mut circuit = built(text).expect("a circuit");
    let points = points(&circuit);
    let volts = measured(&mut circuit, &points, METER.ohms).expect("a solution");
    let rows = points.iter().zip(volts);
    let rows = rows.map(|((name, _), v)| format!("v({name}),{}\n", shown(v)));
    format!("probe,value\n{}", rows.collect::<String>())
}

/// Readings of an amplifier with hidden values, by a meter that is off, at N points; none
/// without a solution.
pub fn readings(fault: Option<&Fault>, text: &str, most: usize, dice: &mut Dice) -> Option<String> {
    let mut circuit = built(fault.map_or(text, |f| &f.text))?;
    let (real, asked) = (Variables::of(&circuit, &[]).ok()?, points(&built(text)?));
    let mut values = real.nominal();
    for (value, variable) in values.iter_mut().zip(&real.all) {
        // A part that was put in as a fault is what it is.
        if variable.name.starts_with("RFAULT") || variable.name.starts_with("RCUT") {
            continue;
        }
        let off = dice.symmetric();
        *value += if off < 0.0 {
            -off * variable.range.low
        } else {
            off * variable.range.high
        };
        if let Some((name, part)) = fault.and_then(|f| f.current.as_ref())
            && variable.target == Target::Current
            && variable.name.starts_with(name.as_str())
        {
            *value = *part;
        }
    }
    let drawn = Drawn::of(&circuit, &real);
    drawn.put(&mut circuit, &real, &values);
    let mut points: Vec<(String, Node)> = Vec::new();
    for (name, _) in asked {
        points.push((name.clone(), circuit.node(&name)?));
    }
    while points.len() > most {
        let k = dice.roll(points.len());
        points.remove(k);
    }
    let volts = measured(&mut circuit, &points, METER.ohms)?;
    let scale = 1.0 + 0.005 * dice.symmetric();
    let rows = points.iter().zip(volts).map(|((name, _), v)| {
        let off = scale * (1.0 + 0.005 * dice.symmetric());
        format!("v({name}),{}\n", shown(v * off))
    });
    Some(format!("probe,value\n{}", rows.collect::<String>()))
}

/// Whether some point of a table is off, in the faulty amplifier as drawn, by more than tolerances
/// explain: beyond every one of a number of sound amplifiers, and by a fifth of their range.
pub fn shows(text: &str, fault: &Fault, table: &str, dice: &mut Dice) -> Option<bool> {
    let mut circuit = built(&fault.text)?;
    if let Some((name, part)) = &fault.current {
        let real = Variables::of(&circuit, &[]).ok()?;
        let mut values = real.nominal();
        for (value, v) in values.iter_mut().zip(&real.all) {
            if v.target == Target::Current && v.name.starts_with(name.as_str()) {
                *value = *part;
            }
        }
        Drawn::of(&circuit, &real).put(&mut circuit, &real, &values);
    }
    let measured_at = |name: &str| table.contains(&format!("v({name}),"));
    let points: Vec<(String, Node)> = points(&built(text)?)
        .into_iter()
        .filter(|(name, _)| measured_at(name))
        .filter_map(|(name, _)| circuit.node(&name).map(|n| (name, n)))
        .collect();
    let faulty = measured(&mut circuit, &points, METER.ohms)?;
    let mut low = vec![f64::INFINITY; points.len()];
    let mut high = vec![f64::NEG_INFINITY; points.len()];
    for _ in 0..12 {
        let mut sound = built(text)?;
        let real = Variables::of(&sound, &[]).ok()?;
        let mut values = real.nominal();
        for (value, v) in values.iter_mut().zip(&real.all) {
            let off = dice.symmetric();
            *value += if off < 0.0 {
                -off * v.range.low
            } else {
                off * v.range.high
            };
        }
        Drawn::of(&sound, &real).put(&mut sound, &real, &values);
        let names: Vec<(String, Node)> = points
            .iter()
            .map(|(n, _)| (n.clone(), sound.node(n).expect("a node")))
            .collect();
        for (k, volts) in measured(&mut sound, &names, METER.ohms)?.iter().enumerate() {
            low[k] = low[k].min(*volts);
            high[k] = high[k].max(*volts);
        }
    }
    Some((0..points.len()).any(|k| {
        let room = 0.2 * (high[k] - low[k]) + 0.01 * faulty[k].abs() + 0.02;
        faulty[k] > high[k] + room || faulty[k] < low[k] - room
    }))
}
