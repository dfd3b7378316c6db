//! Sounds matched for comparison, with what there is to say about them.

use super::heard::Heard;
use crate::audio::clip::Clip;
use crate::audio::level::{self, Level};
use crate::audio::matched::{self, MOST_PEAK_DBFS, Matching, TARGET_LUFS, Together};
use crate::figure::Figure;
use crate::figure::digits::shown;
use crate::num;
use crate::report::player::{self, Column, PlayedSound, Player};

/// The fastest rate that all browsers play, Hz.
const FASTEST_HZ: u32 = 96_000;

/// A sound's figures as they were before it was matched.
#[derive(Debug)]
pub struct Before {
    /// What was set in this version.
    pub settings: Vec<(String, String)>,
    /// V, A or W; empty for a file, which is in parts of full scale.
    pub unit: &'static str,
    /// Its level in that unit: at the probe, whatever it is heard through.
    pub level: Level,
    /// By how much it was louder than the first sound, LU; none where they cannot be compared.
    pub louder_lu: Option<f64>,
    /// Loudness on the page, LUFS.
    pub loudness_lufs: Option<f64>,
    /// Figures asked for.
    pub figures: Vec<Option<(f64, &'static str)>>,
}

/// All that a page of sounds shows.
#[derive(Debug)]
pub struct Gathered {
    /// The sounds as they are played.
    pub sounds: Vec<PlayedSound>,
    /// The same as they were.
    pub before: Vec<Before>,
    /// The figures' names.
    pub figures: Vec<String>,
    /// Gains and peaks.
    pub matching: Matching,
    /// What was done to rates and lengths.
    pub together: Together,
    /// The table's columns.
    pub columns: Vec<Column>,
    /// What was done, in words.
    pub notes: Vec<String>,
}

impl Gathered {
    /// To be put on a page.
    pub fn player(&self) -> Player<'_> {
        Player {
            sounds: &self.sounds,
            columns: &self.columns,
            notes: &self.notes,
        }
    }
}

/// Brings sounds together and matches them. `about` says what is played.
///
/// # Errors
/// That of `poll`.
pub fn gathered<E>(
    heard: Vec<Heard>,
    figures: &[Figure],
    about: Option<String>,
    poll: &mut dyn FnMut() -> Result<(), E>,
) -> Result<Gathered, E> {
    let mut clips = Vec::new();
    let mut rest = Vec::new();
    for sound in heard {
        clips.push(sound.clip);
        rest.push((
            (sound.name, sound.settings, sound.unit, sound.figures),
            sound.at_probe,
        ));
    }
    let together = matched::together(&mut clips, FASTEST_HZ);
    let matching = matched::matching(&clips, poll)?;
    let units: Vec<&'static str> = rest.iter().map(|r| r.0.2).collect();
    let mut sounds = Vec::new();
    let mut before = Vec::new();
    for (k, (((name, settings, unit, found), at_probe), clip)) in
        rest.into_iter().zip(clips).enumerate()
    {
        poll()?;
        let mut level = Level::default();
        level.push(&clip.samples);
        let level = at_probe.unwrap_or(level);
        let gain = matching.gains[k];
        let silent = |k: usize| matching.silent.contains(&k);
        let comparable = unit == units[0] && !silent(k) && !silent(0);
        let louder_lu = comparable.then(|| level::decibels(matching.gains[0] / gain));
        let clip = Clip {
            rate_hz: clip.rate_hz,
            channels: 1,
            samples: clip.samples.iter().map(|x| x * gain).collect(),
        };
        let row = Before {
            settings,
            unit,
            level,
            louder_lu,
            loudness_lufs: matched::loudness_at(&clip, 1.0),
            figures: found,
        };
        sounds.push(PlayedSound {
            name,
            clip,
            cells: cells(&row, figures.len()),
        });
        before.push(row);
    }
    let number = |head: &str| Column {
        head: head.to_string(),
        is_number: true,
    };
    let mut columns = vec![number("Peak"), number("RMS"), number("Louder than A by")];
    columns.extend(figures.iter().map(|f| number(&f.text)));
    let notes = notes(about, &together, &matching, before.len());
    Ok(Gathered {
        sounds,
        before,
        figures: figures.iter().map(|f| f.text.clone()).collect(),
        matching,
        together,
        columns,
        notes,
    })
}

/// A peak or rms value as it is shown: in its unit, or below full scale.
fn amplitude(value: f64, unit: &str) -> String {
    match unit {
        "" if value > 0.0 => format!("{:.1} dBFS", level::decibels(value)),
        "" => "silent".to_string(),
        unit => num::engineering(value, unit, 4),
    }
}

fn cells(row: &Before, figures: usize) -> Vec<String> {
    let mut cells = vec![
        amplitude(row.level.peak(), row.unit),
        amplitude(row.level.rms(), row.unit),
        row.louder_lu
            .map_or(String::new(), |lu| format!("{:+.1} LU", lu + 0.0)),
    ];
    // A file is of no circuit and has no figures.
    let none = vec![None; figures];
    let found = if row.figures.is_empty() {
        &none
    } else {
        &row.figures
    };
    cells.extend(found.iter().map(|f| match f {
        Some((value, unit)) => shown(*value, unit),
        None => String::new(),
    }));
    cells
}

/// `A, B and D`.
fn letters(which: &[usize]) -> String {
    let all: Vec<String> = which
        .iter()
        .map(|&k| player::letter(k).to_string())
        .collect();
    match all.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} and {last}", rest.join(", ")),
        _ => all.concat(),
    }
}

/// What was done to the sounds, in words.
fn notes(
    about: Option<String>,
    together: &Together,
    matching: &Matching,
    count: usize,
) -> Vec<String> {
    let mut notes: Vec<String> = about.into_iter().collect();
    let seconds = together.length as f64 / f64::from(together.rate_hz);
    if !together.converted.is_empty() {
        notes.push(format!(
            "Sample rates differ: {} brought to {} Hz.",
            letters(&together.converted),
            together.rate_hz
        ));
    }
    if !together.cut.is_empty() {
        notes.push(format!(
            "Lengths differ: {} cut to that of the shortest, {seconds:.2} s.",
            letters(&together.cut)
        ));
    }
    let mut text = format!(
        "{} at {:.1} LUFS (integrated loudness, ITU-R BS.1770-4)",
        if count > 1 {
            "Equal loudness: all sounds are"
        } else {
            "The sound is"
        },
        matching.loudness_lufs
    );
    if matching.lowered_lu > 0.0 {
        text += &format!(
            ", {:.1} LU below the usual {TARGET_LUFS:.0}, so that the highest peak stays at \
             {MOST_PEAK_DBFS:.0} dB re full scale",
            matching.lowered_lu
        );
    }
    if count > 1 {
        text += ". Peak, RMS and loudness in the table are those before matching";
    }
    notes.push(text + ".");
    if !matching.by_power.is_empty() {
        notes.push(format!(
            "Nowhere loud enough for the loudness meter, and matched by its power: {}.",
            letters(&matching.by_power)
        ));
    }
    if !matching.silent.is_empty() {
        notes.push(format!("Silent: {}.", letters(&matching.silent)));
    }
    notes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_are_listed_as_one_writes() {
        assert_eq!(letters(&[1]), "B");
        assert_eq!(letters(&[0, 2]), "A and C");
        assert_eq!(letters(&[0, 1, 3]), "A, B and D");
    }
}
