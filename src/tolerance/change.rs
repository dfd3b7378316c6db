//! The nominal circuit with other values.

use super::list::{Target, Variables, settled};
use crate::circuit::Circuit;
use crate::device::source::Drive;

/// The numbers of the circuit as drawn that variables move.
#[derive(Debug, Clone)]
pub struct Drawn {
    /// For each element that varies, in order.
    elements: Vec<Numbers>,
    celsius: f64,
    /// Whether the temperature varies: then everything is made anew.
    warms: bool,
}

#[derive(Debug, Clone)]
struct Numbers {
    element: usize,
    /// Its variables.
    variables: Vec<usize>,
    what: What,
}

#[derive(Debug, Clone)]
enum What {
    /// The main value.
    Value(f64),
    /// A resistor that the temperature moves: ohms at 27 C, tc1, tc2.
    Warm([f64; 3]),
    Source(Drive),
    Device {
        model: Vec<f64>,
        instance: Vec<f64>,
    },
}

impl Drawn {
    /// Reads the numbers; `circuit` is as drawn.
    pub fn of(circuit: &Circuit, variables: &Variables) -> Self {
        let warms = variables.all.iter().any(|v| v.target == Target::Celsius);
        let mut elements: Vec<Numbers> = Vec::new();
        for (k, element) in circuit.elements.iter().enumerate() {
            let own = variables.all.iter().enumerate();
            let own: Vec<usize> = own
                .filter(|(_, v)| v.element == Some(k))
                .map(|(n, _)| n)
                .collect();
            let is_warm = warms && (element.kind.is_some() || element.letter == 'R');
            if own.is_empty() && !is_warm {
                continue;
            }
            let what = match (element.kind, element.letter) {
                (Some(_), _) => What::Device {
                    model: settled(element),
                    instance: element.made.instance.clone(),
                },
                (None, 'V' | 'I') => match drive(circuit, k) {
                    Some(drive) => What::Source(drive.clone()),
                    None => continue,
                },
                (None, 'R') if warms => match element.made.instance[..] {
                    [ohms, tc1, tc2] => What::Warm([ohms, tc1, tc2]),
                    _ => continue,
                },
                _ => What::Value(element.value.unwrap_or(f64::NAN)),
            };
            elements.push(Numbers {
                element: k,
                variables: own,
                what,
            });
        }
        Drawn {
            elements,
            celsius: circuit.celsius,
            warms,
        }
    }

    /// Puts the values of the variables into the circuit.
    ///
    /// # Panics
    /// If a device cannot take its values: ranges keep signs, and no value comes to nothing.
    pub fn put(&self, circuit: &mut Circuit, variables: &Variables, values: &[f64]) {
        if self.warms {
            let warmer = variables.all.iter().zip(values);
            let warmer = warmer.filter(|(v, _)| v.target == Target::Celsius);
            circuit.celsius = self.celsius + warmer.map(|(_, degrees)| degrees).sum::<f64>();
        }
        for numbers in &self.elements {
            let factor = || {
                let own = numbers.variables.iter();
                own.fold(1.0, |product, &n| product * values[n])
            };
            let fits = match &numbers.what {
                What::Value(value) => circuit.revalue(numbers.element, value * factor()),
                What::Warm([ohms, tc1, tc2]) => {
                    let above = circuit.celsius - 27.0;
                    let warm = ohms * (1.0 + tc1 * above + tc2 * above * above);
                    circuit.revalue(numbers.element, warm * factor())
                }
                What::Source(drive) => {
                    let (scaled, factor) = (drive, factor());
                    let to = circuit.drive_of(numbers.element);
                    to.map(|to| {
                        to.dc = scaled.dc * factor;
                        to.wave = scaled.wave.as_ref().map(|w| w.scaled(factor));
                    })
                    .is_some()
                }
                What::Device { model, instance } => {
                    let (mut model, mut instance) = (model.clone(), instance.clone());
                    let kind = circuit.elements[numbers.element].kind;
                    let kind = kind.expect("read as a device");
                    let place = |name: &str| kind.model_params.iter().position(|p| p.name == name);
                    for &n in &numbers.variables {
                        let value = values[n];
                        match variables.all[n].target {
                            Target::Times(k) => model[k] *= value,
                            Target::Plus(k) => model[k] += value,
                            Target::InstanceTimes(k) => instance[k] *= value,
                            Target::Current => {
                                for name in ["kg1", "kg2"] {
                                    place(name).into_iter().for_each(|k| model[k] /= value);
                                }
                                place("perv")
                                    .filter(|_| place("kg1").is_none())
                                    .into_iter()
                                    .for_each(|k| model[k] *= value);
                            }
                            Target::Value | Target::Celsius => {}
                        }
                    }
                    let tables = [kind.model_params, kind.instance_params];
                    for (table, given) in tables.iter().zip([&mut model, &mut instance]) {
                        for (param, value) in table.iter().zip(given) {
                            // NaN, where a card is silent, stays.
                            if *value < *param.range.start() {
                                *value = *param.range.start();
                            } else if *value > *param.range.end() {
                                *value = *param.range.end();
                            }
                        }
                    }
                    circuit.remake(numbers.element, &model, &instance)
                }
            };
            assert!(fits, "`{}`", circuit.elements[numbers.element].name);
        }
    }
}

fn drive(circuit: &Circuit, element: usize) -> Option<&Drive> {
    use crate::circuit::{BranchKind, Piece};
    match circuit.elements[element].ports.first()?.piece {
        Piece::Branch(k) => match &circuit.branches[k].kind {
            BranchKind::Source(drive) => Some(drive),
            _ => None,
        },
        Piece::Current(k) => Some(&circuit.currents[k].drive),
        _ => None,
    }
}
