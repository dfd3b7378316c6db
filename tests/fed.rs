//! Readers are fed with what is nearly right. `fuzz/held` says what must hold of any input and
//! is asked by the fuzz targets too; here the inputs are made by rule, from fixed seeds, so that
//! the same ones come every time on a stable toolchain.
mod common;
#[path = "fed/generated.rs"]
mod generated;
#[path = "fuzz/held/mod.rs"]
mod held;

use common::Gridleak;
use generated::{arguments, formula, netlist, number, real, settings, sheet, spoilt, table, wav};
use proptest::prelude::*;
use proptest::test_runner::{RngSeed, TestRunner};
use std::cell::Cell;
use std::fmt::Debug;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Feeds `cases` inputs; what fails is made smaller and shown. None may take as long as to be
/// taken for a hang on a slow and busy machine. At least one in `good` must be taken, or nothing
/// but refusals would have been seen.
fn fed<S: Strategy>(seed: u64, cases: u32, good: u32, inputs: S, holds: impl Fn(S::Value) -> bool)
where
    S::Value: Debug,
{
    let config = ProptestConfig {
        cases,
        rng_seed: RngSeed::Fixed(seed),
        failure_persistence: None,
        ..ProptestConfig::default()
    };
    let taken = Cell::new(0);
    let slowest = Cell::new(Duration::ZERO);
    let begun = Instant::now();
    let outcome = TestRunner::new(config).run(&inputs, |input| {
        let begun = Instant::now();
        taken.set(taken.get() + u32::from(holds(input)));
        slowest.set(slowest.get().max(begun.elapsed()));
        prop_assert!(begun.elapsed() < Duration::from_secs(20), "hangs");
        Ok(())
    });
    println!(
        "{cases} inputs, {} taken, in {:.1} s, the slowest {:.2} s",
        taken.get(),
        begun.elapsed().as_secs_f64(),
        slowest.get().as_secs_f64()
    );
    outcome.unwrap_or_else(|why| panic!("{why}"));
    assert!(taken.get() >= cases / good, "{} were taken", taken.get());
}

#[test]
fn netlists_by_grammar_are_read() {
    fed(1, 1200, 8, netlist(), |text| held::netlist::holds(&text));
}

#[test]
fn spoilt_real_netlists_are_read() {
    fed(2, 600, 9, spoilt(real("cir")), |text| {
        held::netlist::holds(&text)
    });
}

#[test]
fn a_netlist_cut_at_every_byte_is_read() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("netlists/lapwing/clean_stage.cir");
    let whole = std::fs::read(path).expect("a netlist");
    assert!(whole.len() > 1000);
    for end in 0..=whole.len() {
        let text = String::from_utf8_lossy(&whole[..end]);
        let draft = held::netlist::reading(&text);
        held::said(&draft.problems, &draft.files);
        let again = held::netlist::words(&held::netlist::reading(&text));
        assert_eq!(held::netlist::words(&draft), again, "cut at {end}");
    }
}

#[test]
fn circuits_by_grammar_stand_or_are_refused() {
    fed(3, 1500, 9, netlist(), |text| held::solved::holds(&text));
}

#[test]
fn spoilt_real_circuits_stand_or_are_refused() {
    fed(4, 400, 9, spoilt(real("cir")), |text| {
        held::solved::holds(&text)
    });
}

#[test]
fn numbers_are_read_back_as_they_were_printed() {
    fed(5, 4000, 9, number(), |text| held::words::number(&text));
    let any = prop::num::f64::ANY;
    fed(6, 4000, 9, any, |value| {
        let full = gridleak::num::full(value);
        if value.is_finite() {
            assert_eq!(gridleak::num::parse(&full), Some(value), "{full}")
        } else {
            assert_eq!(full, "")
        }
        for unit in ["V", "ohm", "dB", "%", ""] {
            assert!(!gridleak::num::engineering(value, unit, 4).is_empty());
        }
        value.is_finite()
    });
}

#[test]
fn formulas_probes_and_figures_are_read_back_as_they_were_printed() {
    fed(7, 4000, 9, formula(), |text| held::words::holds(&text));
    fed(8, 4000, 9, spoilt(generated::figures()), |text| {
        held::words::holds(&text)
    });
    for example in generated::figures() {
        assert!(held::words::holds(&example), "{example}");
    }
}

#[test]
fn settings_are_taken_or_refused() {
    fed(9, 500, 9, settings(), |text| held::settings::holds(&text));
}

#[test]
fn sheets_are_read_and_written_back() {
    fed(10, 4000, 9, sheet(), |text| held::sheet::holds(&text));
    fed(11, 4000, 9, spoilt(real("sheet.toml")), |text| {
        held::sheet::holds(&text)
    });
}

#[test]
fn sounds_are_read_or_refused() {
    fed(12, 20000, 9, wav(), |bytes| held::wav::holds(&bytes));
}

#[test]
fn tables_are_read_or_refused() {
    fed(13, 10000, 9, table(), |text| held::table::holds(&text));
}

/// Every option of every command, with values that nobody would give.
#[test]
fn odd_arguments_end_with_an_exit_code_and_no_file() {
    let folder = tempfile::tempdir().expect("a folder");
    fed(14, 600, 20, arguments(), |text| {
        held::arguments::holds(&text, folder.path(), |arguments| {
            run_in(folder.path(), arguments)
        })
    });
}

fn run_in(folder: &Path, arguments: &[String]) -> u8 {
    let output = Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .args(arguments)
        .current_dir(folder)
        .stdin(Stdio::null())
        .output();
    let output = output.expect("the binary starts");
    let said = String::from_utf8_lossy(&output.stderr);
    let code = output.status.code();
    let code = code.unwrap_or_else(|| panic!("{:?}: {said}", output.status));
    assert!(!said.contains("panicked"), "{said}");
    if code == 2 {
        assert!(said.contains("error: "), "{said}");
    }
    u8::try_from(code).expect("an exit code")
}

/// The binary, with its own stack and its own printing.
#[test]
fn spoilt_circuits_end_with_an_exit_code() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("a.cir");
    fed(15, 200, 9, netlist(), |text| {
        std::fs::write(&path, &text).expect("written");
        let ran = Gridleak::command("bias").path(&path).run();
        assert!((0..=3).contains(&ran.status), "{}", ran.stderr);
        assert!(!ran.stderr.contains("panicked"), "{}", ran.stderr);
        assert_eq!(ran.status == 0, !ran.stdout.is_empty(), "{}", ran.stderr);
        ran.status == 0
    });
}
