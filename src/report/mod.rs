//! What leaves the tool: files, sound, pictures.

pub mod csv;
pub mod file;
mod flac;
mod folder;
pub mod json;
pub mod kept;
pub mod lettering;
pub mod page;
pub mod player;
pub mod plot;
pub mod progress;
pub mod svg;
pub mod table;
pub mod terminal;
mod unnamed;
pub mod wav;
