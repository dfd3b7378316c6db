//! Reading netlists of up to a million lines. The measure is the bytes themselves: how
//! much longer than fetching the text from a file that is in memory anyway and checking
//! that it is UTF-8. A column that grows from row to row is a step that is not linear.

mod side_by_side;

use gridleak::circuit::Circuit;
use gridleak::diag::Files;
use gridleak::netlist::{self, FileLoader, Reading};
use side_by_side::{compare, quick};
use std::fmt::Write;
use std::hint::black_box;
use std::path::Path;

fn main() {
    let sizes: &[usize] = if quick() {
        &[1_000]
    } else {
        &[10_000, 100_000, 1_000_000]
    };
    println!("time over reading the bytes (quartiles of the rounds)");
    println!(
        "  lines  bytes a line  bytes, ns a line                 words                 statements     statements and circuit"
    );
    for &lines in sizes {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let path = folder.path().join("long.cir");
        let text = netlist_of(lines);
        let length = text.len();
        std::fs::write(&path, text).expect("the netlist is written");
        row(lines, length, &path);
    }
}

/// Stages of eight lines and comments, a model now and then.
fn netlist_of(lines: usize) -> String {
    let mut text = String::from("A long netlist\nVB s0 0 DC 300\n");
    let mut written = 3;
    let mut k = 0;
    while written < lines {
        k += 1;
        let _ = write!(
            text,
            "* stage {k}\n\
             RS{k} s{} s{k} 10\nRA{k} s{k} p{k} 100k ; plate load\n\
             RK{k} k{k} 0 1k5\nCK{k} k{k} 0 25u\nRG{k} g{k} 0 1meg\n\
             XV{k} p{k} g{k} k{k} 12AX7\nCO{k} p{k} g{}\n+ 22n\n",
            k - 1,
            k + 1
        );
        written += 9;
    }
    let _ = write!(text, "RG{} g{} 0 1meg\n.end\n", k + 1, k + 1);
    text
}

fn read(path: &Path, sources: &mut Files) -> Reading {
    let reading = netlist::read(path.to_str().expect("UTF-8"), &FileLoader, sources);
    assert!(reading.is_good(), "{:?}", reading.diagnostics.first());
    reading
}

fn row(lines: usize, length: usize, path: &Path) {
    let bytes = || std::fs::read_to_string(path).expect("readable");
    let rounds = match lines {
        _ if quick() => 1,
        1_000_000.. => 3,
        100_000..1_000_000 => 7,
        _ => 21,
    };
    let mut fetch = || {
        black_box(bytes());
    };
    let mut words = || {
        let text = bytes();
        let words: usize = text.lines().map(|l| l.split_whitespace().count()).sum();
        black_box(words);
    };
    let mut statements = || {
        black_box(read(path, &mut Files::default()));
    };
    let mut all = || {
        let circuit = Circuit::from_file(path).expect("a circuit");
        black_box(circuit.unknowns());
    };
    let ways: &mut [&mut dyn FnMut()] = &mut [&mut fetch, &mut words, &mut statements, &mut all];
    // Building the circuit of a million lines takes too long for a bench.
    let upto = if lines > 100_000 { 3 } else { 4 };
    let (seconds, ratios) = compare(rounds, &mut ways[..upto]);
    let ratios: Vec<_> = ratios[1..].iter().map(|r| format!("{r:>25}")).collect();
    println!(
        "{lines:>7}{:>14.1}{:>18.1}{}",
        length as f64 / lines as f64,
        1e9 * seconds / lines as f64,
        ratios.concat()
    );
}
