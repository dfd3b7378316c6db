//! `fit` given what a builder may give it by mistake: it says which file, line and column, and never
//! makes a verdict of it. Found by going through its command line by hand.

mod common;

use common::{Gridleak, Ran};
use std::path::PathBuf;

struct Desk(tempfile::TempDir);

const STAGE: &str = "A stage\nVB b 0 300\nRA b p 100k ; tol=1%\nVG g 0 0\nRK k 0 1.5k ; tol=1%\n\
                     XV1A p g k 12AX7\n.end\n";
const PAIR: &str = "A pair\nVB b 0 250\nVIN in 0 0 AC 1\nE1 g2 0 0 in 1\nRK k 0 130\nRA b p1 1k\n\
                    RB b p2 1k\nXV4 p1 b in k EL34\nXV5 p2 b g2 k 6BQ5\n.end\n";

impl Desk {
    fn new() -> Self {
        Desk(tempfile::tempdir().expect("a folder"))
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn write(&self, name: &str, text: impl AsRef<[u8]>) -> String {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().expect("in a folder")).unwrap();
        std::fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_string()
    }

    fn fit(&self, words: &[&str]) -> Ran {
        let mut run = Gridleak::command("fit");
        for word in words {
            run = run.arg(word);
        }
        run.unaudited().run()
    }

    /// Fits a 12AX7 to a table.
    fn table(&self, text: impl AsRef<[u8]>, more: &[&str]) -> Ran {
        let (readings, out) = (self.write("mine.csv", text), self.path("mine.cir"));
        let out = out.to_str().unwrap().to_string();
        let words = ["12AX7", &readings, "--name", "MINE", "--out", &out];
        self.fit(&[&words[..], more].concat())
    }

    /// Fits the valve of a stage to volts read in it.
    fn volts(&self, rows: &str) -> Ran {
        let amp = self.write("amp.cir", STAGE);
        let table = format!("probe,value\n{rows}");
        self.table(table, &["--netlist", &amp, "--valve", "XV1A"])
    }

    /// A drawer of two EL84.
    fn drawer(&self) -> String {
        let head = "# my own\nvpk,vg2k,vgk,plate_current,screen_current\n";
        self.write("drawer/1.csv", format!("{head}250,250,-7.3,48m,5.4m\n"));
        self.write("drawer/2.csv", format!("{head}250,250,-7.3,50m,5.5m\n"));
        self.path("drawer").to_str().unwrap().to_string()
    }
}

fn refused(ran: &Ran, words: &[&str]) {
    assert_eq!(ran.status, 2, "{ran:?}");
    assert!(ran.stderr.contains("hint: "), "{ran:?}");
    for word in words {
        assert!(ran.stderr.contains(word), "{word}: {ran:?}");
    }
}

#[test]
fn what_cannot_be_read_is_named() {
    let desk = Desk::new();
    let head = "vpk,vgk,plate_current\n";
    refused(
        &desk.table(b"vpk,vgk,plate_current\n250,-2,1\xb5\n", &[]),
        &["mine.csv`", "line 2, column 9", "UTF-8"],
    );
    let out = desk.path("mine.csv");
    let over = desk.table(
        format!("{head}250,-2,1m\n"),
        &["--csv", out.to_str().unwrap()],
    );
    refused(&over, &["cannot read", "mine.csv`", "`--csv`"]);
    refused(&desk.table("", &[]), &["mine.csv, line 1", "no readings"]);
    let cut = desk.table(format!("{head}250,-2,0,0011\n"), &[]);
    refused(&cut, &["line 2", "has 4 values", "semicolons"]);
    assert!(!desk.path("mine.cir").exists());
    let fine = desk.table("vpk\tvgk\tplate_current\n250\t-2,0\t0,0011\n", &[]);
    assert_eq!(fine.status, 0, "{fine:?}");
}

/// A fixed bug: readings without a current made a model that is known to 0 %, and had no tolerance.
#[test]
fn readings_without_current_teach_nothing() {
    let desk = Desk::new();
    let head = "vpk,vgk,plate_current\n";
    for row in [
        "0,0,0",
        "0,-1,0",
        "0.001,0,1e-9",
        "250,-20,1e-6",
        "250,-20,0",
        "-10,0,0",
    ] {
        let ran = desk.table(format!("{head}{row}\n"), &[]);
        refused(&ran, &["line 2", "say nothing of the valve", "2.33 mA"]);
    }
    let words = "vpk,vg2k,vgk,plate_current,screen_current\n0,0,0,0,0\n";
    let zeros = desk.write("zeros.csv", words);
    let out = desk.path("mine.cir").to_str().unwrap().to_string();
    let ran = desk.fit(&["EL34", &zeros, "--name", "MINE", "--out", &out]);
    refused(&ran, &["line 2", "say nothing of the valve"]);
    assert!(!desk.path("mine.cir").exists());

    // Beside one that tells something they change nothing.
    let tolip = |text: &str| {
        let word = text.split_whitespace().find(|w| w.starts_with("tolip="));
        word.expect("a tolerance").to_string()
    };
    let model = |rows: &str| {
        let ran = desk.table(format!("{head}{rows}"), &["--csv", "-"]);
        assert_eq!(ran.status, 0, "{ran:?}");
        let text = std::fs::read_to_string(desk.path("mine.cir")).expect("a model");
        (text, ran)
    };
    let (alone, _) = model("250,-2,1.2m\n");
    let idle = "0,0,0\n".repeat(40);
    let (beside, ran) = model(&format!("250,-2,1.2m\n-10,0,0\n{idle}"));
    assert_eq!(tolip(&alone), tolip(&beside));
    assert!(beside.contains("as measured, 1 reading."), "{beside}");
    let told = "lines 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14 and 29 more say nothing";
    assert!(ran.stderr.contains(told), "{ran:?}");
    assert_eq!(ran.stdout.matches(",1\n").count(), 41, "{ran:?}");
}

/// A fixed bug: the residuals were those of nanoamperes.
#[test]
fn residuals_are_of_currents_that_tell() {
    let desk = Desk::new();
    // The type's own law with a little more current.
    let mut rows = String::from("vpk,vgk,plate_current\n");
    for (vpk, vgk, plate) in [
        (250, 0, "7.06m"),
        (250, -1, "4.21m"),
        (250, -2, "1.94m"),
        (250, -3, "466u"),
        (200, -3, "88.4u"),
        (150, -3, "4.29u"),
        (100, -3, "23.6n"),
        (100, -1, "707u"),
    ] {
        rows += &format!("{vpk},{vgk},{plate}\n");
    }
    let ran = desk.table(rows, &[]);
    assert_eq!(ran.status, 0, "{ran:?}");
    let text = std::fs::read_to_string(desk.path("mine.cir")).expect("a model");
    let text = text.replace("\n* ", " ");
    assert!(
        text.contains("over reading (without line 6, below 2 % of the largest current): plate"),
        "{text}"
    );
    assert!(text.contains("Lines 7 and 8 say nothing"), "{text}");
    let off = ran.stdout.lines().find_map(|l| l.strip_prefix("off by "));
    let rms: f64 = off
        .and_then(|l| l.split(' ').next()?.parse().ok())
        .expect("a figure");
    assert!(rms < 2.0, "{ran:?}");
}

/// A fixed bug: a stock file that cannot be read was not named, and `faults` asked for readings where
/// the file's encoding was wrong.
#[test]
fn tables_of_other_commands_are_named_too() {
    let desk = Desk::new();
    let amp = desk.write("amp.cir", STAGE);
    let table = desk.write("table.csv", b"probe,value\nv(p),1\xb5\n");
    for (command, option) in [("parts", "--stock"), ("faults", "--readings")] {
        let run = Gridleak::command(command).arg(&amp).option(option, &table);
        let words = [
            "cannot read",
            "table.csv`",
            "line 2, column 7",
            "save it as UTF-8",
        ];
        refused(&run.unaudited().run(), &words);
    }
}

#[test]
fn what_would_be_passed_over_is_refused() {
    let desk = Desk::new();
    let table = "vpk,vgk,plate_current\n250,-2,1m\n";
    for more in [["--set", "RK=1k"], ["--knob", "VOL=3"], ["--probe", "v(p)"]] {
        let ran = desk.table(table, &more);
        assert_eq!(ran.status, 2, "{ran:?}");
        assert!(ran.stderr.contains("--netlist"), "{ran:?}");
    }
}

/// The same texts mean the same in `faults`.
#[test]
fn an_accuracy_is_in_per_cent_with_or_without_its_sign() {
    let desk = Desk::new();
    let table = "vpk,vgk,plate_current\n250,-2,1.1m\n";
    let model = |accuracy: &str| {
        let ran = desk.table(table, &["--accuracy", accuracy]);
        assert_eq!(ran.status, 0, "{ran:?}");
        std::fs::read_to_string(desk.path("mine.cir")).expect("a model")
    };
    assert_eq!(model("0.5"), model("0.5%"));
    for accuracy in ["60%", "0", "good"] {
        let words = ["`--accuracy", "from 0.01 to 30"];
        refused(&desk.table(table, &["--accuracy", accuracy]), &words);
    }
}

/// A fixed bug: 188 kV were taken for a reading, and two currents that differed in sign were averaged
/// into one that was known to 14 %.
#[test]
fn volts_that_contradict_each_other_fix_no_current() {
    let desk = Desk::new();
    let fine = desk.volts("v(p),200\nv(k),1.5\n");
    assert_eq!(fine.status, 0, "{fine:?}");
    refused(
        &desk.volts("v(p),188k\nv(k),1.75k\nv(b),300k\n"),
        &["mine.csv, line 2", "`vpk` is 186 kV", "300 V"],
    );
    refused(
        &desk.volts("v(p),200\nv(k),1.5\nv(b),100\n"),
        &["does not fix the current of `XV1A`", "-1.0", "by the plate"],
    );
    refused(&desk.volts("v(k),-1.5\n"), &["by these volts none flows"]);
    refused(
        &desk.volts("v(p),188,5\nv(k),1.5\n"),
        &["line 2", "3 values"],
    );
    // A tenth apart is named, and makes the current less sure.
    let known = |rows: &str| {
        let ran = desk.volts(rows);
        assert_eq!(ran.status, 0, "{ran:?}");
        let end = ran.stderr.split("+/- ").nth(1).expect("a note").to_string();
        let percent: f64 = end.split(' ').next().unwrap().parse().unwrap();
        (percent, ran.stderr)
    };
    let (sure, _) = known("v(p),200\nv(k),1.5\nv(b),300\n");
    let (unsure, said) = known("v(p),165\nv(k),1.5\nv(b),300\n");
    assert!(said.contains("contradict each other"), "{said}");
    assert!(unsure > 3.0 * sure, "{sure} {unsure}");
}

/// A fixed bug: zero volts at a cathode that a closed switch grounds were taken for a current of zero,
/// and no current was found in a valve that draws 30 mA: (300 - 150) V over 5 kilohms.
#[test]
fn no_volts_across_a_closed_switch_say_nothing_of_its_current() {
    let desk = Desk::new();
    let amp = "A stage\nVB b 0 300\nRA b p 5k ; tol=1%\nVS s 0 250\nVG g 0 -13\n\
               XPAIR k 0 toggle at=1\nXV4 p s g k 6V6GT\n.end\n";
    let amp = desk.write("amp.cir", amp);
    for zero in ["0", "0,0", "0,00"] {
        let rows = format!("probe;value\nv(p);150\nv(k);{zero}\nv(b);300\n");
        let readings = desk.write("mine.csv", rows);
        let out = desk.path("mine.cir");
        let out = out.to_str().unwrap();
        let words = ["--netlist", &amp, "--valve", "XV4", "--name", "MINE"];
        let ran = desk.fit(&[&[readings.as_str()][..], &words, &["--out", out]].concat());
        assert_eq!(ran.status, 0, "{ran:?}");
        assert!(
            ran.stderr.contains("plate current 30.0 mA"),
            "{}",
            ran.stderr
        );
        assert!(!ran.stderr.contains("contradict"), "{}", ran.stderr);
    }
}

/// A fixed bug: of volts that no 12AX7 could stand at the hint spoke of columns that the table has not.
#[test]
fn volts_that_fit_no_valve_of_the_type_get_a_hint_of_their_own() {
    let ran = Desk::new().volts("v(p),188\nv(k),3.4\nv(b),330\n");
    refused(&ran, &["a 12AX7 gives about", "check the type"]);
    assert!(!ran.stderr.contains("`vgk`"), "{}", ran.stderr);
}

/// A fixed bug: a comment before the heading made triodes of pentodes, and the readings of one type
/// were ranked as another.
#[test]
fn a_drawer_is_of_one_type() {
    let desk = Desk::new();
    let drawer = desk.drawer();
    let ran = desk.fit(&["--pairs", &drawer]);
    assert_eq!(ran.status, 0, "{ran:?}");
    assert!(!ran.stdout.contains("12BH7A"), "{ran:?}");
    desk.write("drawer/notes.csv", "what,when\nheater,monday\n");
    let mixed = desk.fit(&["--pairs", &drawer]);
    refused(&mixed, &["1.csv has a column `vg2k`", "notes.csv has none"]);
    refused(
        &desk.fit(&["EL84", "--pairs", &drawer]),
        &["notes.csv, line 1", "`vpk`"],
    );
    let none = desk.path("none").to_str().unwrap().to_string();
    let gone = desk.fit(&["EL84", "--pairs", &none]);
    assert!(gone.stderr.contains("no such folder"), "{gone:?}");
    let rows = "vpk,vg2k,vgk,plate_current,screen_current\n250,250,-4,100m,\n250,250,-6,75m,\n\
                250,250,-7.3,60m,\n250,250,-9,43m,\n250,250,-11,27m,\n";
    let (readings, out) = (desk.write("el84.csv", rows), desk.path("mine.cir"));
    let out = out.to_str().unwrap();
    let strange = "do not follow the curves of the type";
    for (name, is_strange) in [("EL34", true), ("EL84", false)] {
        let ran = desk.fit(&[name, &readings, "--name", "MINE", "--out", out]);
        assert_eq!(ran.stderr.contains(strange), is_strange, "{ran:?}");
    }
}

#[test]
fn a_pair_has_two_places_of_its_kind() {
    let desk = Desk::new();
    let (drawer, amp) = (desk.drawer(), desk.write("pair.cir", PAIR));
    let run = |valves: [&str; 2], more: &[&str]| {
        let words = ["EL84", "--pairs", &drawer, "--netlist", &amp];
        let places = ["--valve", valves[0], "--valve", valves[1]];
        desk.fit(&[&words[..], &places, more].concat())
    };
    refused(&run(["XV4", "xv4"], &[]), &["`xv4` is named twice"]);
    let probe = ["--probe", "v(p1,p2)", "--level", "-5"];
    let ran = run(["XV4", "XV5"], &probe);
    assert_eq!(ran.status, 2, "{ran:?}");
    assert!(ran.stderr.contains("`--level`"), "{ran:?}");
    // The netlist's other type makes way for that of the readings, also by its other name.
    let ran = run(["XV4", "XV5"], &[]);
    assert_eq!(ran.status, 0, "{ran:?}");
    let note = "`XV4` is an EL34 in the netlist; the EL84 that were read take its place";
    assert!(ran.stderr.contains(note), "{ran:?}");
    assert!(!ran.stderr.contains("`XV5`"), "{ran:?}");
    let stage = desk.write("amp.cir", STAGE);
    let words = ["EL84", "--pairs", &drawer, "--netlist", &stage];
    let ran = desk.fit(&[&words[..], &["--valve", "XV1A", "--valve", "XV1A"]].concat());
    refused(&ran, &["`XV1A` is a 12AX7, not an EL84"]);
}

/// A pentode by Koren's published law (Glass Audio 8/5, 1996; contact potential 0), whose screen is
/// cut off at vgk = -vg2k/mu while its plate still draws.
fn koren(vpk: f64, vg2k: f64, vgk: f64) -> (f64, f64) {
    let (mu, ex, kg1, kg2, kp, kvb) = (11.0, 1.35_f64, 650.0, 4200.0, 60.0, 24.0_f64);
    let drive = vg2k / kp * (kp * (1.0 / mu + vgk / vg2k)).exp().ln_1p();
    let plate = 2.0 * drive.powf(ex) / kg1 * (vpk / kvb).atan();
    (plate, (vg2k / mu + vgk).max(0.0).powf(ex) / kg2)
}

/// A fixed bug: one screen current of 8 uA among many of milliamperes was taken for a slip of the
/// unit, and the table refused.
#[test]
fn a_screen_near_its_cut_off_is_not_a_slip() {
    let desk = Desk::new();
    let mut table = "vpk,vg2k,vgk,plate_current,screen_current\n".to_string();
    for vgk in [-10.0, -14.0, -18.0, -22.6] {
        for vpk in [60.0, 150.0, 300.0] {
            let (plate, screen) = koren(vpk, 250.0, vgk);
            table += &format!("{vpk},250,{vgk},{plate:.4e},{screen:.4e}\n");
        }
    }
    let cut_off = koren(60.0, 250.0, -22.6).1;
    assert!((5e-6..20e-6).contains(&cut_off), "{cut_off}");
    let json = desk.path("found.json");
    let run = |text: &str| {
        let readings = desk.write("mine.csv", text);
        let (out, json) = (desk.path("mine.cir"), json.to_str().unwrap());
        let out = out.to_str().unwrap();
        let words = ["EL34", &readings, "--name", "MINE", "--out", out];
        desk.fit(&[&words[..], &["--json", json]].concat())
    };
    let fine = run(&table);
    assert_eq!(fine.status, 0, "{fine:?}");
    let found: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(&json).unwrap()).unwrap();
    for reading in found["readings"].as_array().unwrap() {
        let read = reading["plate_current"].as_f64().unwrap();
        let model = reading["model_plate_current"].as_f64().unwrap();
        assert!((model / read - 1.0).abs() < 0.08, "{reading}");
    }
    // The same figure where less drive had given more is a slip, and a table that is too small by a
    // thousand throughout is one too.
    let screen = format!("{:.4e}\n", koren(150.0, 250.0, -14.0).1);
    let slip = table.replacen(&screen, &format!("{cut_off:.4e}\n"), 1);
    refused(&run(&slip), &["line 5", "`screen_current` is", "unit"]);
    let thousand = "vpk,vg2k,vgk,plate_current,screen_current\n250,250,-12,0.1,14.9u\n\
                    250,250,-15,0.065,9u\n";
    refused(
        &run(thousand),
        &["line 2", "`screen_current` is", "14.9 mA"],
    );
}

/// A fixed bug: readings at other screen volts were drawn like those that belong to the curves, and
/// the letterings of curves that lie close together covered each other.
#[test]
fn only_readings_at_the_drawn_screen_volts_stand_on_the_curves() {
    let desk = Desk::new();
    let mut table = "vpk,vg2k,vgk,plate_current,screen_current\n".to_string();
    let mut at = |vpk: f64, vg2k: f64, vgk: f64| {
        let (plate, screen) = koren(vpk, vg2k, vgk);
        table += &format!("{vpk},{vg2k},{vgk},{plate:.4e},{screen:.4e}\n");
    };
    for k in 0..10 {
        at(250.0, 250.0, -12.0 - f64::from(k));
    }
    for k in 0..3 {
        at(250.0, 200.0, -8.0 - f64::from(k));
    }
    let readings = desk.write("mine.csv", &table);
    let (out, plot) = (desk.path("mine.cir"), desk.path("mine.svg"));
    let files = [out.to_str().unwrap(), "--plot", plot.to_str().unwrap()];
    let words = ["EL34", &readings, "--name", "MINE", "--out"];
    let ran = desk.fit(&[&words[..], &files].concat());
    assert_eq!(ran.status, 0, "{ran:?}");
    let svg = std::fs::read_to_string(&plot).unwrap();
    // Each with one in the key.
    assert_eq!(svg.matches("<circle class=\"other\"").count(), 3 + 1);
    assert_eq!(svg.matches("<circle class=\"read\"").count(), 10 + 1);
    let beside = svg.split("<text class=\"small\"").skip(1).filter_map(|t| {
        let (place, words) = t.split_once('>')?;
        let number = |key: &str| {
            let rest = place.split_once(&format!(" {key}=\""))?.1;
            rest.split_once('"')?.0.parse::<f64>().ok()
        };
        (words.split('<').next()?.ends_with(" V") && number("x")? > 810.0).then(|| number("y"))?
    });
    let mut heights: Vec<f64> = beside.collect();
    heights.sort_by(f64::total_cmp);
    assert!(heights.len() >= 4, "{heights:?}");
    assert!(
        heights.windows(2).all(|pair| pair[1] - pair[0] >= 11.0),
        "{heights:?}"
    );
}

/// A fixed bug: a slip among twelve good readings made another set of the type look the better one, for
/// it was charged less for a spoilt fit than the type's own for leaving the slip out. Readings computed
/// from the law in `triode.rs` by a Python script of its own, as of a 12AX7 whose current, mu and
/// contact potential are other than the type's, with 1 % of noise; one is twice what it was.
#[test]
fn a_slip_among_good_readings_does_not_change_the_law() {
    let head = "vpk,vgk,plate_current\n";
    let one = "50,0,0.000894436\n100,-0.5,0.000975749\n100,-1,0.000392028\n150,0,0.00279919\n\
               150,-0.5,0.00183279\n150,-2,9.72791e-05\n200,-0.5,0.00281498\n200,-1.5,0.00105235\n\
               200,-2.5,0.000259556\n250,-3,0.000161415\n300,-2,0.00190048\n300,-3,0.000541162\n";
    let other = "50,0,0.00110913\n100,0,0.00212111\n100,-1.5,8.33098e-05\n150,-0.5,0.00214809\n\
                 150,-2,0.000107867\n200,-1,0.00209866\n200,-2,0.000489622\n200,-2.5,0.000129739\n\
                 250,-1.5,0.00206094\n250,-2,0.00114981\n250,-3,0.000310545\n300,-3,0.000520424\n";
    let desk = Desk::new();
    for (rows, line) in [(one, 10), (other, 12)] {
        let ran = desk.table(format!("{head}{rows}"), &[]);
        let told = format!("line {line} contradicts all other readings and is left out");
        assert!(ran.stderr.contains(&told), "{ran:?}");
        assert!(!ran.stderr.contains("1996"), "{ran:?}");
        assert_eq!(ran.stderr.matches("left out").count(), 1, "{ran:?}");
    }
}

/// A fixed bug: one reading near cut-off became the current alone, and made a 12AX7 of 7.2 mA where the
/// type has 2.3. A fifth of a volt of grid explains as much; the likeliest valve has some of both, and its
/// current at work stays as uncertain as that of any 12AX7.
#[test]
fn one_reading_near_cut_off_is_not_all_current() {
    let desk = Desk::new();
    let ran = desk.table("vpk,vgk,plate_current\n250,-3.5,120u\n", &[]);
    assert_eq!(ran.status, 0, "{ran:?}");
    let held = ran.stdout.lines().find(|l| l.starts_with("held as in"));
    let held = held.expect("what is held");
    assert!(!held.contains("kg1") && !held.contains("vct"), "{held}");
    let model = std::fs::read_to_string(desk.path("mine.cir")).expect("a model");
    let words = model.split_whitespace();
    let tolip = words.filter_map(|w| w.strip_prefix("tolip=")).next();
    let tolip: f64 = tolip.and_then(|t| t.parse().ok()).expect("a tolerance");
    assert!((0.15..=0.33).contains(&tolip), "{tolip}");
    let amp = desk.write(
        "two.cir",
        "Two points\n.include mine.cir\nVP p 0 250\nVG g 0 -3.5\nVH h 0 -1.39\nXV1 p g 0 MINE\n\
         XV2 p h 0 MINE\n.end\n",
    );
    let chart = Gridleak::command("bias").arg(&amp).table().unwrap();
    let current = |name| chart.quantity(name, "plate current").expect("a current");
    let (read, work) = (current("XV1"), current("XV2"));
    assert!((read / 120e-6 - 1.0).abs() < 0.05, "{read}");
    assert!((2.3e-3..4.8e-3).contains(&work), "{work}");
}

/// A fixed bug: a table was refused for one reading of a valve that cuts off later than the type.
#[test]
fn a_valve_that_cuts_off_later_is_believed() {
    let desk = Desk::new();
    // The type gives 1.1 microamperes at 50 V and -1.5 V, and 2.3 mA where it is compared.
    let rows = "250,-2,1.5m\n200,-1.5,1.4m\n50,-1.5,40u\n";
    let ran = desk.table(format!("vpk,vgk,plate_current\n{rows}"), &[]);
    assert_eq!(ran.status, 0, "{ran:?}");
    // Where it is not faint, it is not believed.
    let rows = "250,-2,1.5m\n200,-1.5,1.4m\n50,-1.5,400u\n";
    let ran = desk.table(format!("vpk,vgk,plate_current\n{rows}"), &[]);
    refused(&ran, &["line 4"]);
}

/// Tables as spreadsheets make them: units in the headings, in the cells, or both; a decimal comma in
/// quotes where commas stand between the values; the minus of typesetters; blanks that do not break.
#[test]
fn tables_of_spreadsheets_are_read() {
    let desk = Desk::new();
    let model = |text: &str| {
        let ran = desk.table(text, &[]);
        assert_eq!(ran.status, 0, "{text}: {ran:?}");
        let text = std::fs::read_to_string(desk.path("mine.cir")).expect("a model");
        text[text.find(".model").expect("its line")..].to_string()
    };
    let plain = model("vpk,vgk,plate_current\n250,-2,0.0011\n150,-1,1.05m\n");
    for text in [
        "\u{feff}Vpk (V);Vgk (V);Plate current (mA)\r\n250;-2,0;1,1\r\n;;\r\n150;-1,0;1,05\r\n",
        "vpk [V],vgk [V],plate_current [mA]\n250,-2,1.1\n150,-1,1.05\n",
        "vpk,vgk,plate_current_uA\n250,-2,1100\n150,-1,1050\n",
        "vpk,vgk,plate_current (mA)\n250,-2,1.1 mA\n150,-1,1050u\n",
        "vpk;vgk;plate_current\n250 V;\u{2212}2,0\u{a0}V;1,1 mA\n150 V;\u{2212}1 V;1,05 mA\n",
        "vpk,vgk,plate_current\n\"250\",\"-2,0\",\"0,0011\"\n\"150\",\"-1,0\",\"0,00105\"\n",
    ] {
        assert_eq!(model(text), plain, "{text}");
    }
    let head = "vpk,vgk,plate_current";
    let volts = desk.table("vpk,vgk,plate_current (V)\n250,-2,1.1\n", &[]);
    refused(&volts, &["line 1", "no column `plate_current`"]);
    let two = desk.table(
        "vpk,vgk,plate_current,plate_current (mA)\n250,-2,0,1.1\n",
        &[],
    );
    refused(&two, &["line 1", "plate_current"]);
    let many = desk.table(format!("{head}\n\"1,250\",-2,1.1m\n"), &[]);
    refused(&many, &["line 2", "`vpk`"]);
}

/// A fixed bug: `curves` knew which valve a designation without its ending meant, and `fit` did not.
#[test]
fn a_designation_without_its_ending_is_understood() {
    let desk = Desk::new();
    let readings = desk.write("mine.csv", "vpk,vg2k,vgk,plate_current\n250,250,-14,72m\n");
    for (written, meant) in [("6L6", "6L6GC"), ("6V6 GT", "6V6GT"), ("12ax7a", "12AX7")] {
        let out = desk.path("mine.cir").to_str().unwrap().to_string();
        let ran = desk.fit(&[written, &readings, "--name", "MINE", "--out", &out]);
        refused(&ran, &[&format!("did you mean `{meant}`?")]);
    }
}
