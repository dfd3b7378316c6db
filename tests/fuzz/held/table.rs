//! Tables: knob curves and stored curves.

use gridleak::audio::automation;
use gridleak::figure::bench::{Across, Curve};
use gridleak::sheet::curve;

/// A knob stays between its ends at any time; a stored curve rises in its first column, and is
/// written and read again within its seven digits. Whether it is one of them.
pub fn holds(text: &str) -> bool {
    let knob = knob(text);
    stored(text) || knob
}

fn knob(text: &str) -> bool {
    match automation::Curve::parse(text) {
        Ok(knob) => {
            let (low, high) = knob.range();
            assert!((0.0..=10.0).contains(&low) && low <= high && high <= 10.0);
            for time_s in [0.0, 1e-9, 0.5, 1.0, 3.7, 1e9, f64::MAX] {
                let position = knob.at(time_s);
                let slack = 1e-9;
                assert!(
                    (low - slack..=high + slack).contains(&position),
                    "{position} at {time_s}"
                );
            }
        }
        Err(why) => {
            assert!(!why.to_string().is_empty());
            return false;
        }
    }
    true
}

fn stored(text: &str) -> bool {
    let like = Curve {
        across: Across::Time,
        x: vec![],
        y: vec![],
        unit: "V",
        heading: "v(out)".into(),
    };
    match curve::stored("a.csv", text, &like) {
        Ok((x, y)) => {
            assert_eq!(x.len(), y.len());
            assert!(x.windows(2).all(|p| p[0] < p[1]));
            assert!(x.iter().chain(&y).all(|v| v.is_finite()));
            let curve = Curve { x, y, ..like };
            let again = curve::stored("a.csv", &curve::written(&curve), &curve);
            let (x, y) = again.expect("our own file");
            assert_eq!(x, curve.x);
            for (a, b) in y.iter().zip(&curve.y) {
                assert!((a - b).abs() <= 1e-6 * b.abs(), "{a} {b}");
            }
        }
        Err(why) => {
            assert!(!why.to_string().is_empty());
            return false;
        }
    }
    true
}
