//! What the audit of solutions found: a book that a circuit carries, and that all who solve
//! it write in. The sums themselves are `system::audit`'s.

use crate::num;
use std::sync::{Arc, Mutex, PoisonError};

/// A book shared by all circuits of a command. Circuits solved side by side write in it in
/// any order; what it keeps depends on no order.
#[derive(Debug, Clone, Default)]
pub struct Ledger {
    book: Arc<Mutex<Tally>>,
    /// A solution that does not hold is a bug and panics: for the tests.
    strict: bool,
}

/// All that was found so far.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Tally {
    /// Solutions audited.
    pub solutions: u64,
    /// The place where most is missed, in multiples of what is accepted there.
    pub worst: Option<Finding>,
    /// The largest part of the power turned over that is missed.
    pub watts: Option<Watts>,
}

/// Where Kirchhoff's laws hold worst.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// Multiples of what is accepted; above one the solution is wrong.
    pub excess: f64,
    /// `operating point`, `mains cycle`, `transient`, `steady state` or `render`.
    pub analysis: &'static str,
    /// When, s, where there is a clock.
    pub time_s: Option<f64>,
    /// A node, or the element whose own law is missed.
    pub place: String,
    /// What is missed there, in `unit`.
    pub missed: f64,
    /// A at a node, V at an element.
    pub unit: &'static str,
    /// The currents (voltages) that meet there, without their signs.
    pub met: f64,
}

/// The balance of powers at a moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Watts {
    /// Multiples of what is accepted.
    pub excess: f64,
    /// The sum of all powers, which should be zero, W.
    pub missed: f64,
    /// What the sources and stores give, W.
    pub turned: f64,
}

impl Ledger {
    /// One in which a wrong solution panics.
    pub fn strict() -> Self {
        Ledger {
            strict: true,
            ..Ledger::default()
        }
    }

    /// Enters a solution. `finding` is worked out only if it is the worst so far.
    ///
    /// # Panics
    /// If the ledger is strict and the solution does not hold.
    pub fn enter(&self, excess: f64, watts: Watts, finding: impl FnOnce() -> Finding) {
        let excess = if excess.is_nan() {
            f64::INFINITY
        } else {
            excess
        };
        let mut book = self.book.lock().unwrap_or_else(PoisonError::into_inner);
        book.solutions += 1;
        let worse = |w: &Watts| match watts.excess.total_cmp(&w.excess) {
            std::cmp::Ordering::Equal => watts.missed.abs() > w.missed.abs(),
            order => order.is_gt(),
        };
        if book.watts.as_ref().is_none_or(worse) {
            book.watts = Some(watts);
        }
        if book.worst.as_ref().is_none_or(|w| excess >= w.excess) {
            let found = finding();
            // Equals are told apart by time and name, so that the order of entry is no matter.
            let first = |w: &Finding| {
                let key = |f: &Finding| (f.time_s.unwrap_or(-1.0), f.place.clone());
                let (a, b) = (key(&found), key(w));
                excess > w.excess || a.0 < b.0 || (a.0 == b.0 && a.1 < b.1)
            };
            if book.worst.as_ref().is_none_or(first) {
                book.worst = Some(found);
            }
        }
        let verdict = self.strict.then(|| book.failure()).flatten();
        drop(book);
        if let Some(failure) = verdict {
            panic!("{failure}");
        }
    }

    /// What was found so far.
    pub fn tally(&self) -> Tally {
        self.book
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }
}

impl Finding {
    fn text(&self) -> String {
        let when = match self.time_s {
            Some(t) => format!(", t = {}", num::engineering(t, "s", 4)),
            None => String::new(),
        };
        let what = match self.unit {
            "A" => "in the currents that meet",
            _ => "in the voltages that meet",
        };
        format!(
            "{}{when}, {}: imbalance {} of {} {what} ({:.1e})",
            self.analysis,
            self.place,
            num::engineering(self.missed, self.unit, 2),
            num::engineering(self.met, self.unit, 2),
            self.part(),
        )
    }

    /// What is missed as a part of what meets there.
    pub fn part(&self) -> f64 {
        if self.met > 0.0 {
            self.missed.abs() / self.met
        } else {
            0.0
        }
    }
}

impl Tally {
    /// In words, for whoever asked for the audit.
    pub fn text(&self) -> String {
        let Some(worst) = &self.worst else {
            return "audit: nothing was solved".to_string();
        };
        let many = match self.solutions {
            1 => "1 solution holds".to_string(),
            n => format!("{n} solutions hold"),
        };
        format!(
            "audit: {many} by Kirchhoff's laws; worst is the {}; {}",
            worst.text(),
            self.power()
        )
    }

    fn power(&self) -> String {
        let Some(watts) = self.watts else {
            return "there is no power".to_string();
        };
        let part = if watts.turned > 0.0 {
            watts.missed.abs() / watts.turned
        } else {
            0.0
        };
        format!(
            "all powers add up to {} of {} in total ({part:.1e})",
            num::engineering(watts.missed, "W", 2),
            num::engineering(watts.turned, "W", 2),
        )
    }

    /// What is wrong, if a solution did not hold.
    pub fn failure(&self) -> Option<String> {
        let bad = |excess: f64| {
            let holds = excess <= 1.0;
            !holds
        };
        let worst = self.worst.as_ref()?;
        let lost = self.watts.is_some_and(|w| bad(w.excess));
        (bad(worst.excess) || lost).then(|| {
            format!(
                "the audit found a solution that does not hold: {}, {:.1} times what is \
                 accepted; {}",
                worst.text(),
                worst.excess,
                self.power()
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(excess: f64, place: &str) -> Finding {
        Finding {
            excess,
            analysis: "operating point",
            time_s: None,
            place: place.to_string(),
            missed: excess * 1e-12,
            unit: "A",
            met: 1e-3,
        }
    }

    const WATTS: Watts = Watts {
        excess: 0.1,
        missed: 1e-12,
        turned: 2.0,
    };

    #[test]
    fn the_order_of_entry_is_no_matter() {
        let entries = [(0.5, "node `b`"), (0.5, "node `a`"), (0.1, "node `c`")];
        let read = |order: [usize; 3]| {
            let ledger = Ledger::default();
            for k in order {
                let (excess, place) = entries[k];
                ledger.enter(excess, WATTS, || finding(excess, place));
            }
            ledger.tally()
        };
        let one = read([0, 1, 2]);
        assert_eq!(one, read([2, 1, 0]));
        assert_eq!(one.worst.as_ref().unwrap().place, "node `a`");
        assert_eq!(one.failure(), None);
        assert!(one.text().contains("3 solutions hold"), "{}", one.text());
    }

    #[test]
    fn what_is_no_number_is_wrong() {
        let ledger = Ledger::default();
        ledger.enter(f64::NAN, WATTS, || finding(f64::INFINITY, "node `a`"));
        ledger.enter(0.1, WATTS, || finding(0.1, "node `b`"));
        let failure = ledger.tally().failure().unwrap();
        assert!(failure.contains("node `a`"), "{failure}");
    }
}
