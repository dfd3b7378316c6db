//! What a builder wires by: the plus of an electrolytic, which ground is the chassis, a zener, a
//! filament, and which way a pot turns. Read from the drawing.

use gridleak::circuit::params::Overrides;
use gridleak::circuit::read::Draft;
use gridleak::drawing::read_back::{self, Drawn};
use gridleak::drawing::scheme::{self, Scheme};
use gridleak::drawing::{self, Notes};
use gridleak::netlist::{FileLoader, Loader, MemoryLoader};
use std::collections::BTreeSet;

fn sheet_of(path: &str, loader: &dyn Loader) -> String {
    let mut draft = Draft::read(path, loader);
    let built = draft.build_unwired(&Overrides::default());
    let circuit = built.expect("a circuit").circuit;
    let all: Vec<usize> = (0..circuit.elements.len()).collect();
    let scheme = Scheme::new(&circuit, &all, |_| String::new());
    let mut on = || Ok::<(), std::convert::Infallible>(());
    let Ok((sheet, _)) = drawing::draw(&circuit, &scheme, &Notes::default(), &mut on);
    sheet.svg()
}

fn sheet(text: &str) -> String {
    sheet_of("own.cir", &MemoryLoader::new("own.cir", text))
}

/// The lines of a part's symbol, in drawing units, each with its first and last point.
fn strokes(svg: &str, name: &str) -> Vec<Vec<(f64, f64)>> {
    let start = svg.find(&format!("data-name=\"{name}\"")).expect("a part");
    let part = &svg[start..start + svg[start..].find("</g>").expect("its end")];
    let mut lines = Vec::new();
    for path in part.split(" d=\"").skip(1) {
        let path = &path[..path.find('"').expect("its end")];
        for piece in path.split('M').skip(1) {
            let points = piece.trim_end_matches('Z').split('L').map(|pair| {
                let (x, y) = pair.split_once(' ').expect("two numbers");
                let y = y.split(['A', 'C']).next().expect("a number");
                (x.parse().expect("x"), y.parse().expect("y"))
            });
            lines.push(points.collect());
        }
    }
    lines
}

fn read(svg: &str) -> Drawn {
    read_back::read(svg).expect("a drawing")
}

fn pins(drawn: &Drawn, name: &str) -> Vec<(f64, f64)> {
    let part = drawn.parts.iter().find(|p| p.name == name);
    let pins = &part.unwrap_or_else(|| panic!("{name} is not drawn")).pins;
    let unit = |v: i64| v as f64 / 1000.0;
    pins.iter().map(|p| (unit(p.0), unit(p.1))).collect()
}

fn texts(drawn: &Drawn) -> BTreeSet<&str> {
    drawn.texts.iter().map(|(_, text)| text.as_str()).collect()
}

/// Where the + of a part is: two strokes of one length across each other.
fn plus(svg: &str, name: &str) -> Option<(f64, f64)> {
    let lines = strokes(svg, name);
    let short = |level: bool| {
        lines.iter().find_map(|line| match line[..] {
            [a, b] => {
                let (dx, dy) = ((a.0 - b.0).abs(), (a.1 - b.1).abs());
                let own = if level { (6.0, 0.0) } else { (0.0, 6.0) };
                let is = (dx - own.0).abs() < 1e-6 && (dy - own.1).abs() < 1e-6;
                is.then_some(((a.0 + b.0) / 2.0, (a.1 + b.1) / 2.0))
            }
            _ => None,
        })
    };
    short(true).filter(|at| short(false) == Some(*at))
}

fn distance(a: (f64, f64), b: (f64, f64)) -> f64 {
    (a.0 - b.0).hypot(a.1 - b.1)
}

#[test]
fn an_electrolytic_has_its_plus_at_the_first_node() {
    let mut count = 0;
    for path in [
        "netlists/lapwing/amp.cir",
        "netlists/lapwing/supply.cir",
        "netlists/lapwing/clean_stage.cir",
    ] {
        let mut draft = Draft::read(path, &FileLoader);
        let circuit = draft.build_unwired(&Overrides::default());
        let circuit = circuit.expect("a circuit").circuit;
        let svg = sheet_of(path, &FileLoader);
        let drawn = read(&svg);
        for element in circuit.elements.iter().filter(|e| e.letter == 'C') {
            let name = &element.name;
            let found = plus(&svg, name);
            assert_eq!(found.is_some(), element.notes.polar, "{path}: {name}");
            if let Some(at) = found {
                let pins = pins(&drawn, name);
                assert!(distance(at, pins[0]) < distance(at, pins[1]), "{name}");
                count += 1;
            }
        }
    }
    assert!(count >= 20, "{count} electrolytics");
}

/// A bias filter has its plus at ground.
#[test]
fn the_plus_of_a_bias_filter_is_at_ground() {
    let path = "netlists/lapwing/supply.cir";
    let svg = sheet_of(path, &FileLoader);
    let drawn = read(&svg);
    for (name, at_ground) in [("XBIAS.CB1", true), ("XBIAS.CB2", true), ("XHT.CR", false)] {
        let all = pins(&drawn, name);
        let at = plus(&svg, name).expect("a plus");
        // Ground hangs below.
        let lower = all[0].1.max(all[1].1);
        let near = if distance(at, all[0]) < distance(at, all[1]) {
            all[0]
        } else {
            all[1]
        };
        assert_eq!(near.1 == lower, at_ground, "{name}");
    }
}

/// A fixed bug: the mains' neutral was drawn with the chassis' symbol.
#[test]
fn the_neutral_of_the_mains_is_not_drawn_as_the_chassis() {
    let svg = sheet_of("netlists/lapwing/supply.cir", &FileLoader);
    let drawn = read(&svg);
    let named = drawn.texts.iter().filter(|(_, t)| t == "mains N").count();
    assert_eq!(named, 2, "the source's and the primary's");
    let flags = svg.split("<g class=\"flag\"").skip(1);
    for flag in flags.filter(|f| f.split("</g>").next().unwrap_or(f).contains("mains N")) {
        assert!(flag.starts_with(" data-net=\"0\""), "{flag}");
    }
    assert!(svg.contains("never join them"), "what it means");
    // By wires alone neither end of the mains is joined to anything else.
    for name in ["VMAINS", "XMAINS"] {
        let at = pins(&drawn, name)[1];
        let at = ((at.0 * 1000.0) as i64, (at.1 * 1000.0) as i64);
        let wires = drawn.wires.iter().filter(|w| w.contains(&at));
        assert_eq!(wires.count(), 1, "{name}");
    }
    // Without a transformer the chassis is live, and looks so.
    let live =
        "no transformer\nV1 a 0 SIN(0 325 50)\nD1 a b DM\nC1 b 0 10u\nR1 b 0 10k\n.model DM D\n";
    assert!(!sheet(live).contains("mains N"));
    // Coupled windings are a transformer, behind a fuse too; an audio one is none.
    let mains = "two windings\nV1 a 0 SIN(0 325 50)\nRF a b 1\nL1 b 0 10\n\
                 L2 c 0 1\nK1 L1 L2 0.99\nR1 c 0 1k\n";
    assert_eq!(sheet(mains).matches(">mains N<").count(), 2);
    assert!(!sheet(&mains.replace("325", "1")).contains("mains N"));
    // A fuse in the neutral's lead.
    let lead = "a fused neutral\n.include netlists/lapwing/power_parts.cir\n\
                V1 a 0 SIN(0 325 50)\nRF n 0 1 ; fuse=1A\n\
                XM a n h1 0 h2 b 0 MAINS230\nR1 h1 0 10k\nR2 h2 0 10k\nR3 b 0 10k\n";
    let path = std::env::temp_dir().join(format!("neutral-{}.cir", std::process::id()));
    let root = env!("CARGO_MANIFEST_DIR");
    let text = lead.replace("netlists/", &format!("{root}/netlists/"));
    std::fs::write(&path, text).expect("written");
    let svg = sheet_of(path.to_str().expect("UTF-8"), &FileLoader);
    std::fs::remove_file(&path).expect("removed");
    assert_eq!(svg.matches(">mains N<").count(), 2, "source and fuse");
}

#[test]
fn a_zener_and_a_filament_are_drawn_as_such() {
    let svg = sheet(
        "signs\nV1 a 0 300\nD1 0 b ZEN\nD2 0 b FAST\nR1 a b 10k\n\
         XV1 a a r 5U4GB\nXV2 a a r 5AR4\nRQ r 0 100k\nXV3 a g 0 2A3\nXV4 a g 0 12AX7\nRG g 0 1k\n\
         .model ZEN D(bv=12)\n.model FAST D(bv=1000)\n",
    );
    // The bar of a zener has a bend: three points.
    let bent = |name: &str| strokes(&svg, name).iter().any(|l| l.len() == 3);
    assert!(bent("D1") && !bent("D2"));
    // The filament leaves the envelope beside the pin, which the bow of a heated cathode does not.
    let drawn = read(&svg);
    for (name, heated) in [("XV1", true), ("XV2", false), ("XV3", true), ("XV4", false)] {
        let cathode = *pins(&drawn, name).last().expect("a cathode");
        let end = |l: &Vec<(f64, f64)>| {
            let last = l[l.len() - 1];
            (last.0 - cathode.0).abs() == 6.0 && cathode.1 - last.1 == 5.0
        };
        assert_eq!(strokes(&svg, name).iter().any(end), heated, "{name}");
    }
}

#[test]
fn a_pot_says_what_it_is_and_which_end_is_clockwise() {
    let svg = sheet(
        "pots\nVIN in 0 AC 1\nXP a w c VOLPOT knob=5\nRA in a 10k\nRC c 0 10k\nRW w 0 1meg\n\
         XQ 0 v w VOLPOT knob=7.5\nRV v 0 1meg\n.model VOLPOT pot(r=470k taper=reverse)\n",
    );
    let drawn = read(&svg);
    let texts = texts(&drawn);
    for text in ["470 kΩ reverse", "at 5", "at 7.5"] {
        assert!(texts.contains(text), "{text}: {texts:?}");
    }
    // `cw` is at the first pin, where the wiper is with the knob at 10.
    for name in ["XP", "XQ"] {
        let letters = strokes(&svg, name);
        let w = letters
            .iter()
            .find(|l| l.len() == 5 && l[0].1 == l[4].1 && l[0].0 != l[4].0);
        let at = w.expect("a w")[2];
        let pins = pins(&drawn, name);
        assert!(distance(at, pins[0]) < distance(at, pins[2]), "{name}");
    }
}

#[test]
fn a_long_title_is_no_wider_than_its_circuit() {
    let word = "a stage with a title that goes on and on ";
    let svg = sheet(&format!(
        "{}\nV1 a 0 1\nR1 a 0 47\nC1 a 0 47m\n",
        word.repeat(12)
    ));
    let drawn = read(&svg);
    assert!(drawn.overlaps().is_empty(), "{:?}", drawn.overlaps());
    let widest = drawn.texts.iter().map(|(f, _)| f[2]).max();
    assert!(widest < Some(600_000), "{widest:?}");
    let all = texts(&drawn);
    assert!(all.contains("47000 µF"), "{all:?}");
}

/// A fixed bug: a fourth pin that the line has not was drawn and wired to ground.
#[test]
fn a_transistor_has_the_pins_of_its_line() {
    let text = "transistors\nV1 a 0 5\nR1 a c 1k\nRB a bb 100k\n\
                Q1 c bb 0 QN\nQ2 d bb 0 0 QN\nR2 a d 1k\n.model QN NPN\n";
    let drawn = read(&sheet(text));
    assert_eq!(pins(&drawn, "Q1").len(), 3);
    assert_eq!(pins(&drawn, "Q2").len(), 4);
    let mut draft = Draft::read("own.cir", &MemoryLoader::new("own.cir", text));
    let circuit = draft.build_unwired(&Overrides::default());
    let circuit = circuit.expect("a circuit").circuit;
    let nodes = |name: &str| scheme::nodes(&circuit, circuit.element(name).expect("there")).len();
    assert_eq!((nodes("Q1"), nodes("Q2")), (3, 4));
}

/// A fixed bug: two coils and an arrow with a factor, and nothing said which coils it meant or which
/// way round they are wound. Dots at the first nodes: common practice, no published source.
#[test]
fn coupled_inductors_have_dots_and_the_arrow_names_them() {
    let text = "Reverb driver\nVIN in 0 AC 1 SIN(0 1 1k)\nRIN in 0 1meg\nXV1 p in k 12AT7\nRK k 0 1k\n\
                LP ht p 20\nLS 0 sec 10m\nRS sec 0 8\nLFREE in far 1\nRF far 0 1k\nKT LP LS 0.99\nVB ht 0 250\n";
    let svg = sheet(text);
    // A dot is a circle: an arc in the filled path of the part.
    let dot = |name: &str| -> Option<(f64, f64)> {
        let start = svg.find(&format!("data-name=\"{name}\"")).expect("a part");
        let part = &svg[start..start + svg[start..].find("</g>").expect("its end")];
        let full = part.split("class=\"full\" d=\"M").nth(1)?;
        let (x, y) = full.split_once(' ').expect("two numbers");
        let y = y.split('A').next().expect("a number");
        Some((x.parse().expect("x"), y.parse().expect("y")))
    };
    let drawn = read(&svg);
    for name in ["LP", "LS"] {
        let pins = pins(&drawn, name);
        let at = dot(name).unwrap_or_else(|| panic!("{name} has no dot"));
        let far = |p: (f64, f64)| (p.0 - at.0).hypot(p.1 - at.1);
        assert!(
            far(pins[0]) < 10.0 && far(pins[1]) > 30.0,
            "{name}: {at:?} {pins:?}"
        );
    }
    assert_eq!(dot("LFREE"), None);
    let texts = texts(&drawn);
    assert!(
        texts.contains("LP LS") && texts.contains("0.99"),
        "{texts:?}"
    );
}
