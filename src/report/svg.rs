//! SVG, written element by element: one small layer for plots and drawings.

use super::lettering::breadth;
use super::table::broken;
use std::fmt::Write;

/// The caution that every picture carries, short enough for a line under it.
pub const CAUTION: &str = "Caution: hundreds of volts, also after switch-off. Computed, not measured: discharge and \
                           check, follow local codes, leave mains to licensed practice.";
/// Height of its letters, px.
const CAUTION_SIZE: f64 = 10.0;

/// An SVG text under way.
#[derive(Debug, Default)]
pub struct Svg {
    text: String,
    open: Vec<&'static str>,
}

/// A length as it is written: at most two places after the point.
pub fn length(value: f64) -> String {
    let rounded = (value * 100.0).round() / 100.0;
    // Zero has no sign.
    (rounded + 0.0).to_string()
}

/// Points as `x,y x,y`.
pub fn points(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let pairs = points
        .into_iter()
        .map(|(x, y)| format!("{},{}", length(x), length(y)));
    pairs.collect::<Vec<_>>().join(" ")
}

/// A text as it may stand between tags and in quotes; control characters become blanks.
pub fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\u{fffe}' | '\u{ffff}' => safe.push(' '),
            c if c.is_control() => safe.push(' '),
            c => safe.push(c),
        }
    }
    safe
}

/// Rules for a dark screen: each colour of an element's `fill` and `stroke` gives way to another.
/// Colours that are attributes need no other rules, so that a page can do without these.
pub fn dark_rules<'a>(pairs: impl IntoIterator<Item = (&'a str, &'a str)>) -> String {
    let rule = |(light, dark)| {
        format!("[fill=\"{light}\"]{{fill:{dark}}}[stroke=\"{light}\"]{{stroke:{dark}}}\n")
    };
    let all: String = pairs.into_iter().map(rule).collect();
    format!("@media (prefers-color-scheme:dark){{\n{all}}}\n")
}

impl Svg {
    /// An empty picture of a size, with a title and a style sheet of its own.
    pub fn new(width: f64, height: f64, title: &str, style: &str) -> Svg {
        let mut svg = Svg::default();
        let (w, h) = (length(width), length(height));
        let _ = writeln!(
            svg.text,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" \
             viewBox=\"0 0 {w} {h}\">\n<title>{}</title>\n<style>\n{style}</style>",
            escaped(title)
        );
        svg
    }

    fn tag(&mut self, name: &str, attributes: &[(&str, &str)]) {
        let _ = write!(self.text, "<{name}");
        for (key, value) in attributes {
            let _ = write!(self.text, " {key}=\"{}\"", escaped(value));
        }
    }

    /// An element without contents.
    pub fn element(&mut self, name: &str, attributes: &[(&str, &str)]) {
        self.tag(name, attributes);
        self.text.push_str("/>\n");
    }

    /// An element with nothing but a text in it.
    pub fn with_text(&mut self, name: &str, attributes: &[(&str, &str)], text: &str) {
        self.tag(name, attributes);
        let _ = writeln!(self.text, ">{}</{name}>", escaped(text));
    }

    /// Words at a place; `anchor` says which part of them stands there: start, middle or end.
    pub fn words(&mut self, class: &str, anchor: &str, (x, y): (f64, f64), words: &str) {
        let (x, y) = (length(x), length(y));
        let attributes = [
            ("class", class),
            ("text-anchor", anchor),
            ("x", &*x),
            ("y", &*y),
        ];
        self.with_text("text", &attributes, words);
    }

    /// The same in letters of a size and colour of their own.
    pub fn letters(
        &mut self,
        (x, y): (f64, f64),
        (anchor, size): (&str, f64),
        ink: &str,
        more: &[(&str, &str)],
        words: &str,
    ) {
        let (x, y, size) = (length(x), length(y), length(size));
        let mut attributes = vec![
            ("x", &*x),
            ("y", &*y),
            ("text-anchor", anchor),
            ("font-size", &*size),
            ("fill", ink),
        ];
        attributes.extend(more);
        self.with_text("text", &attributes, words);
    }

    /// The caution, with its first line's middle at a height and no wider than the picture allows.
    pub fn caution(&mut self, (x, y): (f64, f64), wide: f64, ink: &str) {
        let letters = (wide * CAUTION.len() as f64 / breadth(CAUTION, CAUTION_SIZE)) as usize;
        for (k, line) in broken(CAUTION, letters).iter().enumerate() {
            let base = (x, y + 0.36 * CAUTION_SIZE + 1.3 * CAUTION_SIZE * k as f64);
            let class = [("class", "caution")];
            self.letters(base, ("start", CAUTION_SIZE), ink, &class, line);
        }
    }

    /// A line through points.
    pub fn line(&mut self, line: &[(f64, f64)], width: f64, ink: &str, more: &[(&str, &str)]) {
        let (width, points) = (length(width), points(line.iter().copied()));
        let mut attributes = vec![("fill", "none"), ("stroke", ink), ("stroke-width", &*width)];
        attributes.extend(more);
        attributes.push(("points", &points));
        self.element("polyline", &attributes);
    }

    /// A rectangle with its upper left corner at a place.
    pub fn block(&mut self, (x, y): (f64, f64), (width, height): (f64, f64), ink: &str) {
        let [x, y, width, height] = [x, y, width, height].map(length);
        let attributes = [
            ("x", &*x),
            ("y", &*y),
            ("width", &*width),
            ("height", &*height),
            ("fill", ink),
        ];
        self.element("rect", &attributes);
    }

    /// A circle, filled, with a line of one pixel round it if that has a colour.
    pub fn disc(&mut self, (x, y): (f64, f64), radius: f64, ink: &str, line: &str) {
        let [x, y, radius] = [x, y, radius].map(length);
        let mut attributes = vec![("cx", &*x), ("cy", &*y), ("r", &*radius), ("fill", ink)];
        if !line.is_empty() {
            attributes.push(("stroke", line));
        }
        self.element("circle", &attributes);
    }

    /// Opens an element; [`Svg::close`] ends it.
    pub fn open(&mut self, name: &'static str, attributes: &[(&str, &str)]) {
        self.tag(name, attributes);
        self.text.push_str(">\n");
        self.open.push(name);
    }

    /// Ends what was opened last.
    pub fn close(&mut self) {
        if let Some(name) = self.open.pop() {
            let _ = writeln!(self.text, "</{name}>");
        }
    }

    /// The whole text.
    pub fn finish(mut self) -> String {
        while !self.open.is_empty() {
            self.close();
        }
        self.text.push_str("</svg>\n");
        self.text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_are_escaped_and_lengths_short() {
        let mut svg = Svg::new(10.0, 20.5, "a < b", "");
        svg.with_text("text", &[("data-name", "\"R1\" & R2")], "\u{7}5 > 4");
        let text = svg.finish();
        assert!(text.contains("<title>a &lt; b</title>"));
        assert!(text.contains("data-name=\"&quot;R1&quot; &amp; R2\"> 5 &gt; 4</text>"));
        assert_eq!(length(-0.001), "0");
        assert_eq!(points([(1.0, 2.25), (3.333, 4.0)]), "1,2.25 3.33,4");
    }
}
