//! Switch worked by hand: bright, standby, channel.
//!
//! Terminals a, b. `at=1` is closed, 10 milliohm; `at=0` is open, 1 teraohm. Anything
//! between counts as the nearer end. The values are a clean contact and clean insulation
//! (common practice, no published source). Left out: bounce, arcs, leakage.

use super::kind::{Device, Given, Kind, Param, Part, Pin};
use super::role::DeviceRole;

const INSTANCE: &[Param] = &[Param::required("at", "1 closed, 0 open", "1", 0.0..=1.0)];

/// The toggle switch; it needs no model statement.
pub const KIND: Kind = Kind {
    name: "toggle",
    letter: 'X',
    title: "toggle switch",
    terminals: &["a", "b"],
    role: DeviceRole::Toggle,
    dc_paths: &[(0, 1)],
    optional: 0,
    model_params: &[],
    instance_params: INSTANCE,
    build,
};

/// A closed contact, ohm.
pub const CLOSED: f64 = 10e-3;
/// An open one, ohm.
pub const OPEN: f64 = 1e12;

fn build(given: &Given<'_>) -> Device {
    let ohms = if given.instance("at") >= 0.5 {
        CLOSED
    } else {
        OPEN
    };
    Device {
        parts: vec![Part::Resistance(Pin::T(0), Pin::T(1), ohms)],
        ..Device::default()
    }
}

#[cfg(test)]
mod tests {
    use crate::device::kind::Part;
    use crate::device::trial::Sample;

    #[test]
    fn closed_is_ten_milliohm_and_open_a_teraohm() {
        for (at, ohms) in [(1.0, 0.01), (0.0, 1e12)] {
            let device = Sample::of("toggle").instance("at", at).device();
            assert!(matches!(device.parts[..], [Part::Resistance(_, _, r)] if r == ohms));
        }
    }
}
