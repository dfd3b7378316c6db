//! The player's pictures: waveforms and third-octave spectra, as SVG within the page, in its
//! colours.

use super::sounds::{PlayedSound, letter};
use crate::audio::clip::Clip;
use crate::audio::fingerprint::{self, Fingerprint};
use crate::num;
use crate::report::page::escaped;
use crate::report::svg::{length, points};
use std::f64::consts::SQRT_2;
use std::fmt::Write;

/// Columns of a waveform.
const COLUMNS: usize = 600;
/// Half the height that a waveform is drawn in.
const HALF: f64 = 50.0;
/// What is drawn below the loudest band, dB.
const DEPTH_DB: f64 = 70.0;

/// A sound's least and greatest samples over time, full scale being the height of the picture.
pub fn waveform(clip: &Clip, label: &str) -> String {
    let count = clip.samples.len();
    let columns = COLUMNS.min(count).max(1);
    let (mut upper, mut lower) = (Vec::new(), Vec::new());
    for column in 0..columns {
        let (from, to) = (column * count / columns, (column + 1) * count / columns);
        let part = &clip.samples[from..to];
        let y = |x: f64| HALF * (1.0 - x.clamp(-1.0, 1.0));
        let (low, high) = part.iter().fold((0.0f64, 0.0f64), |(low, high), &x| {
            (low.min(x), high.max(x))
        });
        let x = (column as f64 + 0.5) * COLUMNS as f64 / columns as f64;
        // Silence is still a line.
        upper.push((x, (y(high) - 0.5).round()));
        lower.push((x, (y(low) + 0.5).round()));
    }
    lower.reverse();
    upper.extend(lower);
    format!(
        "<svg viewBox=\"0 0 {COLUMNS} {}\" preserveAspectRatio=\"none\" role=\"img\" \
         aria-label=\"{}\"><polygon points=\"{}\"/></svg>",
        length(2.0 * HALF),
        escaped(label),
        points(upper)
    )
}

/// How a curve is distinguished from the others: by dashes, in print and whatever colours a reader
/// sees, and by colour. No two of 24 share both.
fn look(k: usize) -> String {
    format!("c{} d{}", k % 6, (k + k / 6) % 4)
}

/// A chart's place on its picture.
struct Frame {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    low_db: f64,
    high_db: f64,
    bands: Vec<i32>,
}

impl Frame {
    fn new(bands: Vec<i32>, low_db: f64, high_db: f64) -> Self {
        Frame {
            left: 46.0,
            right: 512.0,
            top: 12.0,
            bottom: 246.0,
            low_db,
            high_db,
            bands,
        }
    }

    fn x(&self, k: usize) -> f64 {
        let last = self.bands.len().saturating_sub(1).max(1);
        self.left + 8.0 + (self.right - self.left - 16.0) * k as f64 / last as f64
    }

    fn scale(&self) -> f64 {
        (self.bottom - self.top) / (self.high_db - self.low_db)
    }

    fn y(&self, db: f64) -> f64 {
        self.bottom - (db.clamp(self.low_db, self.high_db) - self.low_db) * self.scale()
    }

    /// The grid with its figures.
    fn grid(&self, step_db: f64) -> String {
        let mut text = String::new();
        let mut db = self.low_db;
        while db <= self.high_db + 1e-9 {
            let y = length(self.y(db));
            let class = if db == 0.0 { "zero" } else { "grid" };
            let _ = write!(
                text,
                "<path class=\"{class}\" d=\"M{},{y}H{}\"/><text x=\"{}\" y=\"{}\" \
                 text-anchor=\"end\">{}</text>",
                length(self.left),
                length(self.right),
                length(self.left - 5.0),
                length(self.y(db) + 4.5),
                num::full(db)
            );
            db += step_db;
        }
        for (k, &band) in self.bands.iter().enumerate() {
            // Every octave from 31.5 Hz: 1 kHz is band 0.
            if band.rem_euclid(3) == 0 {
                let x = length(self.x(k));
                let _ = write!(
                    text,
                    "<path class=\"grid\" d=\"M{x},{}V{}\"/><text x=\"{x}\" y=\"{}\" \
                     text-anchor=\"middle\">{}</text>",
                    length(self.top),
                    length(self.bottom),
                    length(self.bottom + 17.0),
                    nominal(band)
                );
            }
        }
        text
    }
}

/// The nominal mid-band frequency (IEC 61260-1, table E.1; from memory), kHz with a k.
fn nominal(band: i32) -> String {
    const DECADE: [&str; 10] = ["1", "1.25", "1.6", "2", "2.5", "3.15", "4", "5", "6.3", "8"];
    let figure: f64 = DECADE[band.rem_euclid(10) as usize]
        .parse()
        .expect("a figure");
    let hz = figure * [1.0, 10.0, 100.0, 1000.0, 10_000.0][(band.div_euclid(10) + 3) as usize];
    // Rounded, because a decimal fraction times ten is none exactly.
    let hz = (hz * 100.0).round() / 100.0;
    if hz >= 1000.0 {
        format!("{}k", num::full(hz / 1000.0))
    } else {
        num::full(hz)
    }
}

/// The spectra, their differences, and all of it in figures.
pub fn spectra(sounds: &[PlayedSound], heading: u8, choices: &str) -> String {
    let Some(rate_hz) = sounds.first().map(|s| s.clip.rate_hz) else {
        return String::new();
    };
    let bands: Vec<i32> = fingerprint::bands(rate_hz).collect();
    if bands.is_empty() {
        return String::new();
    }
    // Zero is a sine of full scale.
    let sine = 20.0 * crate::math::fun::log10(SQRT_2);
    let tenth = |db: f64| (db * 10.0).round() / 10.0 + 0.0;
    let levels: Vec<Vec<f64>> = sounds
        .iter()
        .map(|s| Fingerprint::of(&s.clip).bands_db)
        .map(|own| {
            own.into_iter()
                .map(|db| tenth((db + sine).max(-200.0)))
                .collect()
        })
        .collect();
    let highest = levels.iter().flatten().fold(-200.0, |a: f64, &b| a.max(b));
    let top = 10.0 * (highest / 10.0).ceil();
    let mut text = format!("<h{heading}>Spectra</h{heading}>\n");
    text += &legend(sounds);
    let frame = Frame::new(bands.clone(), top - DEPTH_DB, top);
    text += &figure(
        &frame,
        10.0,
        &levels,
        |k, b| levels[k][b],
        "spectrum",
        "Level in each third of an octave (IEC 61260-1), dB; 0 is a sine of full scale. Hz below",
    );
    if sounds.len() > 1 {
        let spread = |b: usize| {
            let own = levels.iter().map(|l| l[b]);
            let (low, high) = own.fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
            high - low
        };
        let widest = (0..bands.len()).map(spread).fold(0.0, f64::max);
        let (most, step) = scale(widest);
        let frame = Frame::new(bands.clone(), -most, most);
        let _ = writeln!(
            text,
            "<p class=\"control\" hidden><label>Compare with <select data-is=\"against\">{choices}\
             </select></label></p>"
        );
        text += &figure(
            &frame,
            step,
            &levels,
            |k, b| levels[k][b] - levels[0][b],
            "difference",
            "<span data-is=\"difference-said\">Difference to A</span>, dB. Hz below",
        );
    }
    text += &in_figures(sounds, &bands, &levels);
    text
}

/// The end of the axis of differences, and its steps, dB.
fn scale(widest: f64) -> (f64, f64) {
    for (most, step) in [
        (3.0, 1.0),
        (6.0, 2.0),
        (12.0, 4.0),
        (20.0, 5.0),
        (30.0, 10.0),
    ] {
        if widest <= most {
            return (most, step);
        }
    }
    (DEPTH_DB, 10.0)
}

fn legend(sounds: &[PlayedSound]) -> String {
    let entry = |(k, sound): (usize, &PlayedSound)| {
        format!(
            "<li><svg viewBox=\"0 0 40 12\" aria-hidden=\"true\"><path class=\"curve {}\" \
             d=\"M0,6H40\"/></svg><strong>{}</strong> {}</li>\n",
            look(k),
            letter(k),
            escaped(&sound.name)
        )
    };
    let entries: String = sounds.iter().enumerate().map(entry).collect();
    format!("<ul class=\"legend\">\n{entries}</ul>\n")
}

fn figure(
    frame: &Frame,
    step_db: f64,
    levels: &[Vec<f64>],
    value: impl Fn(usize, usize) -> f64,
    class: &str,
    caption: &str,
) -> String {
    let curves = levels.iter().enumerate().map(|(k, own)| {
        let line = (0..own.len()).map(|b| (frame.x(b), frame.y(value(k, b))));
        let figures: Vec<String> = own.iter().map(|&db| num::full(db)).collect();
        format!(
            "<polyline class=\"curve {}\" data-sound=\"{k}\" data-levels=\"{}\" points=\"{}\"/>\n",
            look(k),
            figures.join(" "),
            points(line)
        )
    });
    let curves: String = curves.collect();
    let xs: Vec<String> = (0..frame.bands.len()).map(|k| length(frame.x(k))).collect();
    let plain = if class == "difference" {
        "Differences of the spectra"
    } else {
        "Spectra"
    };
    format!(
        "<figure class=\"chart {class}\"><svg viewBox=\"0 0 520 270\" role=\"img\" \
         aria-label=\"{plain}; the figures are in the table below\" data-is=\"{class}\" \
         data-x=\"{}\" data-y=\"{}\" data-scale=\"{}\">{}\n{curves}</svg>\n\
         <figcaption>{caption}</figcaption></figure>\n",
        xs.join(" "),
        length(frame.y(0.0)),
        num::full((frame.scale() * 1e4).round() / 1e4),
        frame.grid(step_db)
    )
}

fn in_figures(sounds: &[PlayedSound], bands: &[i32], levels: &[Vec<f64>]) -> String {
    let mut text = String::from(
        "<details><summary>Spectra in figures</summary>\n<div class=\"scrolls\" tabindex=\"0\" \
         role=\"region\" aria-label=\"Spectra in figures\"><table>\n<thead><tr>\
         <th scope=\"col\" class=\"number\">Hz</th>",
    );
    for k in 0..sounds.len() {
        let _ = write!(
            text,
            "<th scope=\"col\" class=\"number\">{}, dB</th>",
            letter(k)
        );
    }
    text += "</tr></thead>\n<tbody>\n";
    for (b, &band) in bands.iter().enumerate() {
        let _ = write!(
            text,
            "<tr><th scope=\"row\" class=\"number\">{}</th>",
            nominal(band)
        );
        for own in levels {
            let _ = write!(text, "<td class=\"number\">{:.1}</td>", own[b]);
        }
        text += "</tr>\n";
    }
    text + "</tbody>\n</table></div></details>\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nominal_frequencies_are_those_of_the_standard() {
        let shown: Vec<String> = (-16..=13).map(nominal).collect();
        assert_eq!(
            shown.join(" "),
            "25 31.5 40 50 63 80 100 125 160 200 250 315 400 500 630 800 1k 1.25k 1.6k 2k 2.5k \
             3.15k 4k 5k 6.3k 8k 10k 12.5k 16k 20k"
        );
    }

    #[test]
    fn curves_are_told_apart_without_colours_and_no_two_look_alike() {
        let looks: Vec<String> = (0..24).map(look).collect();
        let dashes: Vec<&str> = looks[..4].iter().map(|l| &l[3..]).collect();
        assert_eq!(dashes, ["d0", "d1", "d2", "d3"]);
        let different: std::collections::HashSet<&String> = looks.iter().collect();
        assert_eq!(different.len(), looks.len());
    }

    #[test]
    fn a_waveform_fills_the_height_at_full_scale_and_silence_is_a_line() {
        let clip = |samples: Vec<f64>| Clip {
            rate_hz: 48_000,
            channels: 1,
            samples,
        };
        let full = waveform(&clip(vec![1.0, -1.0, 1.0, -1.0]), "w");
        // Half a line beyond: it is drawn one unit thick.
        assert!(full.contains("points=\"75,-1 "), "{full}");
        let silent = waveform(&clip(vec![0.0; 4000]), "w");
        assert!(
            silent.contains("0.5,50 ") && silent.contains("0.5,51"),
            "{silent}"
        );
    }
}
