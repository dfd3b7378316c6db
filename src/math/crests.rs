//! The crests of a wave that is read at uneven moments.

/// The lowest and the highest value of a wave, between its readings too: round a crest the parabola
/// through three of them counts. Steps that follow a sine within a hundred-thousandth of its
/// amplitude leave its crest up to 1 % above the nearest reading. Where a wave has a corner they are
/// short, and a parabola adds next to nothing.
#[derive(Debug, Clone, Copy)]
pub struct Crests {
    /// The last two readings with their times, s; the older first.
    before: [Option<(f64, f64)>; 2],
    /// The lowest.
    pub low: f64,
    /// The highest.
    pub high: f64,
}

impl Default for Crests {
    fn default() -> Self {
        Crests {
            before: [None; 2],
            low: f64::INFINITY,
            high: f64::NEG_INFINITY,
        }
    }
}

impl Crests {
    /// One more reading. Times rise.
    pub fn take(&mut self, time_s: f64, value: f64) {
        self.count(value);
        let after = (time_s, value);
        if let [Some(older), Some(last)] = self.before {
            self.count(vertex([older, last, after]).unwrap_or(value));
        }
        self.before = [self.before[1], Some(after)];
    }

    fn count(&mut self, value: f64) {
        self.low = self.low.min(value);
        self.high = self.high.max(value);
    }
}

/// The crest of the parabola through three readings of which the middle one is the highest or the
/// lowest.
fn vertex([(t0, v0), (t1, v1), (t2, v2)]: [(f64, f64); 3]) -> Option<f64> {
    let (rise, fall) = ((v1 - v0) / (t1 - t0), (v2 - v1) / (t2 - t1));
    if rise * fall >= 0.0 {
        return None;
    }
    // Half of the second derivative, and the slope at the middle reading.
    let bend = (fall - rise) / (t2 - t0);
    let slope = rise + bend * (t1 - t0);
    Some(v1 - slope * slope / (4.0 * bend))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::math::fun;

    /// A sine of 24 uneven readings a cycle, none at its crests: they are found within 10^-4, where
    /// the readings themselves stay 10^-2 below.
    #[test]
    fn a_crest_between_readings_is_found() {
        let mut crests = Crests::default();
        let mut nearest = f64::NEG_INFINITY;
        for k in 0..48 {
            let angle = f64::from(k) * 0.2618 + if k % 2 == 0 { 0.13 } else { 0.11 };
            let value = 100.0 + 3.0 * fun::sin(angle);
            nearest = nearest.max(value);
            crests.take(angle, value);
        }
        assert!(nearest < 103.0 - 0.01, "{nearest}");
        assert!((crests.high - 103.0).abs() < 1e-3, "{crests:?}");
        assert!((crests.low - 97.0).abs() < 1e-3, "{crests:?}");
    }

    /// What only rises, stands still or is read once has no crest but its readings.
    #[test]
    fn where_nothing_turns_nothing_is_added() {
        for values in [&[1.0, 2.0, 4.0, 8.0][..], &[5.0, 5.0, 5.0], &[7.0]] {
            let mut crests = Crests::default();
            for (k, value) in values.iter().enumerate() {
                crests.take(k as f64, *value);
            }
            assert_eq!(crests.low, values[0]);
            assert_eq!(crests.high, values[values.len() - 1]);
        }
    }
}
