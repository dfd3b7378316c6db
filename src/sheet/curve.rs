//! A measured curve held against a stored one.

use super::expect::Tolerance;
use super::problem::SheetProblem;
use crate::audio::level::decibels;
use crate::diag::rows::line_of;
use crate::figure::bench::{Across, Curve};
use crate::math::fun;
use crate::num;

/// Where two curves are farthest apart, measured by what is allowed there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Apart {
    /// s or Hz.
    pub place: f64,
    /// How far, in the unit of the tolerance.
    pub by: f64,
    /// What is allowed there.
    pub allowed: f64,
}

/// A stored curve as result files have it: the column of the same heading, or the only one.
///
/// # Errors
/// What is wrong with the file.
pub fn stored(path: &str, text: &str, like: &Curve) -> Result<(Vec<f64>, Vec<f64>), SheetProblem> {
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let bad = |line: u64, why: String| SheetProblem::CsvLine {
        path: path.to_string(),
        line,
        why,
    };
    let headings = reader.headers().map_err(|e| bad(1, e.to_string()))?.clone();
    let same = |heading: &str| {
        let plain = |s: &str| s.replace(' ', "").to_lowercase();
        plain(heading) == plain(&like.heading)
    };
    let column = match headings.iter().position(same) {
        Some(k) if k > 0 => k,
        _ if headings.len() == 2 => 1,
        _ => {
            return Err(SheetProblem::NoColumn {
                path: path.to_string(),
                column: like.heading.clone(),
                has: headings
                    .iter()
                    .map(|h| format!("`{h}`"))
                    .collect::<Vec<_>>()
                    .join(", "),
            });
        }
    };
    let (mut x, mut y) = (Vec::<f64>::new(), Vec::new());
    for record in reader.records() {
        let record = record.map_err(|e| {
            let line = e.position().map_or(0, |p| p.line());
            bad(line, e.to_string())
        })?;
        let line = line_of(text, &record, None) as u64;
        let number = |k: usize| {
            let cell = record.get(k).unwrap_or("");
            let number: Option<f64> = cell.parse().ok().filter(|n: &f64| n.is_finite());
            number.ok_or_else(|| bad(line, format!("`{cell}` is not a number")))
        };
        let (place, value) = (number(0)?, number(column)?);
        if x.last().is_some_and(|&last| last >= place) {
            return Err(bad(line, format!("{place} does not rise")));
        }
        x.push(place);
        y.push(value);
    }
    if x.is_empty() {
        return Err(bad(1, "no rows".into()));
    }
    Ok((x, y))
}

/// The file for a curve.
pub fn written(curve: &Curve) -> String {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let mut write = |a: &str, b: &str| writer.write_record([a, b]).expect("memory");
    write(curve.across.heading(), &curve.heading);
    // Seven digits: what is stored is compared within parts of a thousand at the closest.
    let digits = |v: f64| num::full(format!("{v:.6e}").parse().unwrap_or(v));
    for (x, y) in curve.x.iter().zip(&curve.y) {
        write(&num::full(*x), &digits(*y));
    }
    String::from_utf8(writer.into_inner().expect("memory")).expect("text in, text out")
}

/// How far a measured curve is from the expected one at the worst place.
///
/// # Errors
/// If one of them does not run as far as the other.
pub fn apart(
    path: &str,
    expected: (&[f64], &[f64]),
    found: &Curve,
    tolerance: Option<Tolerance>,
    mask: &[(f64, f64)],
) -> Result<Apart, SheetProblem> {
    let (x, y) = expected;
    let (first, last) = (x[0], x[x.len() - 1]);
    let (from, to) = match (found.x.first(), found.x.last()) {
        (Some(&from), Some(&to)) => (from, to),
        _ => (f64::NAN, f64::NAN),
    };
    // Times that were summed and times that were read may differ in their last digits.
    let slack = 1e-9 * (last - first).abs().max(last.abs());
    // What the file does not have would not be compared. It may begin and end at points of its own.
    let step = |near: Option<&f64>, end: f64| near.map_or(0.0, |n| (n - end).abs());
    let (lead, tail) = (
        step(found.x.get(1), from),
        step(found.x.iter().rev().nth(1), to),
    );
    let covers = from <= first + slack && to >= last - slack;
    let covered = first <= from + lead + slack && last >= to - tail - slack;
    if !(covers && covered) {
        return Err(SheetProblem::Reach {
            path: path.to_string(),
            found_from: num::full(first),
            found_to: num::full(last),
            from: num::full(from),
            to: num::full(to),
        });
    }
    let greatest = y.iter().fold(0.0f64, |m, v| m.max(v.abs()));
    let mut worst: Option<Apart> = None;
    for (&place, &wanted) in x.iter().zip(y) {
        let got = at(found.across, &found.x, &found.y, place);
        let (by, allowed) = match tolerance {
            None => (got - wanted, masked(found.across, mask, place)),
            Some(Tolerance::Absolute(t)) => (got - wanted, t),
            Some(Tolerance::Relative(part)) => (got - wanted, part * greatest),
            Some(Tolerance::Decibels(db)) if got == wanted => (0.0, db),
            // The wrong way up is as far apart as can be.
            Some(Tolerance::Decibels(db)) if got * wanted <= 0.0 => (f64::INFINITY, db),
            Some(Tolerance::Decibels(db)) => (decibels(got / wanted), db),
        };
        let part = |a: &Apart| a.by.abs() / a.allowed;
        let this = Apart { place, by, allowed };
        // What is not a number is as far apart as can be.
        if worst.is_none_or(|w| part(&this) > part(&w) || part(&this).is_nan()) {
            worst = Some(this);
        }
    }
    Ok(worst.expect("a stored curve has points"))
}

/// A curve's value between its points: straight, over frequency on a logarithmic axis. The ends
/// hold beyond them.
pub fn at(across: Across, x: &[f64], y: &[f64], place: f64) -> f64 {
    let next = x.partition_point(|&p| p < place);
    if next == 0 {
        return y[0];
    }
    if next == x.len() {
        return y[next - 1];
    }
    let scale = |v: f64| match across {
        Across::Frequency if x[0] > 0.0 => fun::ln(v),
        _ => v,
    };
    let (a, b) = (x[next - 1], x[next]);
    let part = (scale(place) - scale(a)) / (scale(b) - scale(a));
    y[next - 1] + part * (y[next] - y[next - 1])
}

fn masked(across: Across, mask: &[(f64, f64)], place: f64) -> f64 {
    let (x, y): (Vec<f64>, Vec<f64>) = mask.iter().copied().unzip();
    at(across, &x, &y, place)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn curve(x: &[f64], y: &[f64], across: Across) -> Curve {
        Curve {
            across,
            x: x.to_vec(),
            y: y.to_vec(),
            unit: "V",
            heading: "v(out)".into(),
        }
    }

    #[test]
    fn what_is_written_is_read_back() {
        let curve = curve(&[0.0, 1e-5, 2e-5], &[1.0 / 3.0, -2.5, 1e-9], Across::Time);
        let text = written(&curve);
        assert!(text.starts_with("time_s,v(out)\n0,0.3333333\n"), "{text}");
        let (x, y) = stored("x.csv", &text, &curve).expect("read");
        assert_eq!(x, curve.x);
        assert_eq!(y, [0.3333333, -2.5, 1e-9]);
    }

    #[test]
    fn the_worst_place_is_found_within_a_mask() {
        // 0.5 dB off everywhere, allowed 1 dB at 10 Hz, 0.25 dB from 1 kHz, and half way
        // (in decades) between them 0.625 dB.
        let found = curve(&[10.0, 100.0, 1000.0], &[0.5, 0.5, 0.5], Across::Frequency);
        let mask = [(10.0, 1.0), (1000.0, 0.25)];
        let at_100 = masked(Across::Frequency, &mask, 100.0);
        assert!((at_100 - 0.625).abs() < 1e-12);
        let zero = [0.0; 3];
        let worst = apart("m", (&found.x, &zero), &found, None, &mask).expect("within reach");
        assert_eq!((worst.place, worst.by, worst.allowed), (1000.0, 0.5, 0.25));
    }

    #[test]
    fn tolerances_mean_what_they_say() {
        let found = curve(&[0.0, 1.0], &[10.0, 1.1], Across::Time);
        let wanted = ([0.0, 1.0], [10.0, 1.0]);
        let by = |t| {
            let worst = apart("m", (&wanted.0, &wanted.1), &found, Some(t), &[]);
            let worst = worst.expect("within reach");
            worst.by.abs() / worst.allowed
        };
        assert!((by(Tolerance::Absolute(0.05)) - 2.0).abs() < 1e-9);
        // A part of the greatest value, 10.
        assert!((by(Tolerance::Relative(0.1)) - 0.1).abs() < 1e-9);
        // 20 log10(1.1) is 0.8279 dB.
        assert!((by(Tolerance::Decibels(0.8279)) - 1.0).abs() < 1e-4);
        // The wrong way up it is as large, and another curve.
        let upside_down = curve(&[0.0, 1.0], &[-10.0, -1.0], Across::Time);
        let decibels = Some(Tolerance::Decibels(1.0));
        let worst = apart("m", (&wanted.0, &wanted.1), &upside_down, decibels, &[]);
        assert_eq!(worst.expect("within reach").by, f64::INFINITY);
        let silent = curve(&[0.0, 1.0], &[0.0, 0.0], Across::Time);
        let worst = apart("m", (&[0.0, 1.0], &[0.0, 0.0]), &silent, decibels, &[]);
        assert_eq!(worst.expect("within reach").by, 0.0);
    }

    #[test]
    fn what_is_wrong_with_a_file_is_named() {
        let like = curve(&[0.0], &[0.0], Across::Time);
        for (text, message) in [
            ("time_s,a,b\n0,1,2\n", "no column `v(out)`"),
            ("time_s,v(out)\n0,x\n", "line 2: `x` is not a number"),
            ("time_s,v(out)\n0,1\n0,2\n", "line 3: 0 does not rise"),
            ("time_s,v(out)\n", "no rows"),
            ("time_s,v(out)\n0\n", "line 2"),
        ] {
            let problem = stored("m.csv", text, &like).expect_err(text);
            assert!(problem.to_string().contains(message), "{problem}");
        }
        let long = curve(&[0.0, 1.0, 2.0, 3.0], &[0.0; 4], Across::Time);
        let reach = |x: &[f64]| apart("m", (x, &[0.0; 4][..x.len()]), &long, None, &[(0.0, 1.0)]);
        // A file that was cut short compares nothing beyond its end; points of its own it may have.
        assert!(matches!(
            reach(&[0.0, 1.5]),
            Err(SheetProblem::Reach { .. })
        ));
        assert!(matches!(
            reach(&[1.5, 3.0]),
            Err(SheetProblem::Reach { .. })
        ));
        assert!(reach(&[0.7, 1.9, 2.2]).is_ok());
        let far = apart("m", (&[0.0, 9.0], &[0.0, 0.0]), &like, None, &[(0.0, 1.0)]);
        assert!(matches!(far, Err(SheetProblem::Reach { .. })));
    }
}
