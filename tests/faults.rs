//! Faults under way, real ones: small disks, limits of the system, signals, files that change.
//! Whatever happens there is one clear message, the old result is kept byte for byte, and
//! nothing else is left. What the system forbids to try is said to be skipped.
#![cfg(target_os = "linux")]
mod common;

use common::{Gridleak, Netlist};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

const TOOL: &str = env!("CARGO_BIN_EXE_gridleak");

fn clean_stage() -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("netlists/lapwing/clean_stage.cir");
    path.to_str().expect("UTF-8").to_string()
}

/// A folder with an old result in each form.
struct Place(tempfile::TempDir);

const OLD: &[u8] = b"the old result\n";

impl Place {
    fn new() -> Self {
        let place = Place(tempfile::tempdir().expect("a folder"));
        for name in ["a.csv", "a.json", "a.svg", "a.wav"] {
            fs::write(place.at(name), OLD).expect("written");
        }
        place
    }

    fn at(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// Asserts that all is as it was.
    #[track_caller]
    fn is_untouched(&self) {
        let mut names: Vec<String> = fs::read_dir(self.0.path())
            .expect("read")
            .map(|e| {
                e.expect("an entry")
                    .file_name()
                    .into_string()
                    .expect("UTF-8")
            })
            .collect();
        names.sort();
        assert_eq!(names, ["a.csv", "a.json", "a.svg", "a.wav"]);
        for name in names {
            assert_eq!(fs::read(self.at(&name)).expect("read"), OLD, "{name}");
        }
    }

    /// Runs a shell's words here; `$G` is the tool, `$S` a netlist.
    fn shell(&self, script: &str) -> Output {
        self.shell_under(&["sh"], script)
    }

    fn shell_under(&self, shell: &[&str], script: &str) -> Output {
        Command::new(shell[0])
            .args(&shell[1..])
            .args(["-c", script])
            .current_dir(self.0.path())
            .env("G", TOOL)
            .env("S", clean_stage())
            .env_remove("RUST_BACKTRACE")
            .output()
            .expect("a shell")
    }
}

/// Waveforms of 2000 rows in every form.
const SCOPE: &str = "$G scope $S --quiet --from 0 --stop 2m --step 1u";
/// The same without end.
const ENDLESS: [&str; 6] = ["--from", "0", "--stop", "1000", "--step", "1"];

fn told(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// Asserts one message with a remedy and exit code 2.
#[track_caller]
fn refused(output: &Output, words: &str) {
    let told = told(output);
    assert_eq!(output.status.code(), Some(2), "{told}");
    assert!(told.starts_with("error: "), "{told}");
    assert_eq!(told.matches("error: ").count(), 1, "{told}");
    assert!(told.contains(words), "{words}: {told}");
    assert!(told.contains("\nhint: "), "{told}");
}

/// A shell in which file systems can be mounted, or a word that there is none.
fn mounting() -> Option<&'static [&'static str]> {
    const SHELLS: [&[&str]; 2] = [&["unshare", "-m", "sh"], &["unshare", "-rm", "sh"]];
    let works = |shell: &&&[&str]| {
        let tried = Command::new(shell[0])
            .args(&shell[1..])
            .args(["-c", "mount -t tmpfs -o size=64k none /tmp"])
            .output();
        tried.is_ok_and(|o| o.status.success())
    };
    let found = SHELLS.iter().find(works).copied();
    if found.is_none() {
        eprintln!("skipped: this system lets nobody mount a small disk");
    }
    found
}

/// Mounts a disk of 64 KiB at `m` with old results on it, does something there and prints what
/// is on it, whatever came of it.
fn on_small_disk(prepare: &str, run: &str) -> Option<(Place, Output)> {
    let place = Place::new();
    let script = format!(
        "mkdir m && mount -t tmpfs -o size=64k none m || exit 99
         cp a.csv a.json a.svg a.wav m
         {prepare}
         {run}
         code=$?
         rm -f m/fill
         ls -A m; cat m/a.csv m/a.json m/a.svg m/a.wav
         umount m; rmdir m
         exit $code"
    );
    let output = place.shell_under(mounting()?, &script);
    assert_ne!(output.status.code(), Some(99), "{}", told(&output));
    Some((place, output))
}

#[test]
fn a_full_disk_changes_nothing() {
    let old = String::from_utf8_lossy(OLD);
    let untouched = format!("a.csv\na.json\na.svg\na.wav\n{}", old.repeat(4));
    for (prepare, run) in [
        ("", &*format!("{SCOPE} --csv m/a.csv")),
        (
            "",
            &format!("{SCOPE} --csv m/a.csv --json m/a.json --plot m/a.svg"),
        ),
        // On the other disk there is room.
        (
            "",
            &format!("{SCOPE} --csv a.csv --plot a.svg --json m/a.json"),
        ),
        ("", "$G render $S --out m/a.wav --quiet --oversample 1"),
        (
            "",
            "$G response $S --points-per-decade 1000 --csv m/a.csv --quiet",
        ),
        (
            "dd if=/dev/zero of=m/fill bs=1k count=70 2>dd.log; rm dd.log",
            "$G bias $S --csv m/a.csv --json m/a.json --quiet",
        ),
    ] {
        let Some((place, output)) = on_small_disk(prepare, run) else {
            return;
        };
        let all = told(&output);
        let last = all.rfind("error: ").unwrap_or(0);
        assert_eq!(output.status.code(), Some(2), "{run}: {all}");
        assert!(all[last..].contains("no space left"), "{run}: {all}");
        assert!(all[last..].contains("\nhint: make room"), "{run}: {all}");
        assert_eq!(String::from_utf8_lossy(&output.stdout), untouched, "{run}");
        place.is_untouched();
    }
}

#[test]
fn a_full_folder_for_temporary_files_is_told() {
    let run = format!(
        "dd if=/dev/zero of=m/fill bs=1k count=70 2>dd.log; rm dd.log
         TMPDIR=$PWD/m {SCOPE} --csv - >out; code=$?; test -s out && exit 98; rm out; (exit $code)"
    );
    let Some((place, output)) = on_small_disk("", &run) else {
        return;
    };
    refused(&output, "cannot write standard output");
    assert!(told(&output).contains("TMPDIR"));
    place.is_untouched();
}

#[test]
fn a_read_only_disk_is_told() {
    let prepare = "mount -o remount,ro m";
    for target in ["m/a.csv", "m/new.csv"] {
        let run = format!("$G bias $S --quiet --csv {target}");
        let Some((place, output)) = on_small_disk(prepare, &run) else {
            return;
        };
        refused(&output, "the file system is read-only");
        place.is_untouched();
    }
}

/// Root may write anywhere unless it gives that right away.
fn without_rights() -> Vec<&'static str> {
    let is_root = Command::new("id")
        .arg("-u")
        .output()
        .is_ok_and(|o| o.stdout.starts_with(b"0"));
    if is_root {
        vec!["setpriv", "--bounding-set", "-all", "sh"]
    } else {
        vec!["sh"]
    }
}

#[test]
fn what_cannot_be_written_is_told() {
    let place = Place::new();
    for (target, words) in [
        ("/", "it is a directory"),
        ("no/where.csv", "there is no directory `no`"),
        ("a.csv/b.csv", "a.csv"),
        ("", "found nothing"),
    ] {
        for more in ["", " --json a.json", " --plot a.svg --json a.json"] {
            let run = format!("{SCOPE} --csv '{target}'{more}");
            refused(&place.shell(&run), words);
            place.is_untouched();
        }
    }
    for run in [
        format!("{SCOPE} --csv a.csv --json ./a.csv"),
        format!("{SCOPE} --csv a.csv --plot a.svg --json no/a.json"),
        "$G check $S --csv a.csv --junit no/a.xml".to_string(),
        "$G render $S --out no/a.wav --json a.json".to_string(),
    ] {
        refused(&place.shell(&run), "cannot write");
        place.is_untouched();
    }
}

#[test]
fn missing_rights_are_told() {
    let place = Place::new();
    for (forbid, allow, target) in [
        ("chmod 555 .", "chmod 755 .", "a.csv"),
        ("chmod 555 .", "chmod 755 .", "new.csv"),
        ("chmod 444 a.csv", "chmod 644 a.csv", "a.csv"),
    ] {
        let run =
            format!("{forbid}; {SCOPE} --json a.json --csv {target}; code=$?; {allow}; exit $code");
        refused(
            &place.shell_under(&without_rights(), &run),
            "permission denied",
        );
        place.is_untouched();
    }
    let run = "cp $S n.cir; chmod 0 n.cir; $G bias n.cir; code=$?; rm n.cir; exit $code";
    refused(
        &place.shell_under(&without_rights(), run),
        "permission denied",
    );
}

#[test]
fn a_limit_on_the_size_of_files_is_told() {
    let place = Place::new();
    for run in [
        format!("{SCOPE} --csv a.csv"),
        format!("{SCOPE} --csv a.csv --json a.json --plot a.svg"),
        "$G bias $S --quiet --csv a.csv".to_string(),
        "$G render $S --quiet --oversample 1 --out a.wav".to_string(),
    ] {
        // In blocks of 512 or 1024 bytes, as shells differ.
        let output = place.shell(&format!("ulimit -f 1; {run}"));
        refused(&output, "larger than files may be");
        place.is_untouched();
    }
}

#[test]
fn too_many_open_files_are_told() {
    let place = Place::new();
    let versions = "--vary RK1=1k,1.1k,1.2k,1.3k,1.5k,1.8k,2k,2.2k";
    let run = format!("$G render $S --quiet --oversample 1 --out new.wav {versions}");
    for most in [5, 6, 9, 12] {
        let output = place.shell(&format!("ulimit -n {most}; {run}"));
        refused(&output, "too many files are open");
        assert!(!told(&output).contains(".tmp"), "{}", told(&output));
        place.is_untouched();
    }
    let output = place.shell("ulimit -n 4; $G bias $S --quiet --csv a.csv");
    refused(&output, "too many files are open");
}

/// What the loader takes for the binary, some 16 MB, and a little more, KiB.
const LEAST_KIB: u32 = 17_500;

/// Where memory ends an allocation cannot fail with a message, so room is asked for before.
#[test]
fn a_limit_on_memory_is_told() {
    let place = Place::new();
    let mut text = String::from("t\nV1 n0 0 1\n");
    for k in 0..20_000 {
        text += &format!("R{k} n{k} n{} 1\n", k + 1);
    }
    text += "RL n20000 0 1\n";
    let large = Netlist::new(&text);
    let large = large.path().to_str().expect("UTF-8");
    let (mut refusals, mut successes) = (0, 0);
    for (kib, run) in [
        (
            LEAST_KIB,
            "$G scope $S --quiet --from 0 --stop 1 --step 1u --csv a.csv".to_string(),
        ),
        (
            80_000,
            "$G scope $S --quiet --from 0 --stop 10 --step 1u --csv a.csv".to_string(),
        ),
        (
            400_000,
            "$G scope $S --quiet --from 0 --stop 50 --step 1u --csv a.csv".to_string(),
        ),
        (
            60_000,
            "$G scope $S --quiet --from 0 --stop 200m --step 1u --json a.json".to_string(),
        ),
        (LEAST_KIB, "$G render $S --quiet --out a.wav".to_string()),
        (LEAST_KIB, "$G check ${S%.cir}.sheet.toml".to_string()),
        (LEAST_KIB, format!("$G bias {large} --csv a.csv")),
        (36_000, format!("$G bias {large} --csv a.csv")),
        (60_000, format!("$G bias {large} --csv a.csv")),
        (60_000, format!("{SCOPE} --csv /dev/null")),
        (200_000, format!("$G bias {large} --quiet")),
        (30_000, "$G bias $S --quiet".to_string()),
    ] {
        let output = place.shell(&format!("ulimit -v {kib}; {run}"));
        match output.status.code() {
            Some(0) => successes += 1,
            _ => {
                refused(&output, "not enough memory");
                refusals += 1;
            }
        }
        place.is_untouched();
    }
    assert_eq!((refusals, successes), (9, 3));
}

/// The tool at work, its outputs staged.
fn at_work(place: &Place, arguments: &[&str]) -> Child {
    let child = Command::new(TOOL)
        .args(arguments)
        .current_dir(place.0.path())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary starts");
    let begun = Instant::now();
    while !common::is_at_work(child.id(), place.0.path()) {
        assert!(begun.elapsed() < Duration::from_secs(60), "never at work");
        std::thread::sleep(Duration::from_millis(2));
    }
    child
}

fn send(child: &Child, signal: &str) {
    let id = child.id().to_string();
    let sent = Command::new("kill").args(["-s", signal, &id]).status();
    assert!(sent.expect("kill").success());
}

/// Stops it, does something, lets it go on to its end.
fn meanwhile(child: Child, change: impl FnOnce()) -> Output {
    send(&child, "STOP");
    change();
    send(&child, "CONT");
    child.wait_with_output().expect("an end")
}

#[test]
fn signals_leave_everything_as_it_was() {
    let stage = clean_stage();
    for (signal, code) in [
        ("INT", Some(130)),
        ("TERM", Some(143)),
        ("HUP", Some(129)),
        ("KILL", None),
    ] {
        let place = Place::new();
        let mut arguments = vec!["scope", &stage, "--csv", "a.csv", "--plot", "a.svg"];
        arguments.extend(ENDLESS);
        let child = at_work(&place, &arguments);
        let begun = Instant::now();
        send(&child, signal);
        let output = child.wait_with_output().expect("an end");
        assert_eq!(output.status.code(), code, "{signal}: {}", told(&output));
        assert!(begun.elapsed() < Duration::from_secs(10), "{signal}");
        if code.is_some() {
            let message = "error: interrupted: no file was written\n";
            assert!(told(&output).ends_with(message), "{}", told(&output));
        }
        place.is_untouched();
    }
}

#[test]
fn every_long_command_ends_at_a_signal() {
    let stage = clean_stage();
    let place = Place::new();
    let begun = Instant::now();
    for arguments in [
        &["render", &stage, "--out", "a.wav", "--oversample", "16"][..],
        &[
            "distortion",
            &stage,
            "--csv",
            "a.csv",
            "--level",
            "1m..30/1000",
        ],
        &[
            "response",
            &stage,
            "--csv",
            "a.csv",
            "--points-per-decade",
            "200000",
        ],
    ] {
        let child = at_work(&place, arguments);
        send(&child, "INT");
        let output = child.wait_with_output().expect("an end");
        assert_eq!(
            output.status.code(),
            Some(130),
            "{arguments:?} {}",
            told(&output)
        );
        place.is_untouched();
    }
    assert!(begun.elapsed() < Duration::from_secs(60));
}

#[test]
fn time_that_is_used_up_is_told() {
    let place = Place::new();
    let endless = format!("$G scope $S --csv a.csv --quiet {}", ENDLESS.join(" "));
    let output = place.shell(&format!("ulimit -S -t 1; {endless}"));
    assert_eq!(output.status.code(), Some(152), "{}", told(&output));
    assert!(told(&output).contains("processor time allowed is used up"));
    place.is_untouched();
    let begun = Instant::now();
    let output = place.shell(&format!("{endless} --limit seconds=1"));
    refused(&output, "given up after 1 s");
    assert!(begun.elapsed() < Duration::from_secs(10));
    place.is_untouched();
    // Work that nobody asks whether to go on ends as well.
    let output = place.shell("$G bias $S --csv a2.csv --limit seconds=100 --quiet && rm a2.csv");
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    place.is_untouched();
}

/// Some tenths of a second of work.
const A_WHILE: [&str; 6] = ["--from", "0", "--stop", "1", "--step", "10u"];

#[test]
fn a_target_that_goes_or_changes_during_the_run() {
    let stage = clean_stage();
    let run = |place: &Place, change: &dyn Fn()| {
        let mut arguments = vec!["scope", &stage, "--csv", "to/new.csv", "--plot", "a.svg"];
        arguments.extend(A_WHILE);
        fs::create_dir(place.at("to")).expect("made");
        fs::write(place.at("to/new.csv"), OLD).expect("written");
        meanwhile(at_work(place, &arguments), change)
    };
    let place = Place::new();
    let output = run(&place, &|| {
        fs::remove_file(place.at("to/new.csv")).expect("gone")
    });
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert!(common::Table::read(&place.at("to/new.csv")).is_ok());

    let place = Place::new();
    let output = run(&place, &|| {
        fs::remove_dir_all(place.at("to")).expect("gone")
    });
    refused(&output, "there is no directory");
    place.is_untouched();

    let place = Place::new();
    let output = run(&place, &|| {
        fs::remove_file(place.at("to/new.csv")).expect("gone");
        fs::create_dir(place.at("to/new.csv")).expect("made");
    });
    refused(&output, "it is a directory");
    fs::remove_dir(place.at("to/new.csv")).expect("empty");
    fs::remove_dir(place.at("to")).expect("empty");
    place.is_untouched();
}

#[test]
fn a_netlist_that_is_replaced_during_the_run_changes_nothing() {
    let place = Place::new();
    let run = |change: &dyn Fn()| {
        fs::copy(clean_stage(), place.at("n.cir")).expect("copied");
        let mut arguments = vec!["scope", "n.cir", "--csv", "new.csv"];
        arguments.extend(A_WHILE);
        let output = meanwhile(at_work(&place, &arguments), change);
        assert_eq!(output.status.code(), Some(0), "{}", told(&output));
        fs::read(place.at("new.csv")).expect("read")
    };
    let alone = run(&|| ());
    let disturbed = run(&|| fs::write(place.at("n.cir"), "t\nnonsense\n").expect("written"));
    assert!(alone == disturbed);
}

/// A WAV file of a saw tooth (RIFF, "Multimedia Programming Interface and Data Specifications 1.0",
/// IBM and Microsoft, 1991, from memory).
fn write_clip(path: &Path, samples: u32) {
    let mut bytes = Vec::new();
    bytes.extend(b"RIFF");
    bytes.extend((36 + 2 * samples).to_le_bytes());
    bytes.extend(b"WAVEfmt \x10\0\0\0\x01\0\x01\0\x80\xbb\0\0\0\x77\x01\0\x02\0\x10\0data");
    bytes.extend((2 * samples).to_le_bytes());
    for n in 0..samples {
        bytes.extend(((n * 97 % 2000) as i16).to_le_bytes());
    }
    fs::write(path, bytes).expect("written");
}

#[test]
fn a_clip_that_shrinks_during_the_render_is_told() {
    let stage = clean_stage();
    let place = Place::new();
    let clips = tempfile::tempdir().expect("a folder");
    let clip = clips.path().join("in.wav");
    let name = clip.to_str().expect("UTF-8");
    for kept in [0, 20, 44, 100_000] {
        write_clip(&clip, 240_000);
        let arguments = [
            "render",
            &stage,
            "--clip",
            name,
            "--out",
            "a.wav",
            "--oversample",
            "8",
        ];
        let child = at_work(&place, &arguments);
        let output = meanwhile(child, || {
            let file = fs::File::options().write(true).open(&clip).expect("there");
            file.set_len(kept).expect("cut");
        });
        let told = told(&output);
        assert_eq!(output.status.code(), Some(2), "{kept}: {told}");
        assert!(
            told.contains(&format!("error: `{name}`: ")),
            "{kept}: {told}"
        );
        place.is_untouched();
    }
}

#[test]
fn pipes_devices_and_folders_are_no_inputs() {
    let place = Place::new();
    let inputs = tempfile::tempdir().expect("a folder");
    let at = |name: &str| inputs.path().join(name);
    let made = Command::new("mkfifo").arg(at("pipe")).status();
    assert!(made.expect("mkfifo").success());
    fs::create_dir(at("folder")).expect("made");
    for name in ["pipe", "folder", "/dev/zero", "/dev/tty"] {
        let input = at(name);
        let input = input.display();
        let netlist = Netlist::new(&format!("t\nV1 a 0 1\nR1 a 0 1\n.include {input}\n"));
        let netlist = netlist.path().display();
        for run in [
            format!("$G render $S --clip {input} --out a.wav"),
            format!("$G render $S --cabinet {input} --out a.wav"),
            format!("$G render $S --automate VOLUME={input} --out a.wav"),
            format!("$G bias {input} --csv a.csv"),
            format!("$G bias {netlist} --csv a.csv"),
            format!("$G check {input}/x.sheet.toml {input} --csv a.csv"),
        ] {
            let begun = Instant::now();
            let output = place.shell(&format!("timeout 20 {run}"));
            let told = told(&output);
            assert_eq!(output.status.code(), Some(2), "{run}: {told}");
            assert!(told.contains("error: "), "{run}: {told}");
            assert!(begun.elapsed() < Duration::from_secs(15), "{run}");
            if !run.contains("check") {
                place.is_untouched();
            }
        }
        let _ = fs::write(place.at("a.csv"), OLD);
    }
}

/// A ladder of 10 000 nodes through every command: an answer or an honest refusal, in time.
#[test]
fn ten_thousand_nodes_are_answered_or_refused() {
    let mut text = String::from("t\nV1 n0 0 DC 0 AC 1 SIN(0 0.1 440)\n");
    for k in 0..10_000 {
        let next = k + 1;
        text += &format!("R{k} n{k} n{next} 1\nC{k} n{next} 0 1p\n");
    }
    text += "RL n10000 0 10k\n";
    let netlist = Netlist::new(&text);
    let folder = tempfile::tempdir().expect("a folder");
    let out = |name: &str| folder.path().join(name).display().to_string();
    let sheet = netlist.path().with_file_name("large.sheet.toml");
    let mut file = fs::File::create(&sheet).expect("made");
    file.write_all(
        b"netlist = \"netlist.cir\"\n\
          [[expect]]\nfigure = \"gain of v(n10000) with frequency 10\"\nvalue = \"-6.02 dB\"\ntolerance = \"0.1 dB\"\n",
    )
    .expect("written");
    let refusal = "10001 capacitors, windings, sources and valves";
    let run = |name: &str| Gridleak::command(name).path(netlist.path());
    let probed = |name: &str| run(name).option("--probe", "v(n10000)");
    for (run, refused) in [
        (run("bias"), false),
        (
            probed("scope")
                .option("--stop", "50u")
                .option("--step", "10u"),
            false,
        ),
        (probed("response").option("--points-per-decade", "3"), false),
        (probed("noise").option("--points-per-decade", "3"), false),
        (probed("distortion").option("--level", "0.1"), false),
        (
            probed("distortion")
                .option("--level", "0.1")
                .option("--limit", "stores=10000"),
            true,
        ),
        (
            probed("feedback")
                .option("--element", "R5")
                .option("--values", "open,10k"),
            false,
        ),
        (
            probed("render")
                .option("--out", out("x.wav"))
                .option("--limit", "stores=10000"),
            true,
        ),
        (
            run("vary")
                .option("--vary", "RL=1,2")
                .option("--figure", "v(n5)"),
            false,
        ),
        (Gridleak::command("check").path(&sheet), false),
    ] {
        let begun = Instant::now();
        let ran = run.run();
        println!("{:.1} s: {run:?}", begun.elapsed().as_secs_f64());
        assert!(begun.elapsed() < Duration::from_secs(60), "{run:?}");
        assert_eq!(
            ran.status,
            if refused { 2 } else { 0 },
            "{run:?}: {:.900}",
            ran.stderr
        );
        assert_eq!(
            ran.stderr.contains(refusal),
            refused,
            "{run:?}: {:.900}",
            ran.stderr
        );
        if refused {
            assert!(
                ran.stderr.contains("--limit stores=NUMBER"),
                "{:.900}",
                ran.stderr
            );
        }
    }
    assert_eq!(fs::read_dir(folder.path()).expect("read").count(), 0);
}
