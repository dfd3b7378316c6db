//! Sound: clips, the built-in phrase, levels, the loudspeaker to listen through.

pub mod aliasing;
pub mod automation;
pub mod cabinet;
pub mod clip;
pub mod fingerprint;
pub mod level;
pub mod loudness;
pub mod loudspeaker;
pub mod matched;
pub mod phrase;
pub mod play;
pub mod stepper;
pub mod steps;
