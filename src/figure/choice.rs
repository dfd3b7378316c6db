//! What is set on a circuit before it is measured: values, knobs, switches, valves and the
//! temperature, all by one form, `NAME = value`.

use crate::circuit::params::{self, Overrides, Setting, What, bare};
use crate::circuit::{Circuit, Element};
use crate::device::role::DeviceRole;
use crate::diag::{Span, nearest};
use crate::netlist::statement::{ControlKind, ControlLine, Netlist, Value};
use crate::num;

/// One thing that is set.
#[derive(Debug, Clone, PartialEq)]
pub struct Choice {
    /// An element's value, `NAME.parameter`, a knob, a switch, a valve, `temperature`, or `mains`
    /// (per cent).
    pub name: String,
    /// The value as written.
    pub text: String,
    /// Where the value stands.
    pub span: Span,
    /// Where the name stands.
    pub name_span: Span,
}

/// The word for the temperature of the circuit, degrees Celsius.
pub const TEMPERATURE: &str = "temperature";

/// A netlist and the settings to build it with, once the choices are made. `base` is the
/// circuit without them, which says what each name stands for. A later choice of the same name
/// wins. What names nothing is reported when the circuit is built.
pub fn choose(netlist: &Netlist, base: &Circuit, choices: &[Choice]) -> (Netlist, Overrides) {
    let mut netlist = netlist.clone();
    // Whoever audits the base audits what is made of it.
    let mut settings = Overrides::audited(base.ledger.clone());
    for choice in choices {
        let value = Value {
            number: num::parse(&choice.text).unwrap_or(f64::NAN),
            text: choice.text.clone(),
            span: choice.span,
        };
        if choice.name.eq_ignore_ascii_case(TEMPERATURE) {
            netlist.controls.push(ControlLine {
                kind: ControlKind::Temp(vec![value]),
                span: choice.span,
            });
        } else {
            let what = kind(base, &choice.name);
            let span = Some(choice.span);
            let setting = Setting::new(what, choice.name.clone(), value, span);
            settings.push(setting.named_at(Some(choice.name_span)));
        }
    }
    (netlist, settings)
}

/// What a name stands for: an element or parameter as for --set, a pot or a toggle. A name
/// that is nothing is taken for what comes nearest, so that it is suggested.
pub fn kind(circuit: &Circuit, name: &str) -> What {
    if circuit.element(name).is_some() || name.eq_ignore_ascii_case(params::MAINS) {
        // A pot or toggle takes its position as its value too.
        return What::Value;
    }
    let controls = controls(circuit);
    let same = controls.iter().find(|c| c.0.eq_ignore_ascii_case(name));
    let near = || {
        if name.contains('.') {
            // A parameter, rather.
            return None;
        }
        let near = nearest(name, controls.iter().map(|c| c.0.as_str()))?;
        controls.iter().find(|c| c.0 == near)
    };
    same.or_else(near).map_or(What::Value, |c| c.1)
}

/// Whether two names set one thing of a circuit, as `SW`, `XSW` and `XSW.at` do: of two such settings
/// only the later one counts.
pub fn sets_the_same(circuit: &Circuit, one: &str, other: &str) -> bool {
    let whole = |name: &str| -> String {
        let found = |name: &str| {
            let same = |e: &&Element| {
                let is_control = matches!(e.role(), Some(DeviceRole::Pot | DeviceRole::Toggle));
                e.name.eq_ignore_ascii_case(name)
                    || is_control && bare(&e.name).eq_ignore_ascii_case(name)
            };
            circuit
                .element(name)
                .or_else(|| circuit.elements.iter().find(same))
        };
        let own = found(name).or_else(|| {
            let (owner, parameter) = name.rsplit_once('.')?;
            found(owner).filter(|e| {
                let main = match e.role() {
                    Some(DeviceRole::Pot) => "knob",
                    Some(DeviceRole::Toggle) => "at",
                    Some(DeviceRole::VoltageSource | DeviceRole::CurrentSource) => "dc",
                    _ => return false,
                };
                parameter.eq_ignore_ascii_case(main)
            })
        });
        own.map_or(name, |e| e.name.as_str()).to_lowercase()
    };
    whole(one) == whole(other)
}

/// Pots and toggles by their names without the X.
fn controls(circuit: &Circuit) -> Vec<(String, What)> {
    circuit
        .elements
        .iter()
        .filter_map(|e| {
            let what = match e.role()? {
                DeviceRole::Pot => What::Knob,
                DeviceRole::Toggle => What::Switch,
                _ => return None,
            };
            Some((bare(&e.name), what))
        })
        .collect()
}
