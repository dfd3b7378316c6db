//! How much of what oversampling leaves may be heard.

/// Aliases below this are good enough, dB re the sound: the noise of a valve amplifier is
/// above it (common practice, no published source).
pub const ALIASES_DB: f64 = -80.0;

/// A tone error below this is good enough, dB: one part in a thousand, 0.01 dB.
pub const TONE_DB: f64 = -60.0;
