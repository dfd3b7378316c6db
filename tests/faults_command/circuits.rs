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

/// An amplifier's netlist: one to four stages and now and then an output stage.
pub fn amplifier(seed: u64) -> String {
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
                if dice.roll(2) == 0 {
                    text += &format!("CK{n} {k} 0 22u\n");
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
    match dice.roll(3) {
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
