//! Sound: clips, the built-in phrase, levels.

pub mod aliasing;
pub mod automation;
pub mod clip;
pub mod level;
pub mod phrase;
pub mod play;
pub mod stepper;
