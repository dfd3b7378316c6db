//! The return ratio of a loop, found in the whole circuit at its own operating point.
//!
//! **Through a wire**: M. Tian, V. Visvanathan, J. Hantgan and K. Kundert, "Striving for
//! small-signal stability", IEEE Circuits and Devices Magazine 17, January 2001 (from memory),
//! after R. D. Middlebrook's double injection (Int. J. Electronics 38, 1975). A series voltage
//! and a shunt current are injected in turn at the wire; nothing is cut, so neither the direct
//! current nor the loading changes, and what passes backwards counts too. With the circuit
//! seen from both sides of the wire as a two-port with admittances Y,
//!
//! ```text
//! T = (Y12 + Y21)/(Y11 + Y22)        1 + T = (Y11 + Y12 + Y21 + Y22)/(Y11 + Y22)
//! ```
//!
//! **At a node**, for an element with its other end at ground (a cathode resistor), whose wire
//! carries no loop of its own: H. W. Bode, "Network analysis and feedback amplifier design",
//! 1945, ch. IV (from memory). All transadmittances that sense the node sense a test voltage
//! instead; T is minus what comes back to the node for 1 V. A cathode resistor Rk gets
//! mu Rk/(rp + Ra + Rk). A transadmittance is an entry of a law's g and c with its output and
//! its control between different nodes.
//!
//! T is positive where the feedback is negative; the loop oscillates where T = -1.

use super::small_signal::{At, Excitation, SmallSignal, voltage};
use crate::circuit::{Circuit, Node, Sense, Sink};
use crate::math::lu::Singular;
use crate::system::assemble::Assembly;
use num_complex::Complex;

/// Where a loop is looked at.
#[derive(Debug, Clone)]
pub enum Probe {
    /// In the wire between a resistance's end and its second node.
    Wire {
        /// First node.
        a: Node,
        /// The node at the wire.
        b: Node,
        /// Of the resistance.
        siemens: f64,
    },
    /// At a node, by the devices that sense it.
    Node {
        /// The node's number among the unknowns.
        unknown: usize,
        /// Equation, siemens, farads: what those devices do for each volt there.
        column: Vec<(usize, f64, f64)>,
    },
}

impl Probe {
    /// At a node of a circuit at rest at `x`; ground is no such node.
    pub fn at_node(assembly: &mut Assembly<'_>, x: &[f64], node: Node) -> Option<Self> {
        let unknown = assembly.unknowns.node(node)?;
        let circuit: &Circuit = assembly.circuit;
        let mut column = Vec::new();
        for (index, part) in circuit.laws.iter().enumerate() {
            let law = assembly.law_currents(index, x);
            let width = part.controls.len();
            let (controls, outputs) = assembly.wires(index);
            for (o, rows) in outputs.iter().enumerate() {
                for (k, columns) in controls.iter().enumerate() {
                    if same_port(part.outputs[o], part.controls[k]) {
                        continue;
                    }
                    for &(_, sign) in columns.iter().filter(|c| c.0 == unknown) {
                        let e = o * width + k;
                        let entry = |&(row, s): &(usize, f64)| {
                            (row, s * sign * law.g[e], s * sign * law.c[e])
                        };
                        column.extend(rows.iter().map(entry));
                    }
                }
            }
        }
        for gain in &circuit.gains {
            if let Sense::Voltage(a, b) = gain.sense {
                let sign = f64::from(u8::from(a == node)) - f64::from(u8::from(b == node));
                let at = assembly.unknowns;
                match gain.sink {
                    _ if sign == 0.0 || same_port(gain.sink, gain.sense) => {}
                    Sink::Current(p, q) => {
                        column.extend(at.node(p).map(|r| (r, sign * gain.gain, 0.0)));
                        column.extend(at.node(q).map(|r| (r, -sign * gain.gain, 0.0)));
                    }
                    Sink::Branch(branch) => {
                        column.push((at.branch(branch), -sign * gain.gain, 0.0));
                    }
                }
            }
        }
        Some(Probe::Node { unknown, column })
    }

    /// T at a frequency in Hz; not finite where nothing is left of the sides of the wire.
    pub fn ratio(&self, small: &mut SmallSignal, freq_hz: f64) -> Result<Complex<f64>, Singular> {
        let mut at = small.at(freq_hz)?;
        Ok(match self {
            Probe::Wire { a, b, siemens } => wire(&mut at, *a, *b, *siemens),
            Probe::Node { unknown, column } => {
                let s = at.s();
                let mut right = vec![Complex::default(); at.size()];
                for &(row, g, c) in column {
                    right[row] += s * c + g;
                }
                // By Sherman and Morrison: 1 + T = det M/det M0 = 1/(1 - z).
                let z = at.solve_for(&right)[*unknown];
                z / (Complex::new(1.0, 0.0) - z)
            }
        })
    }
}

/// Whether a law's output flows between the nodes of its control: a plain admittance.
fn same_port(sink: Sink, sense: Sense) -> bool {
    match (sink, sense) {
        (Sink::Current(p, q), Sense::Voltage(a, b)) => (p, q) == (a, b) || (p, q) == (b, a),
        _ => false,
    }
}

/// Port 1 is the resistance's end, port 2 the node b.
fn wire(at: &mut At<'_>, a: Node, b: Node, siemens: f64) -> Complex<f64> {
    let unknowns = at.unknowns();
    // 1 A into the wire: both ports at v, the sum of all Y is 1/v.
    let x = at.solve(Excitation::Injection(b, Node::GROUND));
    let (va, v) = (voltage(&unknowns, x, a), voltage(&unknowns, x, b));
    let sum = v.inv();
    let into_first = (v - va) * siemens * sum;
    // 1 V in the wire: the resistance pushes `siemens` from b's side to a's.
    let x = at.solve(Excitation::Injection(a, b));
    let va = voltage(&unknowns, x, a) * siemens;
    let vb = voltage(&unknowns, x, b) * siemens;
    let y11 = (vb + 1.0 - va) * siemens - into_first * vb;
    let y21 = -sum * vb - y11;
    let y12 = into_first - y11;
    let y22 = sum - into_first - y21;
    (y12 + y21) / (y11 + y22)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::operating_point;

    use crate::circuit::Circuit;

    fn built(text: &str) -> Circuit {
        Circuit::from_text(text).unwrap()
    }

    /// By hand: an amplifier of gain -A with output resistance Ro, load C; feedback RF to its
    /// input with Ri to ground and Rs to the source. Both ways count: with Ro the resistance
    /// RF also carries the input's signal forward. Y of the two ports at the input's wire:
    /// Y22 = 1/Ri + 1/Rs; y11 = 1/(RF + Zo), Zo = Ro beside C; Y12 = A Zo/Ro y11; Y21 = 0.
    #[test]
    fn an_inverter_has_the_return_ratio_of_its_formula() {
        let circuit = built(
            "t\nVIN s 0 AC 1\nRS s in 10k\nRI in 0 47k\nE1 e 0 0 in 200\nRO e out 1k\n\
             C1 out 0 10n\nRF out in 100k\n",
        );
        let (point, mut assembly) = operating_point::dc(&circuit).unwrap();
        let mut small = SmallSignal::new(&mut assembly, &point.x);
        let node = |n| circuit.node(n).unwrap();
        for (a, b) in [("out", "in"), ("in", "out")] {
            let probe = Probe::Wire {
                a: node(a),
                b: node(b),
                siemens: 1e-5,
            };
            for freq in [1.0, 1e3, 30e3, 1e6] {
                let s = Complex::new(0.0, std::f64::consts::TAU * freq);
                let zo = 1.0 / (s * 10e-9 + 1e-3);
                let input = 1.0 / (1.0 / 10e3 + 1.0 / 47e3);
                let expected = zo / 1e3 * 200.0 * input / (zo + 100e3 + input);
                let found = probe.ratio(&mut small, freq).unwrap();
                let off = (found - expected).l1_norm() / expected.l1_norm();
                assert!(off < 1e-9, "{a} {freq}: {found} {expected}");
            }
        }
        // By the node: the amplifier senses it, and the same loop comes round.
        let probe = Probe::at_node(&mut assembly, &point.x, node("in")).unwrap();
        let found = probe.ratio(&mut small, 1.0).unwrap();
        assert!(
            (found.re - 200.0 * 8.246 / (101.0 + 8.246)).abs() < 0.01,
            "{found}"
        );
    }

    /// mu Rk/(rp + Ra + Rk), and 1 + T the ratio of gains with and without bypass but for the
    /// loading (notes: rp 48.995 k, mu 91.97 at Steck's point).
    #[test]
    fn a_cathode_resistor_has_its_local_loop() {
        let circuit = built(
            "t\nVB b 0 330\nVG g 0 0\nRA b p 100k\nRK k 0 1.5k\nXV p g k V\n\
             .model V triode(mu=100 ex=1.4 kg1=1060 kp=600 kvb=300)\n",
        );
        let (point, mut assembly) = operating_point::dc(&circuit).unwrap();
        let mut small = SmallSignal::new(&mut assembly, &point.x);
        let k = circuit.node("k").unwrap();
        let probe = Probe::at_node(&mut assembly, &point.x, k).unwrap();
        let found = probe.ratio(&mut small, 1e3).unwrap();
        let expected = 91.97 * 1.5 / (48.995 + 100.0 + 1.5);
        assert!((found.re - expected).abs() < 1e-3, "{found} {expected}");
        assert!(found.im.abs() < 1e-9);
    }
}
