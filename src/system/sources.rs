//! What the independent sources are worth when a solution is asked for.

use crate::device::source::Drive;

/// What a solution is asked of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SourceState {
    /// Time, s: what the sources are worth. None: their DC values.
    pub time: Option<f64>,
    /// Factor on every independent source (1 but while stepping sources).
    pub sources: f64,
    /// Conductance from every node to ground, S (0 but while stepping it).
    pub gmin: f64,
}

impl SourceState {
    /// The DC operating point.
    pub const DC: SourceState = SourceState {
        time: None,
        sources: 1.0,
        gmin: 0.0,
    };

    /// The sources at a time.
    pub fn at(time: f64) -> SourceState {
        SourceState {
            time: Some(time),
            ..SourceState::DC
        }
    }
}

/// An independent source by its place in the circuit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Driven {
    /// Index into the branches.
    Voltage(usize),
    /// Index into the currents.
    Current(usize),
}

impl Driven {
    /// The unit of what it gives: V or A.
    pub fn unit(self) -> &'static str {
        match self {
            Driven::Voltage(_) => "V",
            Driven::Current(_) => "A",
        }
    }
}

/// What a source is worth at a time, if it is one of those that move.
pub fn source_value(
    drive: &Drive,
    which: Driven,
    time: Option<f64>,
    moving: Option<&[Driven]>,
) -> f64 {
    let moves = moving.is_none_or(|those| those.contains(&which));
    match time {
        Some(t) if moves => drive.value(t),
        _ => drive.dc,
    }
}
