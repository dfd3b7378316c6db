//! A player for a page: sounds of one length that are changed over without a gap, compared by eye
//! and distinguished blind.
//!
//! Sounds are WAV files of 16 bits within the page. A FLAC encoder (flacenc 0.5) was measured: it
//! brings the Lapwing's overdriven phrase from 480 to 260 kB, but adds 14 crates and some 20 s of
//! processor to the build of the tool, which takes 67 s, and takes the windows of its predictors
//! from the system's cosine, so that the same input need not give the same bytes everywhere.

mod charts;
mod markup;
mod sounds;

use super::wav::WavProblem;
pub use sounds::{Column, LETTERS, PlayedSound, Player, letter};

/// The player's styles, to come after those of the page.
pub const STYLE: &str = include_str!("player/player.css");
/// The player's script, once a page, at its end.
pub const SCRIPT: &str = include_str!("player/player.js");

impl Player<'_> {
    /// The player as HTML, with headings of a level (2 on a page of its own). The page also needs
    /// [`STYLE`] and [`SCRIPT`].
    ///
    /// # Errors
    /// If a sound cannot be written as WAV: it is longer than the form allows, or not finite.
    pub fn markup(&self, heading: u8) -> Result<String, WavProblem> {
        markup::markup(self, heading)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::clip::Clip;

    #[test]
    fn names_are_shown_and_never_obeyed() {
        let sound = |name: &str| PlayedSound {
            name: name.into(),
            clip: Clip {
                rate_hz: 48_000,
                channels: 1,
                samples: vec![0.1; 4800],
            },
            cells: vec!["<b>1</b>".into()],
        };
        let sounds = [sound("\"><script>alert(1)</script>"), sound("plain")];
        let columns = [Column {
            head: "<i>".into(),
            is_number: true,
        }];
        let notes = ["</section>".to_string()];
        let player = Player {
            sounds: &sounds,
            columns: &columns,
            notes: &notes,
        };
        let text = player.markup(2).unwrap();
        for tag in ["<script", "<b>", "<i>"] {
            assert!(!text.contains(tag), "{tag}");
        }
        assert_eq!(text.matches("</section>").count(), 2);
        assert!(text.contains("&quot;&gt;&lt;script&gt;alert(1)&lt;/script&gt;"));
    }

    #[test]
    fn style_and_script_are_small_and_ask_for_nothing() {
        assert!(STYLE.len() + SCRIPT.len() + crate::report::page::STYLE.len() < 60_000);
        for text in [STYLE, SCRIPT, crate::report::page::STYLE] {
            for word in ["http:", "https:", "url(", "@import", "fetch(", "XMLHttp"] {
                assert!(!text.contains(word), "{word}");
            }
        }
    }
}
