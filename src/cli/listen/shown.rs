//! What `listen` says about the sounds: on the terminal, as CSV and as JSON.

use super::gathered::Gathered;
use crate::audio::fingerprint::{self, Fingerprint};
use crate::audio::level;
use crate::num;
use crate::report::csv::Csv;
use crate::report::player::letter;
use crate::report::table::{Side, Table};
use serde_json::{Value, json};

/// One row a sound and quantity.
pub fn csv(found: &Gathered) -> String {
    let mut csv = Csv::empty();
    let mut write = |row: [&str; 5]| csv.row(row);
    write(["sound", "name", "quantity", "value", "unit"]);
    for (k, (sound, before)) in found.sounds.iter().zip(&found.before).enumerate() {
        let letter = letter(k).to_string();
        let none = f64::NAN;
        let peak = found.matching.peaks_dbfs[k].unwrap_or(none);
        let mut row = |quantity: &str, value: f64, unit: &str| {
            write([&letter, &sound.name, quantity, &num::full(value), unit]);
        };
        row("peak", before.level.peak(), before.unit);
        row("rms", before.level.rms(), before.unit);
        row("louder", before.louder_lu.unwrap_or(none), "LU");
        row("gain", level::decibels(found.matching.gains[k]), "dB");
        row("loudness", before.loudness_lufs.unwrap_or(none), "LUFS");
        row("page peak", peak, "dBFS");
        for (name, figure) in found.figures.iter().zip(&before.figures) {
            let (value, unit) = figure.unwrap_or((none, ""));
            row(name, value, unit);
        }
    }
    csv.text()
}

/// For the JSON file.
pub fn record(title: &str, found: &Gathered) -> Value {
    let rate_hz = found.together.rate_hz;
    let sound = |k: usize| {
        let (sound, before) = (&found.sounds[k], &found.before[k]);
        let settings: serde_json::Map<String, Value> = before
            .settings
            .iter()
            .map(|(name, value)| (name.clone(), value.as_str().into()))
            .collect();
        let figures = found
            .figures
            .iter()
            .zip(&before.figures)
            .map(|(name, figure)| {
                json!({
                    "figure": name,
                    "value": figure.map(|f| f.0),
                    "unit": figure.map(|f| f.1),
                })
            });
        let levels = Fingerprint::of(&sound.clip).bands_db;
        json!({
            "sound": letter(k).to_string(),
            "name": sound.name,
            "settings": settings,
            "unit": before.unit,
            "peak": before.level.peak(),
            "rms": before.level.rms(),
            "louder_lu": before.louder_lu,
            "gain_db": level::decibels(found.matching.gains[k]),
            "loudness_lufs": before.loudness_lufs,
            "page_peak_dbfs": found.matching.peaks_dbfs[k],
            "third_octaves_db": levels,
            "figures": figures.collect::<Vec<_>>(),
        })
    };
    json!({
        "title": title,
        "rate_hz": rate_hz,
        "samples": found.together.length,
        "loudness_lufs": found.matching.loudness_lufs,
        "lowered_lu": found.matching.lowered_lu,
        "third_octaves_hz": fingerprint::bands(rate_hz).map(fingerprint::mid_hz).collect::<Vec<_>>(),
        "sounds": (0..found.sounds.len()).map(sound).collect::<Vec<_>>(),
        "notes": found.notes,
    })
}

/// For the terminal.
pub fn printed(title: &str, found: &Gathered, out: &str) -> String {
    let mut columns = vec![("sound", Side::Left), ("what it is", Side::Left)];
    let heads = found.columns.iter().map(|c| (c.head.as_str(), Side::Right));
    columns.extend(heads);
    let mut table = Table::new(&columns);
    for (k, sound) in found.sounds.iter().enumerate() {
        let first = [letter(k).to_string(), sound.name.clone()];
        table.row(first.into_iter().chain(sound.cells.iter().cloned()));
    }
    let notes: String = found.notes.iter().map(|n| format!("{n}\n")).collect();
    format!(
        "{title}\n\n{}\n{notes}{out}: open it in a browser\n",
        table.text()
    )
}
