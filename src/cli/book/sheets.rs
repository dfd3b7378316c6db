//! A large drawing cut into sheets that overlap: every part with its name, value and readings,
//! and every other text, is whole on one of them at least, and none is printed in part.

use std::collections::HashMap;

/// What lies beyond a cut on both its sheets where there is room, in units of the drawing.
const OVERLAP: f64 = 45.0;
/// Left free around what a sheet shows, units.
const MARGIN: f64 = 8.0;
/// How far a flag's strokes reach from its pin, units.
const FLAG: f64 = 12.0;
/// Places to each side at which a cut is tried.
const TRIED: usize = 60;

/// A box: left, top, right, bottom.
type Frame = [f64; 4];

/// One element of the drawing as it stands in the file.
struct Item<'a> {
    svg: &'a str,
    kind: Kind,
    frame: Frame,
    /// What it is printed with, or not at all: a part, and each text of it.
    group: Option<usize>,
}

#[derive(Clone, Copy, PartialEq)]
enum Kind {
    /// A wire, a joint, the paper: a sheet shows what it has of it.
    Line,
    Part,
    Flag,
    Text,
}

/// What a drawing consists of.
pub struct Drawn<'a> {
    items: Vec<Item<'a>>,
    /// The box of each group.
    groups: Vec<Frame>,
    /// Where wires end and turn.
    corners: Vec<(f64, f64)>,
}

/// A sheet.
pub struct Sheet {
    /// Letter of its row and number in it.
    pub name: String,
    /// Left, top, right, bottom.
    pub frame: Frame,
    row: usize,
}

impl Sheet {
    /// Its width.
    pub fn width(&self) -> f64 {
        self.frame[2] - self.frame[0]
    }

    /// Its height.
    pub fn height(&self) -> f64 {
        self.frame[3] - self.frame[1]
    }

    /// Which sheets go on from it.
    pub fn beside(&self, all: &[Sheet]) -> String {
        // Sheets one row on and one to the side share their overlaps.
        let share = |s: &Sheet, axis: usize, length: f64| {
            let end = self.frame[axis + 2].min(s.frame[axis + 2]);
            end - self.frame[axis].max(s.frame[axis]) > length / 4.0
        };
        let shared = |s: &&Sheet| share(s, 0, self.width().min(s.width()));
        // One of another row may reach down or up to where a row has no sheet of its own.
        let reaches = |s: &Sheet, [own, other]: [&Sheet; 2]| {
            let high = self.height().min(s.height());
            let [a, b] = [own.frame, other.frame];
            s.row != self.row && share(s, 1, high) && a[0] < b[0] && b[0] <= a[2] && a[2] < b[2]
        };
        let row = |row: usize| all.iter().filter(move |s| s.row == row);
        let next = |rows: &mut dyn Iterator<Item = usize>| {
            let met = rows.map(|r| row(r).filter(shared).collect::<Vec<_>>());
            met.into_iter().find(|m| !m.is_empty()).unwrap_or_default()
        };
        let last = all.iter().map(|s| s.row).max().unwrap_or(0);
        let own = row(self.row).position(|s| s.name == self.name);
        let at = own.unwrap_or(0);
        let before = row(self.row).take(at).last().map(|s| &*s.name);
        let after = row(self.row).nth(at + 1).map(|s| &*s.name);
        let left = |s: &&Sheet| Some(&*s.name) == before || reaches(s, [s, self]);
        let right = |s: &&Sheet| Some(&*s.name) == after || reaches(s, [self, s]);
        let near = [
            (all.iter().filter(left).collect(), "to the left"),
            (all.iter().filter(right).collect(), "to the right"),
            (next(&mut (0..self.row).rev()), "above"),
            (next(&mut (self.row + 1..=last)), "below"),
        ];
        let near = near.into_iter().filter(|n| !n.0.is_empty());
        let near = near.map(|(of, place): (Vec<&Sheet>, &str)| {
            let names: Vec<&str> = of.iter().map(|s| s.name.as_str()).collect();
            format!("{} {place}", names.join(", "))
        });
        let near: Vec<String> = near.collect();
        if near.is_empty() {
            String::new()
        } else {
            format!(": goes on in {}", near.join("; "))
        }
    }
}

impl<'a> Drawn<'a> {
    /// Reads what our own drawings consist of: each element begins a line.
    pub fn read(content: &'a str) -> Self {
        let mut drawn = Drawn {
            items: vec![],
            groups: vec![],
            corners: vec![],
        };
        let (mut start, mut depth) = (0, 0);
        let mut at = 0;
        for line in content.split_inclusive('\n') {
            let end = at + line.len();
            let trimmed = line.trim();
            if trimmed.starts_with("<g ") && !trimmed.ends_with("/>") {
                depth += 1;
            } else if trimmed == "</g>" {
                depth -= 1;
            }
            if depth <= 0 {
                drawn.item(&content[start..end]);
                start = end;
            }
            at = end;
        }
        drawn.group();
        drawn
    }

    fn item(&mut self, svg: &'a str) {
        let numbers = |key: &str| -> Vec<f64> {
            let text = attribute(svg, key).unwrap_or_default();
            let each = text.split([' ', ',']).filter_map(|n| n.parse().ok());
            each.collect()
        };
        let class = attribute(svg, "class").unwrap_or_default();
        let framed = numbers("data-box");
        let framed: Option<Frame> = framed.try_into().ok();
        let (kind, frame) = match (class, framed) {
            ("part", Some(frame)) => (Kind::Part, frame),
            ("flag", text) => {
                let pins = numbers("data-pins");
                let mut frame = text.unwrap_or(EMPTY);
                for p in pins.chunks_exact(2) {
                    frame = joined(frame, [p[0] - FLAG, p[1] - FLAG, p[0] + FLAG, p[1] + FLAG]);
                }
                // The sign for ground has no text that could be cut.
                let kind = if text.is_some() {
                    Kind::Flag
                } else {
                    Kind::Part
                };
                (kind, frame)
            }
            (_, Some(frame)) => (Kind::Text, frame),
            _ => {
                let wire = numbers("points");
                let corners = wire.chunks_exact(2).map(|p| (p[0], p[1]));
                self.corners.extend(corners.clone());
                let frame = corners.fold(EMPTY, |f, (x, y)| joined(f, [x, y, x, y]));
                let joint = [numbers("cx"), numbers("cy")].concat();
                match joint[..] {
                    [x, y] => (Kind::Line, [x, y, x, y]),
                    _ if frame != EMPTY => (Kind::Line, frame),
                    // The paper, on every sheet.
                    _ => (Kind::Line, EVERYWHERE),
                }
            }
        };
        let group = None;
        self.items.push(Item {
            svg,
            kind,
            frame,
            group,
        });
    }

    /// Texts follow the name of their part up to those that belong to none.
    fn group(&mut self) {
        let mut parts: HashMap<&str, Vec<usize>> = HashMap::new();
        for (k, item) in self.items.iter().enumerate() {
            if item.kind == Kind::Part {
                let name = attribute(item.svg, "data-name").unwrap_or_default();
                let own = name.rsplit_once('.').map_or(name, |n| n.1);
                parts.entry(own).or_default().push(k);
            }
        }
        let mut named = None;
        for k in 0..self.items.len() {
            let (svg, kind, frame) = (self.items[k].svg, self.items[k].kind, self.items[k].frame);
            if kind == Kind::Line {
                continue;
            }
            let class = attribute(svg, "class").unwrap_or_default();
            if class == "name" {
                let name = svg.split_once('>').and_then(|s| s.1.split_once('<'));
                let name = name.map_or("", |n| n.0);
                let own = name.rsplit_once('.').map_or(name, |n| n.1);
                let far = |&&p: &&usize| distance(self.items[p].frame, frame);
                let meant = parts
                    .get(own)
                    .and_then(|all| all.iter().min_by(|a, b| far(a).total_cmp(&far(b))));
                named = meant.and_then(|&p| self.items[p].group);
            } else if !matches!(class, "value" | "reading" | "over") {
                named = None;
            }
            let group = named.filter(|_| kind == Kind::Text).unwrap_or_else(|| {
                self.groups.push(EMPTY);
                self.groups.len() - 1
            });
            if class == "name" {
                named = Some(group);
            }
            self.groups[group] = joined(self.groups[group], frame);
            self.items[k].group = Some(group);
        }
    }

    /// What a sheet shows: lines and parts as far as they lie in it, and of texts and flags those
    /// that are whole in it with all that belongs to them.
    pub fn within(&self, frame: Frame) -> String {
        let shown = self.items.iter().filter(|item| {
            let whole = item.group.is_some_and(|g| is_within(self.groups[g], frame));
            match item.kind {
                Kind::Line | Kind::Part => touches(item.frame, frame),
                Kind::Flag | Kind::Text => whole,
            }
        });
        shown.map(|item| item.svg).collect()
    }

    /// Cuts a drawing of a size into sheets that are no larger.
    pub fn sheets(&self, size: (f64, f64), most: (f64, f64)) -> Vec<Sheet> {
        let room = (most.0 - 2.0 * MARGIN, most.1 - 2.0 * MARGIN);
        let corners = self.corners.iter().map(|&(x, y)| [x, y, x, y]);
        let all: Vec<Frame> = self.groups.iter().copied().chain(corners).collect();
        // What is larger than a sheet is whole in the overview alone.
        let fits = |f: &Frame| f[2] - f[0] <= room.0 && f[3] - f[1] <= room.1;
        let all: Vec<Frame> = all.into_iter().filter(fits).collect();
        let mut cells = Vec::new();
        for (row, (band, [top, bottom])) in bands(&all, size.1, room.1, 1).into_iter().enumerate() {
            for (own, [left, right]) in bands(&band, size.0, room.0, 0) {
                cells.push(Cell {
                    row,
                    region: [left, top, right, bottom],
                    own,
                });
            }
        }
        dissolve(&mut cells, room);
        let frames: Vec<Frame> = cells.iter().map(|c| c.grown(&all, size, most)).collect();
        let mut sheets: Vec<Sheet> = Vec::new();
        let (mut row, mut column) = (0, 0);
        for (cell, frame) in cells.iter().zip(frames) {
            if let Some(last) = sheets.last() {
                let is_new = cells[sheets.len() - 1].row != cell.row;
                row = last.row + usize::from(is_new);
                column = if is_new { 0 } else { column + 1 };
            }
            let letter = char::from(b'A' + (row % 26) as u8);
            sheets.push(Sheet {
                name: format!("{letter}{}", column + 1),
                frame,
                row,
            });
        }
        sheets
    }
}

/// A sheet while it is made up.
struct Cell {
    row: usize,
    /// From cut to cut.
    region: Frame,
    /// What has to be whole in it.
    own: Vec<Frame>,
}

impl Cell {
    fn needed(&self) -> Frame {
        self.own.iter().fold(EMPTY, |f, &g| joined(f, g))
    }

    /// Parts and texts among what it has to show.
    fn weight(&self) -> usize {
        self.own.iter().filter(|f| f[2] > f[0]).count()
    }

    /// Its frame: what it needs, its region and beyond as far as there is room, each edge where it
    /// cuts least.
    fn grown(&self, all: &[Frame], size: (f64, f64), most: (f64, f64)) -> Frame {
        let needed = self.needed();
        let mut frame = [
            (needed[0] - MARGIN).max(0.0),
            (needed[1] - MARGIN).max(0.0),
            (needed[2] + MARGIN).min(size.0),
            (needed[3] + MARGIN).min(size.1),
        ];
        // The content of the whole drawing ends where nothing more is to be shown.
        let whole = all.iter().fold(EMPTY, |f, &g| joined(f, g));
        for axis in [0, 1] {
            let (end, most, size) = (axis + 2, [most.0, most.1][axis], [size.0, size.1][axis]);
            let low = (self.region[axis] - OVERLAP)
                .max(whole[axis] - MARGIN)
                .max(0.0);
            let high = (self.region[end] + OVERLAP)
                .min(whole[end] + MARGIN)
                .min(size);
            let mut spare = (most - (frame[end] - frame[axis])).max(0.0);
            let wanted = [(frame[axis] - low).max(0.0), (high - frame[end]).max(0.0)];
            let less = (spare / (wanted[0] + wanted[1])).min(1.0);
            for (side, want) in [(axis, wanted[0]), (end, wanted[1])] {
                let far = (want * less).min(spare);
                if far <= 0.0 || far.is_nan() {
                    continue;
                }
                let sign = if side == axis { -1.0 } else { 1.0 };
                let across = frame;
                let cut = |at: f64| {
                    let mut line = across;
                    line[axis] = at;
                    line[end] = at;
                    let crosses = |g: &&Frame| g[axis] < at && at < g[end] && touches(**g, line);
                    all.iter().filter(crosses).count()
                };
                // As far out as it gets without a cut, but not back by more than the overlap.
                let tried = (0..=TRIED).map(|n| {
                    let back = far.min(OVERLAP) * n as f64 / TRIED as f64;
                    frame[side] + sign * (far - back)
                });
                let best = tried.min_by_key(|&at| cut(at)).unwrap_or(frame[side]);
                spare -= (best - frame[side]).abs();
                frame[side] = best;
            }
        }
        frame
    }
}

/// Does without cells whose contents fit on others', the emptiest first.
fn dissolve(cells: &mut Vec<Cell>, room: (f64, f64)) {
    let mut order: Vec<usize> = (0..cells.len()).collect();
    order.sort_by_key(|&k| cells[k].weight());
    let mut gone = vec![false; cells.len()];
    for k in order {
        let mut needed: Vec<Frame> = cells.iter().map(Cell::needed).collect();
        let mut moved = Vec::new();
        for &group in &cells[k].own {
            let grown = |n: usize| {
                let f = joined(needed[n], group);
                let (w, h) = (f[2] - f[0], f[3] - f[1]);
                let before = (needed[n][2] - needed[n][0]) * (needed[n][3] - needed[n][1]);
                (w <= room.0 && h <= room.1).then_some(w * h - before)
            };
            let others = (0..cells.len()).filter(|&n| n != k && !gone[n]);
            let others = others.filter_map(|n| Some((n, grown(n)?)));
            let Some((n, _)) = others.min_by(|a, b| a.1.total_cmp(&b.1)) else {
                break;
            };
            needed[n] = joined(needed[n], group);
            moved.push((n, group));
        }
        if moved.len() == cells[k].own.len() {
            gone[k] = true;
            cells[k].own.clear();
            let (row, left) = (cells[k].row, cells[k].region);
            let middle = (left[1] + left[3]) / 2.0;
            // The sheets above and below go on towards each other.
            for cell in cells.iter_mut().filter(|c| c.row != row) {
                let region = &mut cell.region;
                let shared = region[2].min(left[2]) - region[0].max(left[0]);
                if shared < (left[2] - left[0]) / 2.0 {
                    continue;
                }
                if region[3] == left[1] {
                    region[3] = middle;
                } else if region[1] == left[3] {
                    region[1] = middle;
                }
            }
            for (n, group) in moved {
                cells[n].own.push(group);
            }
        }
    }
    let mut gone = gone.into_iter();
    cells.retain(|_| !gone.next().unwrap_or(false));
}

/// Cuts a length into pieces whose contents are at most so long: near equal pieces, but where a
/// cut crosses the fewest boxes. Each with what belongs to it, and its ends.
fn bands(all: &[Frame], whole: f64, most: f64, axis: usize) -> Vec<(Vec<Frame>, [f64; 2])> {
    let fewest = (whole / most).ceil().max(1.0) as usize;
    let mut count = fewest;
    loop {
        let slack = ((most - whole / count as f64) / 2.0 - OVERLAP).max(OVERLAP);
        let mut cuts = vec![0.0];
        for k in 1..count {
            let middle = whole * k as f64 / count as f64;
            let crossed = |at: f64| {
                let crosses = |f: &&Frame| f[axis] < at && at < f[axis + 2];
                all.iter().filter(crosses).count()
            };
            let tried = (0..=2 * TRIED).map(|n| {
                // From the middle outwards: of equals the nearest is taken.
                let step = n.div_ceil(2) as f64 * if n % 2 == 0 { 1.0 } else { -1.0 };
                middle + slack * step / TRIED as f64
            });
            cuts.push(tried.min_by_key(|&at| crossed(at)).unwrap_or(middle));
        }
        cuts.push(whole);
        let pieces: Vec<(Vec<Frame>, [f64; 2])> = (cuts.windows(2).enumerate())
            .map(|(k, c)| {
                let is_own = |f: &&Frame| {
                    let middle = (f[axis] + f[axis + 2]) / 2.0;
                    (k == 0 || c[0] <= middle) && (k + 2 == cuts.len() || middle < c[1])
                };
                (all.iter().filter(is_own).copied().collect(), [c[0], c[1]])
            })
            .collect();
        let fits = pieces.iter().all(|(own, _)| {
            let f = own.iter().fold(EMPTY, |f, &g| joined(f, g));
            own.is_empty() || f[axis + 2] - f[axis] <= most
        });
        // A box nearly as long as a sheet may fit with nothing else: its sheet is printed smaller.
        if fits || count > fewest + 3 {
            return pieces.into_iter().filter(|p| !p.0.is_empty()).collect();
        }
        count += 1;
    }
}

const EMPTY: Frame = [
    f64::INFINITY,
    f64::INFINITY,
    f64::NEG_INFINITY,
    f64::NEG_INFINITY,
];
const EVERYWHERE: Frame = [
    f64::NEG_INFINITY,
    f64::NEG_INFINITY,
    f64::INFINITY,
    f64::INFINITY,
];

fn joined(a: Frame, b: Frame) -> Frame {
    [
        a[0].min(b[0]),
        a[1].min(b[1]),
        a[2].max(b[2]),
        a[3].max(b[3]),
    ]
}

fn touches(a: Frame, b: Frame) -> bool {
    a[0] <= b[2] && b[0] <= a[2] && a[1] <= b[3] && b[1] <= a[3]
}

fn is_within(a: Frame, b: Frame) -> bool {
    b[0] <= a[0] && a[2] <= b[2] && b[1] <= a[1] && a[3] <= b[3]
}

fn distance(a: Frame, b: Frame) -> f64 {
    let off = |k: usize| (a[k] + a[k + 2] - b[k] - b[k + 2]).abs();
    off(0) + off(1)
}

/// The first attribute of a name.
fn attribute<'a>(svg: &'a str, key: &str) -> Option<&'a str> {
    let (_, after) = svg.split_once(&format!(" {key}=\""))?;
    Some(after.split_once('"')?.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    const MOST: (f64, f64) = (1421.0, 831.0);

    fn part(name: &str, [x0, y0, x1, y1]: [i32; 4]) -> String {
        format!("<g class=\"part\" data-name=\"{name}\" data-box=\"{x0} {y0} {x1} {y1}\"/>\n")
    }

    fn text(class: &str, [x0, y0, x1, y1]: [i32; 4], words: &str) -> String {
        format!("<text class=\"{class}\" data-box=\"{x0} {y0} {x1} {y1}\">{words}</text>\n")
    }

    /// Every text is whole on a sheet, and where its part is; none is on a sheet in part.
    #[track_caller]
    fn all_is_whole(drawn: &Drawn<'_>, sheets: &[Sheet]) {
        for group in &drawn.groups {
            let whole = |s: &Sheet| is_within(*group, s.frame);
            assert!(sheets.iter().any(whole), "{group:?} is on no sheet");
        }
        for s in sheets {
            assert!(s.width() <= MOST.0 + 1e-9 && s.height() <= MOST.1 + 1e-9);
            let shown = Drawn::read_owned(&drawn.within(s.frame));
            for (frame, svg) in shown {
                assert!(is_within(frame, s.frame), "{} cuts {svg}", s.name);
            }
        }
    }

    impl Drawn<'_> {
        /// Frames of the texts in a piece.
        fn read_owned(content: &str) -> Vec<(Frame, String)> {
            let drawn = Drawn::read(content);
            let texts = drawn.items.iter().filter(|i| i.kind == Kind::Text);
            texts.map(|i| (i.frame, i.svg.to_string())).collect()
        }
    }

    #[test]
    fn texts_and_parts_are_whole_wherever_a_cut_falls() {
        // A stage every 100 units with no gap between its texts and the next one's: every cut
        // crosses some.
        let mut content = String::new();
        for (row, y) in [40, 420, 800, 1180].into_iter().enumerate() {
            for k in 0..29 {
                let (x, y) = (30 + 100 * k, y + 13 * (k % 7));
                let name = format!("R{row}X{k}");
                content += &part(&name, [x, y, x + 60, y + 80]);
                content += &text("name", [x - 5, y + 80, x + 65, y + 90], &name);
                content += &text("value", [x - 20, y + 90, x + 82, y + 100], "4.7k");
                content += &text("volts", [x + 55, y, x + 105, y + 10], "152 V");
            }
        }
        let drawn = Drawn::read(&content);
        assert_eq!(drawn.groups.len(), 2 * 4 * 29, "a part and its volts");
        let sheets = drawn.sheets((3000.0, 1600.0), MOST);
        assert!(sheets.len() <= 6, "{}", sheets.len());
        all_is_whole(&drawn, &sheets);
        assert_eq!(
            sheets[1].beside(&sheets),
            ": goes on in A1 to the left; A3 to the right; B2 below"
        );
    }

    /// A part that stands alone where nothing else is goes on a sheet beside it.
    #[test]
    fn no_sheet_is_nearly_empty() {
        let mut content = String::new();
        for k in 0..40 {
            let (x, y) = (30 + 130 * (k % 8), 30 + 130 * (k / 8));
            content += &part(&format!("R{k}"), [x, y, x + 40, y + 80]);
        }
        content += &part("RFAR", [1150, 300, 1190, 380]);
        content += "<polyline class=\"wire\" points=\"1100,300 1700,300\"/>\n";
        let drawn = Drawn::read(&content);
        let sheets = drawn.sheets((1750.0, 800.0), MOST);
        all_is_whole(&drawn, &sheets);
        let emptiest = sheets.iter().map(|s| {
            let own = drawn.groups.iter().filter(|g| is_within(**g, s.frame));
            own.count()
        });
        assert!(sheets.len() == 1 || emptiest.min() > Some(5));
    }
}
