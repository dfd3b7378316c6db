//! A drawing read from its geometry alone, by rules of its own: nothing here is shared with what
//! placed and routed it.
//!
//! Whatever meets at a pin, a wire end or a joint is one net, as are all flags of one name; wires
//! that merely cross are not connected. Beside the nets it finds what lies on top of what.

use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// A place, in thousandths of a drawing unit.
type Place = (i64, i64);

/// A box: left, top, right, bottom.
type Frame = [i64; 4];

/// A part as drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// `data-name`
    pub name: String,
    /// `data-kind`
    pub kind: String,
    /// `data-box`
    pub frame: Frame,
    /// `data-pins`
    pub pins: Vec<Place>,
}

/// A flag as drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Flag {
    /// `data-net`
    pub net: String,
    /// `data-pins`
    pub pins: Vec<Place>,
}

/// Everything the rules speak of.
#[derive(Debug, Clone, Default)]
pub struct Drawn {
    /// Parts, in the order of the file.
    pub parts: Vec<Part>,
    /// The corners of each wire.
    pub wires: Vec<Vec<Place>>,
    /// Joints.
    pub joints: Vec<Place>,
    /// Flags.
    pub flags: Vec<Flag>,
    /// Boxes of texts, with the text.
    pub texts: Vec<(Frame, String)>,
}

/// A net as read: the names of its flags, and its pins by part and number.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Net {
    /// Part name and pin number (from 0).
    pub pins: BTreeSet<(String, usize)>,
    /// Names of its flags.
    pub flags: BTreeSet<String>,
}

/// Reads the marked elements of an SVG text.
///
/// # Errors
/// What is malformed.
pub fn read(svg: &str) -> Result<Drawn, String> {
    let mut reader = Reader::from_str(svg);
    let mut drawn = Drawn::default();
    let mut open_text: Option<(Frame, String)> = None;
    loop {
        match reader.read_event().map_err(|e| e.to_string())? {
            Event::Eof => return Ok(drawn),
            Event::Start(e) => {
                if let Some(text) = element(&e, &mut drawn)? {
                    open_text = Some(text);
                }
            }
            Event::Empty(e) => {
                element(&e, &mut drawn)?;
            }
            Event::Text(t) => {
                if let Some((_, text)) = &mut open_text {
                    text.push_str(&t);
                }
            }
            Event::End(e) if e.name().as_ref() == "text" => {
                drawn.texts.extend(open_text.take());
            }
            _ => {}
        }
    }
}

fn element(e: &BytesStart<'_>, drawn: &mut Drawn) -> Result<Option<(Frame, String)>, String> {
    let mut given: HashMap<String, String> = HashMap::new();
    for attribute in e.attributes() {
        let a = attribute.map_err(|e| e.to_string())?;
        let key = a.key.as_ref().to_string();
        let value = a
            .normalized_value(quick_xml::XmlVersion::Implicit1_0)
            .map_err(|e| e.to_string())?;
        given.insert(key, value.into_owned());
    }
    let get = |key: &str| {
        let missing = || format!("<{}> lacks {key}", e.name().as_ref());
        given.get(key).cloned().ok_or_else(missing)
    };
    let class = given.get("class").map_or("", String::as_str);
    let marked = matches!(class, "part" | "wire" | "joint" | "flag");
    if (marked || e.name().as_ref() == "text") && given.contains_key("transform") {
        return Err(format!("a {class} is transformed"));
    }
    match class {
        "part" => drawn.parts.push(Part {
            name: get("data-name")?,
            kind: get("data-kind")?,
            frame: frame(&get("data-box")?)?,
            pins: places(&get("data-pins")?)?,
        }),
        "wire" => {
            let corners = places(&get("points")?)?;
            let straight = |w: &[Place]| (w[0].0 == w[1].0) != (w[0].1 == w[1].1);
            if corners.len() < 2 || !corners.windows(2).all(straight) {
                return Err(format!(
                    "a wire is not of level and upright runs: {corners:?}"
                ));
            }
            drawn.wires.push(corners);
        }
        "joint" => drawn
            .joints
            .push((number(&get("cx")?)?, number(&get("cy")?)?)),
        "flag" => drawn.flags.push(Flag {
            net: get("data-net")?,
            pins: places(&get("data-pins")?)?,
        }),
        _ => {}
    }
    if e.name().as_ref() == "text" {
        return Ok(Some((frame(&get("data-box")?)?, String::new())));
    }
    Ok(None)
}

fn number(text: &str) -> Result<i64, String> {
    let value: f64 = text
        .trim()
        .parse()
        .map_err(|_| format!("`{text}` is not a number"))?;
    Ok((value * 1000.0).round() as i64)
}

fn places(text: &str) -> Result<Vec<Place>, String> {
    text.split_whitespace()
        .map(|pair| {
            let (x, y) = pair
                .split_once(',')
                .ok_or(format!("`{pair}` is not a point"))?;
            Ok((number(x)?, number(y)?))
        })
        .collect()
}

fn frame(text: &str) -> Result<Frame, String> {
    let values: Vec<i64> = text
        .split_whitespace()
        .map(number)
        .collect::<Result<_, _>>()?;
    let frame: Frame = values
        .try_into()
        .map_err(|_| format!("`{text}` is not a box"))?;
    if frame[0] > frame[2] || frame[1] > frame[3] {
        return Err(format!("`{text}` is inside out"));
    }
    Ok(frame)
}

/// Whether a place lies on a run, ends included.
fn on(run: (Place, Place), p: Place) -> bool {
    let (a, b) = run;
    let within = |v: i64, a: i64, b: i64| v >= a.min(b) && v <= a.max(b);
    within(p.0, a.0, b.0) && within(p.1, a.1, b.1)
}

/// Sets that are joined step by step.
struct Groups(Vec<usize>);

impl Groups {
    fn root(&mut self, k: usize) -> usize {
        let mut k = k;
        while self.0[k] != k {
            self.0[k] = self.0[self.0[k]];
            k = self.0[k];
        }
        k
    }

    fn join(&mut self, a: usize, b: usize) {
        let (a, b) = (self.root(a), self.root(b));
        self.0[a.max(b)] = a.min(b);
    }
}

impl Drawn {
    fn runs(&self) -> Vec<(usize, (Place, Place))> {
        let of = |(k, w): (usize, &Vec<Place>)| -> Vec<(usize, (Place, Place))> {
            w.windows(2).map(|r| (k, (r[0], r[1]))).collect()
        };
        self.wires.iter().enumerate().flat_map(of).collect()
    }

    /// The nets: what is joined by geometry and by flags of one name.
    pub fn nets(&self) -> Vec<Net> {
        // Wires first, then every place where something may meet.
        let mut meeting: BTreeMap<Place, usize> = BTreeMap::new();
        let mut next = self.wires.len();
        let ends = (self.wires.iter()).flat_map(|w| [w[0], *w.last().expect("two at least")]);
        let pins = self.parts.iter().flat_map(|p| p.pins.iter().copied());
        let flags = self.flags.iter().flat_map(|f| f.pins.iter().copied());
        let joints = self.joints.iter().copied();
        for place in ends.chain(pins).chain(flags).chain(joints) {
            meeting.entry(place).or_insert_with(|| {
                next += 1;
                next - 1
            });
        }
        let mut names: BTreeMap<&str, usize> = BTreeMap::new();
        for flag in &self.flags {
            names.entry(&flag.net).or_insert_with(|| {
                next += 1;
                next - 1
            });
        }
        let mut groups = Groups((0..next).collect());
        for (wire, run) in self.runs() {
            let (a, b) = run;
            let low = (a.0.min(b.0), a.1.min(b.1));
            let high = (a.0.max(b.0), a.1.max(b.1));
            for (place, &number) in meeting.range(low..=high) {
                if on(run, *place) {
                    groups.join(wire, number);
                }
            }
        }
        for flag in &self.flags {
            for pin in &flag.pins {
                groups.join(meeting[pin], names[flag.net.as_str()]);
            }
        }
        let mut nets: BTreeMap<usize, Net> = BTreeMap::new();
        for part in &self.parts {
            for (k, pin) in part.pins.iter().enumerate() {
                let root = groups.root(meeting[pin]);
                let net = nets.entry(root).or_default();
                net.pins.insert((part.name.clone(), k));
            }
        }
        for flag in &self.flags {
            let root = groups.root(names[flag.net.as_str()]);
            nets.entry(root).or_default().flags.insert(flag.net.clone());
        }
        let mut nets: Vec<Net> = nets.into_values().collect();
        nets.sort();
        nets
    }

    /// What lies on top of what, each in a sentence.
    pub fn overlaps(&self) -> Vec<String> {
        let mut found = Vec::new();
        let frames: Vec<(Frame, String)> = (self.parts.iter())
            .map(|p| (p.frame, format!("part {}", p.name)))
            .chain(self.texts.iter().map(|(f, t)| (*f, format!("text `{t}`"))))
            .collect();
        let mut order: Vec<usize> = (0..frames.len()).collect();
        order.sort_by_key(|&k| frames[k].0[0]);
        for (n, &a) in order.iter().enumerate() {
            for &b in &order[n + 1..] {
                let (f, g) = (frames[a].0, frames[b].0);
                if g[0] >= f[2] {
                    break;
                }
                if f[1] < g[3] && g[1] < f[3] {
                    found.push(format!("{} lies on {}", frames[a].1, frames[b].1));
                }
            }
        }
        let runs = self.runs();
        for &(_, (a, b)) in &runs {
            let run = [a.0.min(b.0), a.1.min(b.1), a.0.max(b.0), a.1.max(b.1)];
            for (frame, name) in &frames {
                // A wire may end on a part's border, at its pin, but not run within or along it.
                let level = a.1 == b.1;
                let inside = if level {
                    run[1] >= frame[1]
                        && run[1] <= frame[3]
                        && run[0] < frame[2]
                        && frame[0] < run[2]
                } else {
                    run[0] >= frame[0]
                        && run[0] <= frame[2]
                        && run[1] < frame[3]
                        && frame[1] < run[3]
                };
                if inside {
                    found.push(format!("a wire at {a:?} {b:?} runs through {name}"));
                }
            }
        }
        found.extend(self.shared());
        found.extend(self.stray());
        found
    }

    /// Runs of wires that lie on one another.
    fn shared(&self) -> Vec<String> {
        let mut lines: BTreeMap<(bool, i64), Vec<(i64, i64)>> = BTreeMap::new();
        for (_, (a, b)) in self.runs() {
            let level = a.1 == b.1;
            let (line, from, to) = if level {
                (a.1, a.0.min(b.0), a.0.max(b.0))
            } else {
                (a.0, a.1.min(b.1), a.1.max(b.1))
            };
            lines.entry((level, line)).or_default().push((from, to));
        }
        let mut found = Vec::new();
        for ((level, line), mut runs) in lines {
            runs.sort_unstable();
            for pair in runs.windows(2) {
                if pair[1].0 < pair[0].1 {
                    found.push(format!("wires run on one another: {level} {line} {pair:?}"));
                }
            }
        }
        found
    }

    /// Corners on other wires, and pins or ends at which nothing is joined.
    fn stray(&self) -> Vec<String> {
        let runs = self.runs();
        let mut found = Vec::new();
        for (k, wire) in self.wires.iter().enumerate() {
            for corner in &wire[1..wire.len() - 1] {
                for (other, run) in &runs {
                    if *other != k && on(*run, *corner) {
                        found.push(format!("a corner at {corner:?} touches another wire"));
                    }
                }
            }
            for end in [wire[0], *wire.last().expect("two at least")] {
                let inner = |run: (Place, Place)| on(run, end) && run.0 != end && run.1 != end;
                let pins = self.parts.iter().flat_map(|p| &p.pins);
                let flags = self.flags.iter().flat_map(|f| &f.pins);
                let marked = pins.chain(flags).chain(&self.joints).any(|p| *p == end);
                let joint = self.joints.contains(&end);
                if runs.iter().any(|(_, run)| inner(*run)) && !joint {
                    found.push(format!("an end at {end:?} lies on a wire without a joint"));
                }
                if !marked {
                    found.push(format!("an end at {end:?} leads nowhere"));
                }
            }
        }
        found
    }

    /// How often wires cross without being joined.
    pub fn crossings(&self) -> usize {
        let runs = self.runs();
        let strictly = |v: i64, a: i64, b: i64| v > a.min(b) && v < a.max(b);
        let upright: Vec<_> = runs.iter().filter(|(_, (a, b))| a.0 == b.0).collect();
        let mut count = 0;
        for (_, (a, b)) in runs.iter().filter(|(_, (a, b))| a.1 == b.1) {
            for (_, (c, d)) in &upright {
                let crosses = strictly(c.0, a.0, b.0) && strictly(a.1, c.1, d.1);
                count += usize::from(crosses);
            }
        }
        count
    }
}
