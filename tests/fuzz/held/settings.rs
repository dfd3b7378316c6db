//! Settings of a circuit: `NAME=VALUE`, one a line.

use super::netlist::{built, reading};
use super::said;
use gridleak::circuit::params::bare;
use gridleak::diag::Span;
use gridleak::figure::choice::{Choice, choose};

/// One of each that can be set.
const NETLIST: &str = "one of each
V1 in 0 DC 1 AC 1 SIN(0 1 1k)
B1 b 0 V=v(in)
XVOL in w 0 A1M knob=5
XBRIGHT in w toggle at=1
R1 w 0 1meg tc=1m
C1 w g 22n
R2 g 0 1meg
XV1 p g k 12AX7
RP s p 100k
RK k 0 1k5
VB s 0 300
D1 b d DX
RD d 0 1k
X1 b part
.subckt part a
R5 a 0 10k
XTONE a t 0 A1M knob=2
RT t 0 1k
.ends
.model A1M pot(r=1meg taper=audio mid=0.15)
.model DX d(is=1e-14)
";

/// Settings are taken or refused with a place; the circuit stays sane. Whether they are taken.
pub fn holds(text: &str) -> bool {
    let mut draft = reading(NETLIST);
    let base = built(&mut draft).expect("the netlist above is good");
    let file = draft.files.add("command line", text);
    let mut choices = Vec::new();
    let mut at = 0;
    for line in text.split_inclusive('\n').take(8) {
        let (start, end) = (at, at + line.trim_end().len());
        at += line.len();
        let Some((name, value)) = line.split_once('=') else {
            continue;
        };
        let (name, value) = (name.trim(), value.trim());
        if !name.is_empty() && !value.is_empty() {
            choices.push(Choice {
                name: name.into(),
                text: value.into(),
                span: Span::new(file, start, end),
                name_span: Span::new(file, start, end),
            });
            bare(name);
        }
    }
    let (netlist, settings) = choose(&draft.netlist, &base, &choices);
    match draft.build_other(&netlist, &settings) {
        Ok(built) => {
            said(&built.warnings, &draft.files);
            for r in &built.circuit.resistances {
                assert!(r.ohms.is_finite() && r.ohms != 0.0, "{r:?}");
            }
            true
        }
        Err(problems) => {
            said(&problems, &draft.files);
            false
        }
    }
}
