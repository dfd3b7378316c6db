//! Knobs that are turned while a clip plays.
//!
//! A position is a straight line in time between its points. It is followed at every solver
//! step (not block by block), so there is no staircase to hear: what a step of the knob is
//! worth shows only at the oversampled rate, and the decimator takes that away.

use crate::circuit::Circuit;
use crate::device::pot::Track;
use crate::device::swept::Handle;
use crate::diag::rows::separator_of;
use thiserror::Error;

/// A knob's position over time.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Seconds, rising, and positions, 0..=10; at least one.
    points: Vec<(f64, f64)>,
}

/// What is wrong with a table of points.
#[derive(Debug, Error, PartialEq)]
#[allow(missing_docs)]
pub enum CurveProblem {
    #[error("line {line}: expected two columns, time_s,position, found {found}")]
    Columns { line: u64, found: usize },
    #[error("line {line}: expected a {what}, found `{found}`")]
    NoNumber {
        line: u64,
        what: &'static str,
        found: String,
    },
    #[error("line {line}: expected a time of 0 s or more, found {found} s")]
    Early { line: u64, found: f64 },
    #[error("line {line}: times must rise, found {found} s after {before} s")]
    Falling { line: u64, found: f64, before: f64 },
    #[error("line {line}: expected a position of 0 to 10, found {found}")]
    Position { line: u64, found: f64 },
    #[error("expected at least one row time_s,position, found none")]
    Empty,
}

impl Curve {
    /// Reads a CSV table: columns time_s (seconds, rising) and position (0 to 10), with or
    /// without a header, as spreadsheets write it (`diag/rows.rs`).
    ///
    /// # Errors
    /// The first thing that is wrong, with its line.
    pub fn parse(text: &str) -> Result<Self, CurveProblem> {
        let mut points: Vec<(f64, f64)> = Vec::new();
        let separator = separator_of(text);
        // By hand, because a CSV reader that passes over empty lines does not count them.
        let rows = text.trim_start_matches('\u{feff}').lines().zip(1..);
        let is_said = |text: &str| !text.trim().is_empty() && !text.starts_with('#');
        for (row, (text, line)) in rows.filter(|r| is_said(r.0)).enumerate() {
            let bare = |cell: &'_ str| cell.trim().trim_matches('"').trim().to_string();
            let cells: Vec<String> = text.split(separator).map(bare).collect();
            let [time, position] = &cells[..] else {
                let found = cells.len();
                return Err(CurveProblem::Columns { line, found });
            };
            // Between semicolons or tabs a comma is a decimal one.
            let numbers = [time, position].map(|cell| match separator {
                ',' => crate::num::parse(cell),
                _ => crate::num::parse(&cell.replace(',', ".")),
            });
            if row == 0 && numbers == [None, None] {
                continue;
            }
            let number = |k: usize, what| {
                numbers[k].ok_or_else(|| CurveProblem::NoNumber {
                    line,
                    what,
                    found: cells[k].clone(),
                })
            };
            let (time_s, knob) = (number(0, "time in seconds")?, number(1, "position")?);
            if time_s.is_nan() || time_s < 0.0 {
                let found = time_s;
                return Err(CurveProblem::Early { line, found });
            }
            if let Some(&(before, _)) = points.last()
                && time_s <= before
            {
                let found = time_s;
                return Err(CurveProblem::Falling {
                    line,
                    found,
                    before,
                });
            }
            if !(0.0..=10.0).contains(&knob) {
                return Err(CurveProblem::Position { line, found: knob });
            }
            points.push((time_s, knob));
        }
        if points.is_empty() {
            return Err(CurveProblem::Empty);
        }
        Ok(Curve { points })
    }

    /// The lowest and the highest position.
    pub fn range(&self) -> (f64, f64) {
        let all = || self.points.iter().map(|p| p.1);
        (
            all().fold(f64::INFINITY, f64::min),
            all().fold(f64::NEG_INFINITY, f64::max),
        )
    }

    /// The position at a time, s: before the first point that point's, after the last the
    /// last one's.
    pub fn at(&self, time_s: f64) -> f64 {
        let next = self.points.partition_point(|p| p.0 <= time_s);
        let (Some(&(t0, p0)), Some(&(t1, p1))) =
            (self.points[..next].last(), self.points.get(next))
        else {
            // At one of the two ends.
            return self.points[next.min(self.points.len() - 1)].1;
        };
        p0 + (p1 - p0) * ((time_s - t0) / (t1 - t0))
    }
}

/// A pot in a circuit whose knob follows a curve.
#[derive(Debug, Clone)]
pub struct Turning {
    curve: Curve,
    track: Track,
    low: Handle,
    high: Handle,
    /// Seconds into the curve at which the circuit's time is zero.
    from_s: f64,
}

impl Turning {
    /// Lets a pot's knob follow a curve; `element` is its number among the circuit's
    /// elements. None if it is no pot. Probes are to be made after this.
    pub fn new(circuit: &mut Circuit, element: usize, curve: Curve) -> Option<Self> {
        use crate::circuit::Piece;
        let track = circuit.elements[element].track?;
        let half = |circuit: &mut Circuit, port: usize| match circuit.elements[element].ports[port]
            .piece
        {
            Piece::Resistance(k) => Some(circuit.free_resistance(k)),
            _ => None,
        };
        let low = half(circuit, 0)?;
        let high = half(circuit, 1)?;
        // Both halves are largest at an end of the travel.
        let (from, to) = curve.range();
        let ends = [from, to].map(|position| track.halves(position));
        low.at_most(ends[0].0.max(ends[1].0));
        high.at_most(ends[0].1.max(ends[1].1));
        let turning = Turning {
            curve,
            track,
            low,
            high,
            from_s: 0.0,
        };
        turning.to(0.0);
        Some(turning)
    }

    /// The same knob for an excerpt that starts `from_s` into the clip.
    pub fn starting(&self, from_s: f64) -> Self {
        Turning {
            from_s,
            ..self.clone()
        }
    }

    /// The same knob standing still at its lowest and at its highest position.
    pub fn held(&self) -> [Self; 2] {
        let (low, high) = self.curve.range();
        [low, high].map(|position| Turning {
            curve: Curve {
                points: vec![(0.0, position)],
            },
            ..self.clone()
        })
    }

    /// Turns the knob to where it is at a time.
    pub fn to(&self, time_s: f64) {
        let (low, high) = self.track.halves(self.curve.at(self.from_s + time_s));
        self.low.set(low);
        self.high.set(high);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A fixed bug: the table of a spreadsheet that writes decimal commas was not read.
    #[test]
    fn semicolons_and_decimal_commas_are_read() {
        let plain = Curve::parse("time_s,position\n0,2\n2.5,8\n").unwrap();
        for text in [
            "0;2\n2,5;8\n",
            "\u{feff}time_s;position\r\n0;2\r\n2,5;8,0\r\n",
            "# mine\n0\t2\n2,5\t8\n",
        ] {
            assert_eq!(Curve::parse(text).as_ref(), Ok(&plain), "{text:?}");
        }
    }

    #[test]
    fn positions_lie_on_straight_lines_between_points() {
        let curve = Curve::parse("time_s,position\n1,2\n3,10\n 3.5 , 4\n").unwrap();
        for (time_s, expected) in [
            (0.0, 2.0),
            (1.0, 2.0),
            (2.0, 6.0),
            (3.0, 10.0),
            (3.25, 7.0),
            (3.5, 4.0),
            (99.0, 4.0),
        ] {
            assert_eq!(curve.at(time_s), expected, "at {time_s} s");
        }
        assert_eq!(curve.range(), (2.0, 10.0));
        assert_eq!(Curve::parse("\"500m\",5").unwrap().at(0.0), 5.0);
    }

    #[test]
    fn what_is_wrong_is_named_with_its_line() {
        for (text, expected) in [
            ("", "expected at least one row"),
            ("time_s,position\n", "expected at least one row"),
            ("0,1\n1\n", "line 2: expected two columns"),
            ("0,1\n1,2,3\n", "line 2: expected two columns"),
            ("0,1\n\n1,x\n", "line 3: expected a position, found `x`"),
            (
                "soon,1\n",
                "line 1: expected a time in seconds, found `soon`",
            ),
            ("t,p\nt,p\n", "line 2: expected a time"),
            ("-1,1\n", "line 1: expected a time of 0 s or more"),
            ("0,1\n0,2\n", "line 2: times must rise, found 0 s after 0 s"),
            (
                "0,10.5\n",
                "line 1: expected a position of 0 to 10, found 10.5",
            ),
        ] {
            let found = Curve::parse(text).unwrap_err().to_string();
            assert!(found.starts_with(expected), "{text:?}: {found}");
        }
    }
}
