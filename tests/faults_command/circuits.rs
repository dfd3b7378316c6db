//! Amplifiers by seed.

/// A small generator; the seeds are the test's.
pub struct Dice(pub u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        let mut dice = Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
        for _ in 0..8 {
            dice.roll(2);
        }
        dice
    }

    pub fn roll(&mut self, sides: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as usize % sides
    }

    pub fn one<'a, T: ?Sized>(&mut self, of: &[&'a T]) -> &'a T {
        of[self.roll(of.len())]
    }

    /// Between -1 and 1.
    pub fn symmetric(&mut self) -> f64 {
        self.roll(1 << 30) as f64 / f64::from(1 << 29) - 1.0
    }
}

/// An amplifier's netlist: one to four stages and now and then an output stage; every eighth is
/// the demo's preamp.
pub fn amplifier(seed: u64) -> String {
    if seed % 8 == 5 {
        return preamp();
    }
    let mut dice = Dice::new(seed);
    let mut text = format!("Amplifier {seed}\n");
    let supply = 250 + 20 * dice.roll(6);
    text += &format!("VB b0 0 {supply}\nVIN in 0 DC 0 AC 1\nRG1 in 0 1meg\n");
    let (mut grid, mut supply) = ("in".to_string(), "b0".to_string());
    let stages = 1 + dice.roll(4);
    for stage in 0..stages {
        let n = stage + 1;
        if dice.roll(2) == 0 {
            let drop = dice.one(&["4.7k", "10k", "22k"]);
            let next = format!("b{n}");
            text += &format!("RD{n} {supply} {next} {drop}\nCD{n} {next} 0 22u\n");
            supply = next;
        }
        let bottle = 1 + n / 2;
        let half = ["B", "A"][n % 2];
        let name = format!("XV{bottle}{half}");
        let (p, k) = (format!("p{n}"), format!("k{n}"));
        match dice.roll(6) {
            // A cathode follower, coupled directly to the plate before it.
            0 if stage > 0 && grid.starts_with('g') => {
                text += &format!(
                    "RK{n} {k} 0 {}\n{name} {supply} p{} {k} 12AU7\n",
                    dice.one(&["47k", "100k"]),
                    n - 1
                );
                grid = format!("g{}", n + 1);
                text += &format!("CC{n} {k} {grid} 100n\nRG{} {grid} 0 1meg\n", n + 1);
            }
            // A pair.
            1 if stage + 1 < stages => {
                let q = format!("q{n}");
                text += &format!(
                    "RA{n} {supply} {p} 100k\nRB{n} {supply} {q} 82k\nRK{n} {k} t{n} 470\nRT{n} t{n} 0 10k\n\
                     RH{n} h{n} t{n} 1meg\nCH{n} h{n} 0 100n\n\
                     {name} {p} f{n} {k} 12AX7\nRJ{n} f{n} t{n} 1meg\nCI{n} {grid} f{n} 22n\n\
                     XV{}{} {q} h{n} {k} 12AX7\n",
                    bottle + 10,
                    "A"
                );
                grid = format!("g{}", n + 1);
                text += &format!("CC{n} {p} {grid} 22n\nRG{} {grid} 0 470k\n", n + 1);
            }
            // A split load, coupled directly to the plate before it.
            2 if stage > 0 && grid.starts_with('g') && stage + 1 == stages => {
                let load = dice.one(&["47k", "56k"]);
                text += &format!(
                    "RA{n} {supply} {p} {load}\nRK{n} {k} 0 {load}\nRGS{n} p{} u{n} 10k\n\
                     {name} {p} u{n} {k} 12AX7\n",
                    n - 1
                );
                grid = format!("g{}", n + 1);
                text += &format!("CC{n} {p} {grid} 22n\nRG{} {grid} 0 220k\n", n + 1);
                text += &format!("CE{n} {k} e{n} 22n\nRE{n} e{n} 0 220k\n");
            }
            // A pentode.
            3 if stages < 4 => {
                text += &format!(
                    "RA{n} {supply} {p} 220k\nRS{n} {supply} s{n} 1meg\nCS{n} s{n} 0 100n\n\
                     RK{n} {k} 0 1.5k\nCK{n} {k} 0 22u\nXV{bottle} {p} s{n} {grid} {k} EF86\n"
                );
                grid = format!("g{}", n + 1);
                text += &format!("CC{n} {p} {grid} 22n\nRG{} {grid} 0 470k\n", n + 1);
            }
            _ => {
                let (ra, rk, valve) = match dice.roll(4) {
                    0 => ("220k", "2.7k", "12AX7"),
                    1 => ("47k", "1k", "12AT7"),
                    2 => ("47k", "1.8k", "12AU7"),
                    _ => ("100k", "1.5k", "12AX7"),
                };
                text += &format!(
                    "RA{n} {supply} {p} {ra}\nRK{n} {k} 0 {rk}\n{name} {p} {grid} {k} {valve}\n"
                );
                match dice.roll(5) {
                    0 | 1 => text += &format!("CK{n} {k} 0 22u\n"),
                    // A clipper behind its own resistor.
                    2 => {
                        text += &format!(
                            "CL{n} {p} l{n} 10n\nRL{n} l{n} 0 1meg\nDL{n} l{n} 0 1N4148\n"
                        );
                    }
                    _ => {}
                }
                grid = format!("g{}", n + 1);
                if dice.roll(3) == 0 {
                    text += &format!("CC{n} {p} c{n} 22n\nXP{n} c{n} {grid} 0 POT1 knob=5\n");
                } else {
                    let leak = dice.one(&["220k", "470k", "1meg"]);
                    text += &format!("CC{n} {p} {grid} 22n\nRG{} {grid} 0 {leak}\n", n + 1);
                }
            }
        }
    }
    text += ".model POT1 pot(r=1meg taper=audio)\n";
    match dice.roll(5) {
        // A pair on an output transformer, fixed bias, behind a standby switch.
        3 => {
            text += &format!(
                "XSTBY b0 hv toggle at=1\nVC c 0 -60\nRC1 c cc 22k\nRC2 cc 0 47k\nCC0 0 cc 47u\n\
                 RGX {grid}x cc 220k\nCGX {grid} {grid}x 100n\nRGY gy cc 220k\nCGY y gy 100n\nRY y 0 1meg\n\
                 RSX hv sx 470\nRSY hv sy 470\nXV8 ax sx {grid}x 0 6L6GC\nXV9 ay sy gy 0 6L6GC\n\
                 XOT ax hv ay 0 t4 t8 t16 OT1\nRLOAD t8 0 8\n\
                 .model OT1 pushpull(raa=6.6k power=35 fmin=50 leak=16m dcr=190 dcrs=0.4 cp=300p cps=600p)\n"
            );
        }
        // A pair with a common cathode resistor, and a diode in the bias of the grids.
        4 => {
            text += &format!(
                "RX b0 x 120\nRW b0 w 120\nRS b0 s 470\nRGX gx 0 220k\nCGX {grid} gx 100n\n\
                 RGY gy 0 220k\nCGY p1 gy 100n\nXV8 x s gx kk 6V6GT\nXV9 w s gy kk 6V6GT\n\
                 RKK kk 0 270\nCKK kk 0 100u\n"
            );
        }
        // A single output valve with cathode bias; the transformer's copper alone.
        0 => {
            text += &format!(
                "RX b0 x 220\nRS b0 s 1k\nXV9 x s {grid} kk 6V6GT\nRKK kk 0 470\nCKK kk 0 47u\n"
            );
        }
        // Fixed bias.
        1 => {
            text += &format!(
                "VC c 0 -50\nRC1 c cc 10k\nRC2 cc 0 33k\nRGX {grid}x cc 220k\nCGX {grid} {grid}x 100n\n\
                 RX b0 x 150\nRS b0 s 470\nXV9 x s {grid}x 0 6L6GC\n"
            );
        }
        _ => text += &format!("ROUT {grid} 0 1meg\n"),
    }
    text + ".end\n"
}

/// The preamp of the demo, without subcircuits.
fn preamp() -> String {
    let part = |name: &str| {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/netlists/lapwing/");
        std::fs::read_to_string(format!("{path}{name}")).expect("a netlist")
    };
    let parts = part("parts.cir");
    let mut text = String::new();
    for line in part("preamp.cir").lines() {
        let line = line.split(';').next().unwrap_or("").trim();
        let words: Vec<&str> = line.split_whitespace().collect();
        let head = words.last().map(|last| format!(".subckt {last} "));
        let found = head.filter(|_| line.starts_with('X'));
        match found.and_then(|head| parts.split_once(&head).map(|p| p.1)) {
            Some(body) => {
                let (pins, body) = body.split_once('\n').expect("lines");
                let pins: Vec<&str> = pins.split_whitespace().collect();
                for line in body.lines().take_while(|l| *l != ".ends") {
                    let line = line.split(';').next().unwrap_or("");
                    for (k, word) in line.split_whitespace().enumerate() {
                        let node = pins.iter().position(|p| *p == word).map(|n| words[1 + n]);
                        match node {
                            Some(node) if k > 0 && k < 3 => text += node,
                            _ if (k == 1 || k == 2) && word != "0" => {
                                text += &format!("{}_{word}", words[0].to_lowercase());
                            }
                            _ => text += word,
                        }
                        text += " ";
                    }
                    text += "\n";
                }
            }
            None if line.starts_with(".include") || line.starts_with('*') => {}
            None if line.starts_with(".end") => {
                let models = parts.lines().filter(|l| l.starts_with(".model"));
                text += &models.map(|l| format!("{l}\n")).collect::<String>();
                text += ".end\n";
            }
            None => text += &format!("{line}\n"),
        }
    }
    text
}
