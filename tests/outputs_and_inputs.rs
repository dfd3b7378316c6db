//! No output takes the place of a file that the run reads, by whatever name (found by attack:
//! nine of nine such runs destroyed the builder's work with exit code 0).
mod common;

use common::Gridleak;
use std::fs;
use std::path::Path;
use tempfile::TempDir;

const STAGE: &str = "\
A stage
.include parts.inc
VB b 0 250
VIN in 0 DC 0 AC 1 SIN(0 0.1 1k)
RG in 0 1meg
XV1A plate in cathode 12AX7
RK cathode 0 1.5k
XVOL plate out 0 A1M knob=5
.model A1M pot(r=1meg taper=audio)
.end
";

const SHEET: &str = "\
netlist = \"amp.cir\"
[[expect]]
figure = \"v(plate)\"
value = \"170 V\"
tolerance = \"50 %\"
origin = \"a guess\"
[[expect]]
figure = \"response of v(out) with from 100, to 1k, points-per-decade 1\"
file = \"gain.csv\"
tolerance = \"100 dB\"
origin = \"nothing\"
";

/// A folder with every kind of input, and second names of them.
fn place() -> TempDir {
    let place = tempfile::tempdir().unwrap();
    let at = |name: &str| place.path().join(name);
    fs::write(at("amp.cir"), STAGE).unwrap();
    fs::write(at("parts.inc"), "RP b plate 100k\n").unwrap();
    fs::write(at("amp.sheet.toml"), SHEET).unwrap();
    fs::write(at("gain.csv"), "frequency_hz,v(out).db\n100,30\n1000,30\n").unwrap();
    fs::write(at("turn.csv"), "0,0\n0.01,10\n").unwrap();
    for name in ["take.wav", "cabinet.wav"] {
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: 48000,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(at(name), spec).unwrap();
        (0..500).for_each(|k| writer.write_sample(((k * 700) % 9000) as i16).unwrap());
        writer.finalize().unwrap();
    }
    fs::hard_link(at("amp.cir"), at("second_name")).unwrap();
    #[cfg(unix)]
    std::os::unix::fs::symlink("parts.inc", at("link")).unwrap();
    place
}

fn contents(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let entries = fs::read_dir(folder).unwrap();
    let mut all: Vec<(String, Vec<u8>)> = entries
        .map(|e| e.unwrap().path())
        .map(|p| (p.display().to_string(), fs::read(&p).unwrap()))
        .collect();
    all.sort();
    all
}

/// Runs `words` with `@` before what lies in the folder; asks that it is refused.
#[track_caller]
fn refused(words: &str) {
    let place = place();
    let before = contents(place.path());
    let mut words = words.split_whitespace();
    let run = Gridleak::command(words.next().unwrap()).unaudited();
    let run = words.fold(run, |run, word| {
        let folder = format!("{}/", place.path().display());
        run.arg(word.replace('@', &folder))
    });
    let ran = run.run();
    assert_eq!(ran.status, 2, "{run:?} {}{}", ran.stdout, ran.stderr);
    let said = ["would write over it", "the run reads this file"];
    assert!(
        said.iter().any(|s| ran.stderr.contains(s)),
        "{}",
        ran.stderr
    );
    assert!(ran.stderr.contains("a name of its own"), "{}", ran.stderr);
    assert!(ran.stdout.is_empty(), "{}", ran.stdout);
    assert!(contents(place.path()) == before, "{run:?} changed a file");
}

#[test]
fn bug_outputs_destroyed_the_netlist_and_what_it_includes() {
    refused("bias @amp.cir --csv @amp.cir");
    refused("bias @amp.cir --json @parts.inc");
    refused("bias @second_name --json @amp.cir");
    refused("bias @amp.cir --csv @second_name");
    refused("scope @amp.cir --stop 1m --step 10u --probe v(out) --plot @amp.cir");
    refused("response @amp.cir --probe v(out) --plot @parts.inc");
    refused("noise @amp.cir --probe v(out) --csv @amp.cir");
    refused("distortion @amp.cir --probe v(out) --json @amp.cir");
    refused("feedback @amp.cir --element RK --values 1k --probe v(out) --csv @amp.cir");
    refused("vary @amp.cir --vary RK=1k,2k --figure v(plate) --plot @amp.cir");
    if cfg!(unix) {
        refused("bias @amp.cir --csv @link");
    }
}

#[test]
fn bug_outputs_destroyed_clip_cabinet_and_automation() {
    let render = "render @amp.cir --probe v(out) --clip @take.wav";
    refused(&format!("{render} --out @take.wav"));
    refused(&format!("{render} --out @amp.cir"));
    refused(&format!(
        "{render} --cabinet @cabinet.wav --out @cabinet.wav"
    ));
    refused(&format!("{render} --out @out.wav --csv @take.wav"));
    refused(&format!(
        "{render} --automate VOL=@turn.csv --out @out.wav --json @turn.csv"
    ));
    // A name that is made of the values.
    let place = place();
    let (clip, varied) = (
        place.path().join("take.wav"),
        place.path().join("x-RK=1k.wav"),
    );
    fs::rename(&clip, &varied).unwrap();
    let ran = Gridleak::command("render")
        .path(&place.path().join("amp.cir"))
        .option("--probe", "v(out)")
        .option("--vary", "RK=1k,2k")
        .option("--clip", varied.to_str().unwrap())
        .option("--out", place.path().join("x.wav").to_str().unwrap())
        .run();
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    assert!(
        ran.stderr.contains("the run reads this file"),
        "{}",
        ran.stderr
    );
}

#[test]
fn bug_check_wrote_over_its_sheets() {
    for output in ["csv", "json", "junit"] {
        for file in ["amp.sheet.toml", "amp.cir", "parts.inc", "gain.csv"] {
            refused(&format!("check @amp.sheet.toml --{output} @{file}"));
        }
    }
}

#[test]
fn what_is_only_written_may_be_written_again() {
    let place = place();
    for _ in 0..2 {
        let ran = Gridleak::command("bias")
            .path(&place.path().join("amp.cir"))
            .option("--csv", place.path().join("out.csv").to_str().unwrap())
            .run();
        assert_eq!(ran.status, 0, "{}", ran.stderr);
    }
    let ran = Gridleak::command("check")
        .path(&place.path().join("amp.sheet.toml"))
        .arg("--record")
        .arg("--overwrite")
        .run();
    assert_eq!(ran.status, 0, "{}{}", ran.stdout, ran.stderr);
}

#[test]
fn bug_a_name_that_ends_in_a_slash_wrote_a_file() {
    let place = place();
    for name in ["x.csv/", "x.csv/."] {
        let ran = Gridleak::command("bias")
            .path(&place.path().join("amp.cir"))
            .option("--csv", format!("{}/{name}", place.path().display()))
            .run();
        assert_eq!(ran.status, 2, "{name}: {}", ran.stderr);
        assert!(ran.stderr.contains("x.csv`"), "{}", ran.stderr);
        assert!(!place.path().join("x.csv").exists());
    }
}

/// The table of `spread` is staged apart from the rest, because it stays if the run is broken off.
#[test]
fn bug_spread_put_two_outputs_in_one_file() {
    let place = place();
    for other in ["--json", "--plot"] {
        let one = place.path().join("one.out");
        let one = one.to_str().unwrap();
        let before = contents(place.path());
        let ran = Gridleak::command("spread")
            .path(&place.path().join("amp.cir"))
            .option("--runs", "2")
            .option("--seed", "1")
            .option("--figure", "v(plate)")
            .option("--csv", one)
            .option(other, one)
            .unaudited()
            .run();
        assert_eq!(ran.status, 2, "{}{}", ran.stdout, ran.stderr);
        assert!(ran.stderr.contains("one.out"), "{}", ran.stderr);
        assert!(contents(place.path()) == before, "{other} changed a file");
    }
}

#[test]
fn bug_vary_without_a_solution_wrote_its_files() {
    let place = place();
    let at = |name: &str| place.path().join(name);
    fs::write(
        at("bad.cir"),
        "No solution\nV1 a 0 1\nR1 a b 1\nB1 b 0 I=exp(v(b)*1e6)-v(c)*1e9\nR2 c 0 1\n\
         B2 c 0 I=v(c)*v(c)*1e9+1+v(b)*v(b)\n.end\n",
    )
    .unwrap();
    fs::write(at("old.csv"), "old").unwrap();
    let ran = Gridleak::command("vary")
        .path(&at("bad.cir"))
        .option("--vary", "R1=1,2")
        .option("--figure", "v(b)")
        .option("--csv", at("old.csv").to_str().unwrap())
        .option("--plot", at("new.svg").to_str().unwrap())
        .option("--json", at("new.json").to_str().unwrap())
        .run();
    assert_eq!(ran.status, 3, "{}{}", ran.stdout, ran.stderr);
    assert_eq!(fs::read(at("old.csv")).unwrap(), b"old");
    assert!(!at("new.svg").exists() && !at("new.json").exists());
}

#[cfg(target_os = "linux")]
#[test]
fn bug_outputs_followed_a_folder_that_became_a_link() {
    let place = place();
    let at = |name: &str| place.path().join(name);
    for name in ["box", "box/results", "elsewhere"] {
        fs::create_dir(at(name)).unwrap();
    }
    fs::copy(at("amp.cir"), at("box/amp.cir")).unwrap();
    fs::copy(at("parts.inc"), at("box/parts.inc")).unwrap();
    let child = std::process::Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .args([
            "scope",
            "box/amp.cir",
            "--sandbox",
            "box",
            "--stop",
            "0.6",
            "--step",
            "100u",
        ])
        .args([
            "--probe",
            "v(out)",
            "--quiet",
            "--csv",
            "box/results/out.csv",
        ])
        .current_dir(place.path())
        .spawn()
        .unwrap();
    let begun = std::time::Instant::now();
    while !common::is_at_work(child.id(), &at("box/results")) {
        assert!(begun.elapsed().as_secs() < 30, "no file appears");
        std::thread::sleep(std::time::Duration::from_millis(1));
    }
    fs::rename(at("box/results"), at("box/moved")).unwrap();
    std::os::unix::fs::symlink(at("elsewhere"), at("box/results")).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success());
    assert_eq!(fs::read_dir(at("elsewhere")).unwrap().count(), 0);
    assert!(at("box/moved/out.csv").exists());
}
