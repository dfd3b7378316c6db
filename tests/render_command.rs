//! `render` from the outside: files, variants, knobs, Ctrl-C, memory.

mod common;
#[path = "common/fidelity.rs"]
mod fidelity;

use common::{Gridleak, Netlist, Ran};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// A triode stage with a volume control.
const STAGE: &str = "triode stage
VIN in 0 DC 0 AC 1
VB b 0 300
RG in g 68k
RGL in 0 1meg
XV1 p g k 12AX7
RP b p 100k
RK k 0 1.5k
CK k 0 22u
CO p w 22n
XVOL w out 0 A1M knob=6
.model A1M pot(r=1meg taper=audio mid=0.15)
XBRIGHT w x toggle at=0
CB x out 120p
";

/// A pot and nothing else.
const POT: &str = "pot
VIN in 0 AC 1
XVOL in out 0 B10K
RL out 0 1e12
.model B10K pot(r=10k)
";

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().expect("a folder")
}

/// Writes a mono WAV of 32-bit floats.
fn wav(path: &Path, rate_hz: u32, samples: impl Iterator<Item = f64>) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate_hz,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    samples.for_each(|x| writer.write_sample(x as f32).unwrap());
    writer.finalize().unwrap();
}

fn samples(path: &Path) -> Vec<f64> {
    let reader = hound::WavReader::open(path).unwrap();
    let all = reader.into_samples::<f32>();
    all.map(|x| f64::from(x.unwrap())).collect()
}

fn sine(freq_hz: f64, rate_hz: f64, seconds: f64) -> impl Iterator<Item = f64> {
    let count = (seconds * rate_hz) as usize;
    (0..count).map(move |n| (std::f64::consts::TAU * freq_hz * n as f64 / rate_hz).sin())
}

/// What is in a folder, by name.
fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut names: Vec<String> = entries
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

fn render(netlist: &Netlist, clip: &Path, out: &Path) -> Gridleak {
    Gridleak::command("render")
        .path(netlist.path())
        .option("--probe", "v(out)")
        .option("--clip", clip.to_str().unwrap())
        .option("--out", out.to_str().unwrap())
}

#[track_caller]
fn fine(ran: Ran) -> Ran {
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    ran
}

/// A decaying chord, so that the loudest piece is not all there is.
fn chord(folder: &Path, seconds: f64) -> PathBuf {
    let path = folder.join("chord.wav");
    let tones = sine(196.0, 48e3, seconds)
        .zip(sine(1244.5, 48e3, seconds))
        .enumerate()
        .map(|(n, (a, b))| (0.7 * a + 0.3 * b) * (-4.0 * n as f64 / 48e3).exp());
    wav(&path, 48_000, tones);
    path
}

#[test]
fn variants_are_the_bytes_of_each_alone() {
    let (netlist, inputs, together, alone) = (Netlist::new(STAGE), folder(), folder(), folder());
    let clip = chord(inputs.path(), 0.25);
    let ran = fine(
        render(&netlist, &clip, &together.path().join("out.wav"))
            .option("--vary", "RK=1k,2k2")
            .option("--vary", "VOL=3,10")
            .run(),
    );
    let mut expected = Vec::new();
    for rk in ["1k", "2k2"] {
        for knob in ["3", "10"] {
            let name = format!("out-RK={rk}-VOL={knob}.wav");
            assert!(ran.stdout.contains(&name), "{}", ran.stdout);
            let one = alone.path().join(&name);
            fine(
                render(&netlist, &clip, &one)
                    .option("--set", format!("RK={rk}"))
                    .option("--knob", format!("VOL={knob}"))
                    .run(),
            );
            let read = |p: &Path| std::fs::read(p).unwrap();
            assert!(
                read(&one) == read(&together.path().join(&name)),
                "{name} differs from the same rendered alone"
            );
            expected.push(name);
        }
    }
    expected.sort();
    assert_eq!(names(together.path()), expected);
}

#[test]
fn a_bad_variant_leaves_nothing_behind() {
    let (netlist, inputs, outputs) = (Netlist::new(STAGE), folder(), folder());
    let clip = chord(inputs.path(), 0.1);
    let out = outputs.path().join("out.wav");
    for (vary, expected) in [
        ("VOLL=1,2", "did you mean `VOL`?"),
        ("BRIGT=0,1", "did you mean `BRIGHT`?"),
        ("RPP=1k,2k", "did you mean `RP`?"),
        ("VOL=1,11", "cannot be at 11"),
        ("BRIGHT=0,0.5", "cannot be at 0.5"),
        ("RP=100k,lots", "is `lots`, expected a number"),
        ("12AX7.mu=100,-1", "is -1, expected"),
        ("12AX7.mew=100,99", "no parameter"),
        ("RP=1k,1k", "has the value 1k twice"),
        ("RP=1k,,2k", "lacks a name or a value"),
        ("RP", "has no `=`"),
    ] {
        let ran = render(&netlist, &clip, &out).option("--vary", vary).run();
        assert_eq!(ran.status, 2, "{vary}: {}", ran.stderr);
        assert!(ran.stderr.contains(expected), "{vary}: {}", ran.stderr);
        assert_eq!(names(outputs.path()), [""; 0], "{vary}");
    }
    let both = render(&netlist, &clip, &out)
        .option("--vary", "RP=1k,2k")
        .option("--vary", "rp=3k,4k")
        .run();
    assert_eq!(both.status, 2);
    // One of the outputs cannot be made, so none is.
    std::fs::create_dir(outputs.path().join("out-VOL=2.wav")).unwrap();
    let ran = render(&netlist, &clip, &out)
        .option("--vary", "VOL=1,2")
        .run();
    assert_eq!(ran.status, 2, "{}", ran.stderr);
    assert_eq!(names(outputs.path()), ["out-VOL=2.wav"]);
}

/// What is heard of the difference from times 16 is what the estimate allows: the power of -70 dB at most, where
/// -60 are promised of the tone and -80 of what is added. (The need does not grow with the level: from a grid driven by
/// 300 V a step has one sharp corner, and divided there times 4 does; a grid driven by 3 V bends the wave all along.)
#[test]
fn oversampling_is_chosen_by_need() {
    let (netlist, inputs) = (Netlist::new(STAGE), folder());
    let clip = inputs.path().join("in.wav");
    let tones = sine(196.0, 48e3, 0.5).zip(sine(3951.0, 48e3, 0.5));
    wav(&clip, 48_000, tones.map(|(a, b)| 0.5 * (a + b)));
    let (out, json) = (inputs.path().join("out.wav"), inputs.path().join("o.json"));
    let of = |volts: &str, steps: &str| {
        let ran = fine(
            render(&netlist, &clip, &out)
                .option("--input-volts", volts)
                .option("--output-volts", "200")
                .option("--oversample", steps)
                .option("--json", json.to_str().unwrap())
                .run(),
        );
        let text = std::fs::read_to_string(&json).unwrap();
        let record: serde_json::Value = serde_json::from_str(&text).unwrap();
        (ran, record, samples(&out))
    };
    let chosen = |volts: &str| {
        let (ran, record, sound) = of(volts, "auto");
        let factor = record["oversample"].as_u64().unwrap();
        let line = format!("oversampling {factor} times");
        assert!(ran.stderr.contains(&line), "{}", ran.stderr);
        let (_, _, exact) = of(volts, "16");
        let off_db = fidelity::difference_db(&sound, &exact);
        let estimate_db = record["alias_estimate_db"].as_f64().unwrap();
        println!("{volts} V: {factor} at {estimate_db} dB, off by {off_db:.1} dB");
        assert!(estimate_db < -80.0 || factor == 16);
        assert!(off_db < -70.0, "{volts} V: {off_db:.1} dB");
        factor
    };
    assert_eq!(chosen("0.01"), 4);
    assert!(chosen("3") > 4);
    chosen("300");
}

/// What is chosen can be asked for by name: the sound is the same to the byte.
#[test]
fn coarse_steps_have_a_name() {
    let (netlist, inputs) = (Netlist::new(STAGE), folder());
    let clip = inputs.path().join("in.wav");
    wav(&clip, 48_000, sine(196.0, 48e3, 0.3));
    let of = |steps: Option<&str>| {
        let (out, json) = (inputs.path().join("o.wav"), inputs.path().join("o.json"));
        let json_path = json.to_str().unwrap();
        let run = render(&netlist, &clip, &out)
            .option("--input-volts", "1")
            .option("--json", json_path);
        fine(match steps {
            Some(steps) => run.option("--oversample", steps).run(),
            None => run.run(),
        });
        let record: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(json).unwrap()).unwrap();
        assert_eq!(record["oversample"], 4);
        let coarse = record["coarse"].as_bool().unwrap();
        (coarse, std::fs::read(out).unwrap())
    };
    let (chosen, sound) = of(None);
    assert!(chosen, "a stage that hardly clips needs no more");
    assert_eq!(of(Some("4-coarse")), (true, sound.clone()));
    let (coarse, finer) = of(Some("4"));
    assert!(!coarse && finer != sound);
}

/// Fixed bugs. Valves that act on each other by a few hundredths were solved one after the other, and what
/// that left out was never seen again: far into clipping Kirchhoff's laws missed by 60 times what is accepted.
/// Near a plate's knee (the stage) by 16 times, as the plate's last step was too long for a straight line; by 10
/// at a valve in cut-off (the power amplifier, 15 dB beyond clipping), as a kept inverse left 10 uV; by 6 at its
/// plates beyond that, where a plate near 0 V was let step by 40 mV, and by 3 where a kept inverse left a part of
/// what the other plate stepped by.
#[test]
fn every_rate_holds_far_into_clipping() {
    let inputs = folder();
    let (clip, out) = (inputs.path().join("in.wav"), inputs.path().join("out.wav"));
    let stage = Netlist::new(STAGE);
    let lapwing = Path::new(env!("CARGO_MANIFEST_DIR")).join("netlists/lapwing");
    let tones = sine(196.0, 48e3, 0.25).zip(sine(3951.0, 48e3, 0.25));
    let tones = tones.map(|(a, b)| 0.5 * (a + b));
    wav(&clip, 48_000, tones);
    for (netlist, probe, volts) in [
        (lapwing.join("overdrive_cascade.cir"), "v(out)", "10"),
        (lapwing.join("power_amp.cir"), "v(tap8)", "20"),
        (lapwing.join("power_amp.cir"), "v(tap8)", "30"),
        (lapwing.join("power_amp.cir"), "v(tap8)", "45"),
        (lapwing.join("power_amp.cir"), "v(tap8)", "60"),
        (stage.path().to_path_buf(), "v(out)", "300"),
    ] {
        for steps in ["4-coarse", "4", "8", "16"] {
            let ran = Gridleak::command("render")
                .path(&netlist)
                .option("--probe", probe)
                .option("--clip", clip.to_str().unwrap())
                .option("--input-volts", volts)
                .option("--oversample", steps)
                .option("--out", out.to_str().unwrap())
                .run();
            let held = ran.audit.as_deref().unwrap_or_default();
            assert!(
                held.contains("hold by Kirchhoff's laws"),
                "{netlist:?} {steps}: {}",
                ran.stderr
            );
        }
    }
}

/// A pot without anything around it: what comes out is the input times a ratio that is
/// known at every moment, so whatever the automation adds shows to the last digit.
#[test]
fn a_turned_knob_is_heard_and_nothing_else() {
    let (netlist, files) = (Netlist::new(POT), folder());
    let (clip, out) = (files.path().join("in.wav"), files.path().join("out.wav"));
    let points = files.path().join("points.csv");
    wav(&clip, 48_000, sine(440.0, 48e3, 1.0));
    std::fs::write(&points, "time_s,position\n0,0.5\n1,9.5\n").unwrap();
    for factor in ["1", "4"] {
        fine(
            render(&netlist, &clip, &out)
                .option("--input-volts", "1")
                .option("--output-volts", "1")
                .option("--oversample", factor)
                .option("--automate", format!("VOL={}", points.display()))
                .run(),
        );
        let found = samples(&out);
        assert_eq!(found.len(), 48_000);
        let mut worst = 0.0f64;
        // The clip starts and ends at once, which the resampler rings with: 5 ms each are out.
        for (n, (x, y)) in samples(&clip).iter().zip(&found).enumerate() {
            let ratio = 0.05 + 0.9 * n as f64 / 48e3;
            if (240..47_760).contains(&n) {
                worst = worst.max((y - ratio * x).abs());
            }
        }
        let worst_db = 20.0 * worst.log10();
        println!("factor {factor}: off by {worst_db:.1} dB at the most");
        assert!(worst_db < -110.0, "{worst_db} dB");
    }
}

#[test]
fn a_knob_that_stands_still_is_no_automation() {
    let (netlist, files) = (Netlist::new(STAGE), folder());
    let clip = chord(files.path(), 0.15);
    let points = files.path().join("points.csv");
    std::fs::write(&points, "0,6").unwrap();
    let play = |name: &str, automate: bool| {
        let out = files.path().join(name);
        let mut run = render(&netlist, &clip, &out)
            .option("--oversample", "8")
            .option("--output-volts", "100");
        if automate {
            run = run.option("--automate", format!("xvol={}", points.display()));
        }
        fine(run.run());
        samples(&out)
    };
    let (still, moved) = (play("a.wav", false), play("b.wav", true));
    let worst = still.iter().zip(&moved).map(|(a, b)| (a - b).abs());
    let worst = worst.fold(0.0, f64::max);
    println!("off by {worst:.2e} of full scale");
    // Floats have steps of 6e-8 there.
    assert!(worst < 2e-7, "{worst}");
}

#[test]
fn wrong_points_are_named_with_file_and_line() {
    let (netlist, files, outputs) = (Netlist::new(STAGE), folder(), folder());
    let clip = chord(files.path(), 0.05);
    let points = files.path().join("points.csv");
    std::fs::write(&points, "time_s,position\n0,1\n0.5,12\n").unwrap();
    let out = outputs.path().join("out.wav");
    let path = points.display();
    for (automate, expected) in [
        (
            format!("VOL={path}"),
            "points.csv`: line 3: expected a position of 0 to 10",
        ),
        (format!("VOL={path}x"), "points.csvx`: "),
        ("VOL".to_string(), "has no `=`"),
    ] {
        let ran = render(&netlist, &clip, &out)
            .option("--automate", &automate)
            .run();
        assert_eq!(ran.status, 2, "{automate}: {}", ran.stderr);
        assert!(ran.stderr.contains(expected), "{automate}: {}", ran.stderr);
    }
    std::fs::write(&points, "0,1\n").unwrap();
    let ran = render(&netlist, &clip, &out)
        .option("--automate", format!("VLO={path}"))
        .run();
    assert_eq!(ran.status, 2);
    assert!(ran.stderr.contains("did you mean `VOL`?"), "{}", ran.stderr);
    // A list that is longer than what is read was cut in silence.
    let file = std::fs::File::create(&points).unwrap();
    file.set_len((256 << 20) + 1).unwrap();
    let ran = render(&netlist, &clip, &out)
        .option("--automate", format!("VOL={path}"))
        .run();
    assert_eq!(ran.status, 2);
    let words = "points.csv`: it has more than 256 MiB";
    assert!(ran.stderr.contains(words), "{}", ran.stderr);
    assert_eq!(names(outputs.path()), [""; 0]);
}

/// BS.1770 counts a 997 Hz sine that reaches full scale at -3.01 LUFS in one channel (ITU-R
/// BS.1770-4, 2015, annex 1; from memory); -20 LUFS is 16.99 dB below.
#[test]
fn loudness_is_brought_to_what_is_asked() {
    let (netlist, files) = (Netlist::new(POT), folder());
    let (clip, out) = (files.path().join("in.wav"), files.path().join("out.wav"));
    wav(&clip, 48_000, sine(997.0, 48e3, 2.0));
    let ran = fine(
        render(&netlist, &clip, &out)
            .option("--loudness", "-20")
            .run(),
    );
    assert!(ran.stdout.contains("-20.0 LUFS"), "{}", ran.stdout);
    let found = samples(&out);
    let inner = &found[1000..95_000];
    let peak = inner.iter().fold(0.0, |a: f64, x| a.max(x.abs()));
    let peak_db = 20.0 * peak.log10();
    assert!((peak_db + 16.99).abs() < 0.05, "{peak_db} dB");
    for (options, expected) in [
        (&["--loudness", "3"][..], "expected -70 to 0"),
        (
            &["--loudness", "-9", "--output-volts", "1"],
            "both set the level",
        ),
    ] {
        let run = render(&netlist, &clip, &out);
        let ran = options.iter().fold(run, |run, o| run.arg(o)).run();
        assert_eq!(ran.status, 2);
        assert!(ran.stderr.contains(expected), "{}", ran.stderr);
    }
}

#[test]
fn a_cabinet_is_a_convolution_after_the_circuit() {
    let (netlist, files) = (Netlist::new(POT), folder());
    let [clip, out, response] = ["in.wav", "out.wav", "ir.wav"].map(|n| files.path().join(n));
    wav(&clip, 48_000, sine(440.0, 48e3, 0.2));
    // Half of the sound at once, and a quarter of it, turned over, 100 samples later.
    let taps = (0..101).map(|n| {
        [(0, 0.5), (100, -0.25)]
            .iter()
            .find(|t| t.0 == n)
            .map_or(0.0, |t| t.1)
    });
    wav(&response, 48_000, taps);
    let play = |cabinet: Option<&Path>| {
        let mut run = render(&netlist, &clip, &out)
            .option("--input-volts", "1")
            .option("--output-volts", "1");
        if let Some(path) = cabinet {
            run = run.option("--cabinet", path.to_str().unwrap());
        }
        fine(run.run());
        samples(&out)
    };
    let (plain, through) = (play(None), play(Some(&response)));
    assert_eq!(through.len(), plain.len());
    for (n, found) in through.iter().enumerate() {
        let before = n.checked_sub(100).map_or(0.0, |k| plain[k]);
        let expected = 0.5 * plain[n] - 0.25 * before;
        assert!(
            (found - expected).abs() < 1e-6,
            "sample {n}: {found}, {expected}"
        );
    }
    assert_ne!(play(Some(Path::new("built-in"))), plain);
    let ran = render(&netlist, &clip, &out)
        .option("--cabinet", "builtin")
        .run();
    assert_eq!(ran.status, 2);
    assert!(ran.stderr.contains("or `built-in`"), "{}", ran.stderr);
}

fn start(arguments: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_gridleak"))
        .args(arguments)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary starts")
}

/// Sends Ctrl-C to a run once its outputs are begun, and gives its end.
#[cfg(unix)]
fn broken_off(mut child: Child, folder: &Path) -> Ran {
    let begun = Instant::now();
    while !common::is_at_work(child.id(), folder) {
        assert!(begun.elapsed() < Duration::from_secs(60), "no file appears");
        assert_eq!(child.try_wait().unwrap(), None, "it ends by itself");
        std::thread::sleep(Duration::from_millis(5));
    }
    // Ctrl-C is watched for before the first file is made.
    let sent = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status();
    assert!(sent.unwrap().success());
    let output = child.wait_with_output().unwrap();
    Ran {
        audit: None,
        status: output.status.code().unwrap_or(-1),
        stdout: String::new(),
        stderr: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

#[cfg(unix)]
#[test]
fn ctrl_c_leaves_no_file() {
    let (netlist, inputs, outputs) = (Netlist::new(STAGE), folder(), folder());
    let clip = chord(inputs.path(), 120.0);
    let out = outputs.path().join("out.wav");
    let (net, clip, out) = (netlist.path().to_str(), clip.to_str(), out.to_str());
    let base = [
        "render",
        net.unwrap(),
        "--clip",
        clip.unwrap(),
        "--out",
        out.unwrap(),
        "--probe",
        "v(out)",
    ];
    for more in [&["--oversample", "16"][..], &["--vary", "VOL=1,2,3"]] {
        let child = start(&[&base[..], more].concat());
        let ran = broken_off(child, outputs.path());
        assert_eq!(ran.status, 130, "{}", ran.stderr);
        assert_eq!(ran.stderr, "error: interrupted: no file was written\n");
        assert_eq!(names(outputs.path()), [""; 0]);
    }
}

#[cfg(unix)]
#[test]
fn ctrl_c_ends_scope_too() {
    // A source that moves keeps the steps short: at rest the run is over too soon.
    let moving = STAGE.replace("VIN in 0 DC 0 AC 1", "VIN in 0 SIN(0 1 5k)");
    let (netlist, outputs) = (Netlist::new(&moving), folder());
    let csv = outputs.path().join("wave.csv");
    let child = start(&[
        "scope",
        netlist.path().to_str().unwrap(),
        "--stop",
        "1k",
        "--step",
        "1m",
        "--csv",
        csv.to_str().unwrap(),
    ]);
    let ran = broken_off(child, outputs.path());
    assert_eq!(ran.status, 130, "{}", ran.stderr);
    assert_eq!(ran.stderr, "error: interrupted: no file was written\n");
    assert_eq!(names(outputs.path()), [""; 0]);
}

/// The greatest memory of a run, KiB, read from the system while it runs.
#[cfg(target_os = "linux")]
fn peak_kib(netlist: &Netlist, clip: &Path, out: &Path) -> u64 {
    let mut child = start(&[
        "render",
        netlist.path().to_str().unwrap(),
        "--clip",
        clip.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--probe",
        "v(out)",
        "--oversample",
        "1",
        "--quiet",
    ]);
    let status = format!("/proc/{}/status", child.id());
    let mut peak = 0;
    while child.try_wait().unwrap().is_none() {
        let text = std::fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find_map(|l| l.strip_prefix("VmHWM:"));
        let kib = line.and_then(|l| l.trim().trim_end_matches(" kB").parse().ok());
        peak = peak.max(kib.unwrap_or(0));
        std::thread::sleep(Duration::from_millis(2));
    }
    assert!(child.wait().unwrap().success());
    peak
}

#[cfg(target_os = "linux")]
#[test]
fn memory_does_not_grow_with_the_clip() {
    let (netlist, files) = (Netlist::new(POT), folder());
    let peak = |seconds: f64| {
        let clip = files.path().join("in.wav");
        wav(&clip, 48_000, sine(440.0, 48e3, seconds));
        peak_kib(&netlist, &clip, &files.path().join("out.wav"))
    };
    let (short, long) = (peak(20.0), peak(120.0));
    println!("20 s: {short} KiB, 120 s: {long} KiB");
    assert!(
        short > 0 && long < short + 2048,
        "{short} KiB and {long} KiB"
    );
    assert!(long < 200 * 1024);
}

/// A clip is read by what it holds, whatever its name says, and that is said.
#[test]
fn a_clip_with_a_wrong_name_is_read_by_its_content() {
    let (netlist, files) = (Netlist::new(STAGE), folder());
    let (clip, out) = (files.path().join("riff.mp3"), files.path().join("out.wav"));
    wav(&clip, 8000, sine(440.0, 8e3, 0.05));
    let ran = render(&netlist, &clip, &out).run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    assert!(
        ran.stderr.contains("holds a WAV and is read as one"),
        "{}",
        ran.stderr
    );
    std::fs::write(&clip, b"ID3\x04\0\0 and so on").expect("written");
    let ran = render(&netlist, &clip, &out).run();
    assert_eq!(ran.status, 2, "{}", ran.stderr);
}
