//! How a steady state is sought: under a signal, in a mains cycle, or both.

/// Far from the answer a mains cycle may stray by N times more: where the last correction was more than
/// the first, in multiples of what counts as closed, by the second.
const FAR: (f64, f64) = (1e5, 100.0);
const FAR_PLAIN: f64 = 10.0;
/// Beside the mains a signal's may stray by up to the second, a part of an amplitude, until the first
/// correction of no more than the first: on coarser meshes the corrections do not shrink below that.
const FAR_BESIDE: f64 = 1e3;
const LOOSEST: f64 = 1e-4;
/// So they may by the second times more after a correction of more than the first, and before any.
const FARTHEST_BESIDE: (f64, f64) = (1e4, 10.0);
/// There a period counts as closed at this part of what an unknown may be off by.
const CLOSED: f64 = 0.1;

/// What settles more slowly than in the inverse of this many periods is kept where it is in a mains
/// cycle: a capacitor that nothing discharges.
pub const KEEPS_IN_MAINS: f64 = 1e-9;
/// The same under a signal, where switches are open behind which charges stand.
pub const KEEPS: f64 = 1e-6;

/// How a steady state is sought.
#[derive(Debug, Clone, Copy)]
pub struct Tactics {
    /// Steps of the first pass in a cycle of the highest sine.
    pub first: f64,
    /// Steps in such a cycle at least: with 36 a sine's cubics stray by 4e-7 of its amplitude.
    pub least: f64,
    /// Newton's corrections are believed down to this part of an amplitude, V or A besides.
    pub closed: f64,
    /// Passes of Newton before the search is given up.
    pub passes: usize,
    /// Whether a period that closes on [`CLOSED_AGAIN`] meshes in a row is accepted whatever its
    /// flanks look like.
    pub leaps: bool,
    /// Whether a period is left to run by itself after a correction that led astray (or else the
    /// next one is halved) and a monodromy's growth is not asked for.
    pub mains: bool,
    /// By how much a pass may stray more than the answer where that is far.
    pub loosest: f64,
    /// See [`super::monodromy::Monodromy::whole`].
    pub counts: f64,
    /// Whether steps are taken in passing far from the answer and a monodromy serves for several passes; a
    /// mains cycle's errors also count by their time, and its mesh is only refined at last. Where that fails
    /// the search is begun anew without.
    pub quick: bool,
    /// Whether a step that strays too far is divided at once, and a mesh only refined where few do.
    pub divides: bool,
}

impl Tactics {
    /// Under a signal.
    pub const SIGNAL: Tactics = Tactics {
        first: 48.0,
        least: 36.0,
        closed: 1e-7,
        passes: 30,
        leaps: false,
        mains: false,
        loosest: 1.0,
        counts: 0.0,
        quick: false,
        divides: false,
    };
    /// Under a signal, where the mains feed a supply; unknowns may be off by the part `relative` of
    /// their amplitudes.
    pub fn beside_mains(relative: f64) -> Tactics {
        Tactics {
            closed: CLOSED * relative,
            leaps: true,
            loosest: (LOOSEST / relative).max(1.0),
            // All do: a bias that takes hours to settle makes millions of what a column leaves out.
            counts: 0.0,
            quick: true,
            divides: true,
            ..Tactics::SIGNAL
        }
    }

    /// The same where the quick search does not lead there.
    pub fn patient(self) -> Tactics {
        Tactics {
            quick: false,
            ..self
        }
    }

    /// In a mains cycle.
    pub const MAINS: Tactics = Tactics {
        first: 48.0,
        least: 36.0,
        closed: 1e-5,
        passes: 40,
        leaps: true,
        mains: true,
        loosest: FAR.1,
        counts: 1e-2,
        quick: true,
        divides: false,
    };

    /// By how much a pass may stray more than the answer, after a correction of `off` in multiples
    /// of what counts as closed.
    pub fn looser(&self, off: f64) -> f64 {
        if self.divides {
            return if off > FARTHEST_BESIDE.0 && self.loosest > 1.0 {
                FARTHEST_BESIDE.1 * self.loosest
            } else if off > FAR_BESIDE {
                self.loosest
            } else {
                1.0
            };
        }
        match (self.mains, self.quick) {
            (true, true) if off > FAR.0 => self.loosest,
            (true, false) if off > FAR.0 => FAR_PLAIN,
            _ => 1.0,
        }
    }
}
