//! What a player is given, and the letters that its sounds go by.

use crate::audio::clip::Clip;

/// What sounds are called; X, Y and Z are left for the unknown of the blind test.
pub const LETTERS: &str = "ABCDEFGHIJKLMNOPQRSTUVW";

/// A sound of a player.
#[derive(Debug, Clone)]
pub struct PlayedSound {
    /// What it is, as plain text.
    pub name: String,
    /// Its samples, full scale being one. All sounds of a player have one rate and length.
    pub clip: Clip,
    /// What stands in the player's columns, as plain text.
    pub cells: Vec<String>,
}

/// A column of the table of sounds.
#[derive(Debug, Clone)]
pub struct Column {
    /// Its heading, as plain text.
    pub head: String,
    /// Whether its cells are numbers, which are set flush right.
    pub is_number: bool,
}

/// All that a player shows.
#[derive(Debug, Clone, Copy)]
pub struct Player<'a> {
    /// At most as many as there are [`LETTERS`].
    pub sounds: &'a [PlayedSound],
    /// Columns of the table beside letter and name.
    pub columns: &'a [Column],
    /// What was done to the sounds, as plain text; a paragraph each.
    pub notes: &'a [String],
}

/// The letter of a sound by its number.
pub fn letter(k: usize) -> char {
    LETTERS.chars().nth(k).unwrap_or('?')
}
