//! The nominal circuit with other values.

use super::list::{Target, Variables, settled};
use crate::circuit::Circuit;
use crate::device::Kind;
use crate::device::production::{self, Deviation};
use crate::device::role::DeviceRole;
use crate::device::source::{Drive, Wave};

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
                What::Device { .. } => {
                    let kind = circuit.elements[numbers.element].kind;
                    let kind = kind.expect("read as a device");
                    let (model, instance) = self.parameters(kind, numbers, variables, values);
                    circuit.remake(numbers.element, &model, &instance)
                }
            };
            assert!(fits, "`{}`", circuit.elements[numbers.element].name);
        }
    }

    /// A device's parameters with the values of its variables.
    fn parameters(
        &self,
        kind: &Kind,
        numbers: &Numbers,
        variables: &Variables,
        values: &[f64],
    ) -> (Vec<f64>, Vec<f64>) {
        let What::Device { model, instance } = &numbers.what else {
            return (Vec::new(), Vec::new());
        };
        let (mut model, mut instance) = (model.clone(), instance.clone());
        let mut valve = Deviation::default();
        for &n in &numbers.variables {
            let value = values[n];
            match variables.all[n].target {
                Target::Times(k) => model[k] *= value,
                Target::Plus(k) => model[k] += value,
                Target::InstanceTimes(k) => instance[k] *= value,
                Target::Current => valve.current = value - 1.0,
                Target::Mu => valve.mu = value - 1.0,
                Target::Value | Target::Celsius => {}
            }
        }
        if kind.role == DeviceRole::RectifierValve {
            let perv = kind.model_params.iter().position(|p| p.name == "perv");
            model[perv.expect("a rectifier's")] *= 1.0 + valve.current;
        } else if valve != Deviation::default() {
            production::apply(kind.model_params, &mut model, valve);
        }
        let tables = [kind.model_params, kind.instance_params];
        for (table, given) in tables.iter().zip([&mut model, &mut instance]) {
            for (param, value) in table.iter().zip(given) {
                // NaN, where a line is silent, stays.
                if *value < *param.range.start() {
                    *value = *param.range.start();
                } else if *value > *param.range.end() {
                    *value = *param.range.end();
                }
            }
        }

        (model, instance)
    }
}

/// A setting that makes one value what it is, for any command.
#[derive(Debug, Clone, PartialEq)]
pub enum Setting {
    /// `--set NAME=VALUE`
    Value(String, f64),
    /// `--knob NAME=VALUE`
    Knob(String, f64),
}

impl Drawn {
    /// The settings that make a circuit as drawn the one with these values, which were put into it.
    pub fn settings(
        &self,
        circuit: &Circuit,
        variables: &Variables,
        values: &[f64],
    ) -> Vec<Setting> {
        let mut all = Vec::new();
        for numbers in &self.elements {
            let element = &circuit.elements[numbers.element];
            let name = &element.name;
            let own = numbers.variables.iter();
            let factor = own.fold(1.0, |product, &n| product * values[n]);
            match &numbers.what {
                What::Value(value) if element.letter == 'R' && element.made.instance.len() == 3 => {
                    // What is set is the value at 27 C, and the temperature may be another.
                    let at_27 = element.made.instance[0] / value;
                    all.push(Setting::Value(name.clone(), at_27 * (value * factor)));
                }
                What::Value(value) => all.push(Setting::Value(name.clone(), value * factor)),
                What::Warm([ohms, ..]) => all.push(Setting::Value(name.clone(), ohms * factor)),
                What::Source(drive) => {
                    if drive.says_dc || drive.wave.is_none() {
                        all.push(Setting::Value(name.clone(), drive.dc * factor));
                    }
                    if let Some(Wave::Sin {
                        amplitude, offset, ..
                    }) = &drive.wave
                    {
                        let ampl = format!("{name}.ampl");
                        all.push(Setting::Value(ampl, amplitude * factor));
                        if *offset != 0.0 {
                            let name = format!("{name}.offset");
                            all.push(Setting::Value(name, offset * factor));
                        }
                    }
                }
                What::Device { .. } => {
                    let Some(kind) = element.kind else { continue };
                    // What a line leaves to a rule is said, too: the rule may follow what varies.
                    let (model, instance) = (&element.made.model, &element.made.instance);
                    let (new_model, new_instance) =
                        self.parameters(kind, numbers, variables, values);
                    let pairs = [
                        (kind.model_params, model, new_model),
                        (kind.instance_params, instance, new_instance),
                    ];
                    for (table, before, after) in pairs {
                        for ((param, before), after) in table.iter().zip(before).zip(after) {
                            if *before != after && !after.is_nan() {
                                let name = format!("{name}.{}", param.name);
                                all.push(Setting::Value(name, after));
                            }
                        }
                    }
                }
            }
        }
        if self.warms {
            all.push(Setting::Value("temperature".to_string(), circuit.celsius));
        }
        all
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
