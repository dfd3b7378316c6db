//! What was measured held against what was expected.

use super::curve;
use super::expect::{Amount, Expectation, Tolerance, Want};
use super::problem::SheetProblem;
use super::record::NewValue;
use super::{Stored, sound};
use crate::audio::clip::Clip;
use crate::audio::fingerprint::{self, Fingerprint};
use crate::audio::level::{decibels, ratio};
use crate::diag::{Diagnostic, Span};
use crate::figure::bench::{Across, Curve, FigureValue, Reading};
use crate::figure::problem::FigureProblem;
use crate::math::fun;
use crate::num;

/// The judgement on an expectation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// Within tolerance.
    Ok,
    /// Outside.
    Off,
    /// Nothing is stored to hold it against.
    Missing,
    /// The circuit has no solution.
    NoSolution,
    /// The expectation cannot be judged: a mistake in sheet or netlist.
    Bad,
}

impl Mark {
    /// As result files have it.
    pub fn word(self) -> &'static str {
        match self {
            Mark::Ok => "ok",
            Mark::Off => "off",
            Mark::Missing => "missing",
            Mark::NoSolution => "no solution",
            Mark::Bad => "bad",
        }
    }
}

/// Expected and found, for a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Overlay {
    /// What they run over.
    pub across: Across,
    /// Where.
    pub x: Vec<f64>,
    /// What was expected there.
    pub expected: Vec<f64>,
    /// What was found.
    pub found: Vec<f64>,
    /// The unit of both.
    pub unit: &'static str,
}

/// One expectation, judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// The figure's words.
    pub figure: String,
    /// The judgement.
    pub mark: Mark,
    /// In base units; a range is `low..high`; a stored file is its name.
    pub expected: String,
    /// In base units; of a curve or sound, how far it is from the stored one.
    pub found: String,
    /// With its unit.
    pub tolerance: String,
    /// Expected, for people.
    pub shown_expected: String,
    /// Found, for people.
    pub shown_found: String,
    /// By how much it is off, for people; empty if it is not.
    pub by: String,
    /// Why it could not be judged.
    pub message: Option<String>,
    /// For a picture.
    pub overlays: Vec<Overlay>,
    /// What --record would write.
    pub new: Option<NewValue>,
}

impl Verdict {
    /// A verdict on nothing yet.
    pub fn blank(expectation: &Expectation, mark: Mark) -> Self {
        Verdict {
            figure: expectation.figure.text.clone(),
            mark,
            expected: String::new(),
            found: String::new(),
            tolerance: String::new(),
            shown_expected: String::new(),
            shown_found: String::new(),
            by: String::new(),
            message: None,
            overlays: Vec::new(),
            new: None,
        }
    }
}

/// Digits of figures that people read.
const DIGITS: usize = 5;

/// A figure as people read it.
pub fn shown(value: f64, unit: &str) -> String {
    match unit {
        "ohm" => num::engineering(value, "Ω", DIGITS),
        // No prefixes: a thousandth of a ratio is no unit.
        "x" => format!("{} x", num::engineering(value, "", DIGITS)),
        unit => num::engineering(value, unit, DIGITS),
    }
}

/// Judges a figure in a case. `only_case` is whether the sheet has but one.
///
/// # Errors
/// A mistake in the sheet that shows only now: a percentage without a rating, a stored file
/// that does not fit.
pub fn judge(
    expectation: &Expectation,
    case: &str,
    found: &FigureValue,
    stored: &dyn Stored,
) -> Result<Verdict, Diagnostic> {
    match (&expectation.want, found) {
        (Want::Value { all, by_case, .. }, FigureValue::Number(reading)) => {
            let own = by_case.iter().find(|c| c.0 == case).map(|c| &c.2);
            value(expectation, own.or(all.as_ref()), *reading)
        }
        (Want::Range { least, most }, FigureValue::Number(reading)) => {
            range(expectation, least.as_ref(), most.as_ref(), *reading)
        }
        (Want::Curve { file, span, mask }, FigureValue::Curve(found)) => along(
            expectation,
            &of_case(file, case),
            *span,
            mask,
            found,
            stored,
        ),
        (Want::Sound { file, span }, FigureValue::Sound(clip)) => {
            heard(expectation, &of_case(file, case), *span, clip, stored)
        }
        (Want::Fingerprint { bands, envelope }, FigureValue::Sound(clip)) => {
            levels(expectation, bands.as_ref(), envelope.as_ref(), clip)
        }
        _ => unreachable!("the reader lets only what fits go together"),
    }
}

/// A file's name with `{case}` filled in: letters, digits and `._+=-` stay, anything else
/// becomes `_`.
pub fn of_case(file: &str, case: &str) -> String {
    let fits = |c: char| c.is_ascii_alphanumeric() || "._+=-".contains(c);
    let plain: String = case
        .replace(", ", "-")
        .chars()
        .map(|c| if fits(c) { c } else { '_' })
        .collect();
    file.replace("{case}", &plain)
}

fn in_base(
    expectation: &Expectation,
    amount: &Amount,
    reading: Reading,
) -> Result<f64, Diagnostic> {
    if !amount.of_rating {
        return Ok(amount.number);
    }
    let limit = reading.limit.ok_or_else(|| {
        FigureProblem::NoRating {
            figure: expectation.figure.text.clone(),
        }
        .at(amount.span)
    })?;
    Ok(amount.number / 100.0 * limit)
}

/// A found value, and of its rating if that is what was asked.
fn shown_like(amount: Option<&Amount>, reading: Reading) -> String {
    let plain = shown(reading.value, reading.unit);
    match (amount, reading.limit) {
        (Some(amount), Some(limit)) if amount.of_rating => format!(
            "{} % ({plain})",
            num::engineering(100.0 * reading.value / limit, "", 4)
        ),
        _ => plain,
    }
}

fn value(
    expectation: &Expectation,
    wanted: Option<&Amount>,
    reading: Reading,
) -> Result<Verdict, Diagnostic> {
    let tolerance = expectation.tolerance.expect("a value has a tolerance");
    let found = reading.value;
    let mut verdict = Verdict::blank(expectation, Mark::Missing);
    verdict.found = num::full(found);
    verdict.shown_found = shown_like(wanted, reading);
    verdict.tolerance = written(tolerance, reading.unit);
    let Some(wanted) = wanted else {
        verdict.new = Some(NewValue::Amount(stored_as(
            found, reading, tolerance, false,
        )));
        return Ok(verdict);
    };
    let expected = in_base(expectation, wanted, reading)?;
    verdict.expected = num::full(expected);
    verdict.shown_expected = match wanted.of_rating {
        true => format!("{} ({})", wanted.text, shown(expected, reading.unit)),
        false => shown(expected, reading.unit),
    };
    // A ratio of powers is ten times the logarithm, of voltages and currents twenty.
    let decibels = |r: f64| match reading.unit {
        "W" => 0.5 * decibels(r),
        _ => decibels(r),
    };
    // Angles are apart by the shorter way round.
    let way = |by: f64| match reading.unit {
        "deg" => (by + 180.0).rem_euclid(360.0) - 180.0,
        _ => by,
    };
    let (apart, allowed, unit) = match tolerance {
        Tolerance::Absolute(t) => (way(found - expected), t, reading.unit),
        Tolerance::Relative(part) => (found - expected, part * expected.abs(), reading.unit),
        Tolerance::Decibels(db) if found * expected > 0.0 => (decibels(found / expected), db, "dB"),
        Tolerance::Decibels(db) => (f64::INFINITY, db, "dB"),
    };
    // Not a number is never within.
    if apart.abs() <= allowed {
        verdict.mark = Mark::Ok;
        return Ok(verdict);
    }
    verdict.mark = Mark::Off;
    verdict.by = too(apart, allowed, unit);
    if found.is_finite() {
        let text = stored_as(found, reading, tolerance, wanted.of_rating);
        verdict.new = Some(NewValue::Amount(text));
    }
    Ok(verdict)
}

/// `3.2 V too high, 1.6 times the tolerance`.
fn too(apart: f64, allowed: f64, unit: &str) -> String {
    let way = if apart < 0.0 { "low" } else { "high" };
    let times = num::engineering(apart.abs() / allowed, "", 3);
    format!(
        "{} too {way}, {times} times the tolerance",
        num::engineering(apart.abs(), if unit == "x" { "" } else { unit }, 3)
    )
}

fn range(
    expectation: &Expectation,
    least: Option<&Amount>,
    most: Option<&Amount>,
    reading: Reading,
) -> Result<Verdict, Diagnostic> {
    let base =
        |amount: Option<&Amount>| amount.map(|a| in_base(expectation, a, reading)).transpose();
    let (low, high) = (base(least)?, base(most)?);
    let found = reading.value;
    let mut verdict = Verdict::blank(expectation, Mark::Ok);
    let end = |v: Option<f64>| v.map(num::full).unwrap_or_default();
    verdict.expected = format!("{}..{}", end(low), end(high));
    verdict.shown_expected = match (least, most) {
        (Some(l), Some(m)) => format!("{} to {}", l.text, m.text),
        (Some(l), None) => format!("at least {}", l.text),
        (None, Some(m)) => format!("at most {}", m.text),
        (None, None) => String::new(),
    };
    verdict.found = num::full(found);
    verdict.shown_found = shown_like(least.or(most), reading);
    let below = low.is_some_and(|low| found.is_nan() || found < low);
    let above = high.is_some_and(|high| found.is_nan() || found > high);
    if below || above {
        let limit = if below { low } else { high };
        let by = (found - limit.unwrap_or(f64::NAN)).abs();
        let way = if below { "low" } else { "high" };
        verdict.mark = Mark::Off;
        verdict.by = format!("{} too {way}", shown(by, reading.unit));
    } else if expectation.figure.quantity.name == "run time" {
        // No two runs take the same time: what is within its bound is not put out, so that
        // the same sheet gives the same bytes.
        verdict.found.clear();
        verdict.shown_found.clear();
    }
    Ok(verdict)
}

/// A tolerance as result files have it.
fn written(tolerance: Tolerance, unit: &str) -> String {
    match tolerance {
        Tolerance::Absolute(t) => format!("{} {unit}", num::full(t)).trim_end().to_string(),
        // The product of a part and 100 is rounded to what was written.
        Tolerance::Relative(part) => {
            let percent: f64 = format!("{:.12e}", part * 100.0).parse().unwrap_or(part);
            format!("{} %", num::full(percent))
        }
        Tolerance::Decibels(db) => format!("{} dB", num::full(db)),
    }
}

/// A value as it is stored: digits down to a tenth of the tolerance.
fn stored_as(value: f64, reading: Reading, tolerance: Tolerance, of_rating: bool) -> String {
    let (value, unit, scale) = match (of_rating, reading.limit) {
        (true, Some(limit)) => (100.0 * value / limit, "%", 100.0 / limit),
        _ => (value, reading.unit, 1.0),
    };
    let allowed = match tolerance {
        Tolerance::Absolute(t) => t * scale,
        Tolerance::Relative(part) => part * value.abs(),
        Tolerance::Decibels(db) => (ratio(db) - 1.0) * value.abs(),
    };
    rounded(value, unit, allowed)
}

/// A number with its unit and no more digits than a tenth of what is allowed asks for.
pub fn rounded(value: f64, unit: &str, allowed: f64) -> String {
    let order = |v: f64| fun::log10(v.abs()).floor();
    if !value.is_finite() || value == 0.0 || value.abs() < 0.05 * allowed {
        return format!("0 {unit}").trim_end().to_string();
    }
    let digits = order(value) - order(0.1 * allowed) + 1.0;
    let (own, behind) = match unit {
        "x" => ("", " x"),
        "%" => ("", " %"),
        unit => (unit, ""),
    };
    let text = num::engineering(value, own, digits.clamp(1.0, 15.0) as usize);
    let (number, unit) = text.split_once(' ').unwrap_or((&text, ""));
    let number = match number.contains('.') {
        true => number.trim_end_matches('0').trim_end_matches('.'),
        false => number,
    };
    format!("{number} {unit}").trim_end().to_string() + behind
}

fn along(
    expectation: &Expectation,
    file: &str,
    span: Span,
    mask: &[(f64, f64)],
    found: &Curve,
    stored: &dyn Stored,
) -> Result<Verdict, Diagnostic> {
    let mut verdict = Verdict::blank(expectation, Mark::Missing);
    verdict.expected = file.to_string();
    verdict.shown_expected = format!("`{file}`");
    verdict.tolerance = match expectation.tolerance {
        Some(tolerance) => written(tolerance, found.unit),
        None => "mask".into(),
    };
    verdict.new = Some(NewValue::Text {
        file: file.to_string(),
        text: curve::written(found),
    });
    let unreadable = |why| {
        let path = file.to_string();
        SheetProblem::Stored { path, why }.at(span)
    };
    let Some(text) = stored.text(file).map_err(unreadable)? else {
        let path = file.to_string();
        verdict.message = Some(SheetProblem::NotStored { path }.to_string());
        return Ok(verdict);
    };
    let at_file = |problem: SheetProblem| problem.at(span);
    let (x, y) = curve::stored(file, &text, found).map_err(at_file)?;
    let apart =
        curve::apart(file, (&x, &y), found, expectation.tolerance, mask).map_err(at_file)?;
    let unit = match expectation.tolerance {
        Some(Tolerance::Decibels(_)) => "dB",
        _ => found.unit,
    };
    let across = match found.across {
        Across::Time => "s",
        Across::Frequency => "Hz",
    };
    verdict.found = num::full(apart.by);
    verdict.shown_found = format!(
        "{} away at {}",
        num::engineering(apart.by, unit, 3),
        num::engineering(apart.place, across, 4)
    );
    if apart.by.abs() <= apart.allowed {
        verdict.mark = Mark::Ok;
        verdict.new = None;
        return Ok(verdict);
    }
    verdict.mark = Mark::Off;
    verdict.by = too(apart.by, apart.allowed, unit);
    verdict.overlays = vec![Overlay {
        across: found.across,
        found: x
            .iter()
            .map(|&place| curve::at(found.across, &found.x, &found.y, place))
            .collect(),
        x,
        expected: y,
        unit: found.unit,
    }];
    Ok(verdict)
}

fn heard(
    expectation: &Expectation,
    file: &str,
    span: Span,
    found: &Clip,
    stored: &dyn Stored,
) -> Result<Verdict, Diagnostic> {
    let tolerance = expectation.tolerance.expect("a sound has a tolerance");
    let unit = expectation.figure.unit();
    let mut verdict = Verdict::blank(expectation, Mark::Missing);
    verdict.expected = file.to_string();
    verdict.shown_expected = format!("`{file}`");
    verdict.tolerance = written(tolerance, unit);
    verdict.new = Some(NewValue::Sound {
        file: file.to_string(),
        clip: found.clone(),
    });
    let unreadable = |why| {
        let path = file.to_string();
        SheetProblem::Stored { path, why }.at(span)
    };
    let Some(expected) = stored.sound(file).map_err(unreadable)? else {
        let path = file.to_string();
        verdict.message = Some(SheetProblem::NotStored { path }.to_string());
        return Ok(verdict);
    };
    let apart = sound::apart(file, &expected, found, tolerance, unit).map_err(|p| p.at(span))?;
    verdict.found = num::full(apart.by);
    verdict.shown_found = format!(
        "{} of difference",
        num::engineering(apart.by, apart.unit, 3)
    );
    if apart.by <= apart.allowed {
        verdict.mark = Mark::Ok;
        verdict.new = None;
        return Ok(verdict);
    }
    verdict.mark = Mark::Off;
    let over = match apart.unit {
        "dB" => apart.by - apart.allowed,
        _ => apart.by / apart.allowed,
    };
    verdict.by = match apart.unit {
        "dB" => format!("{} too much", num::engineering(over, "dB", 3)),
        _ => format!("{} times the tolerance", num::engineering(over, "", 3)),
    };
    verdict.overlays = pictures(
        found.rate_hz,
        &Fingerprint::of(&expected),
        &Fingerprint::of(found),
    );
    Ok(verdict)
}

/// Bands and envelope of two sounds of one rate.
fn pictures(rate_hz: u32, expected: &Fingerprint, found: &Fingerprint) -> Vec<Overlay> {
    let bands = fingerprint::bands(rate_hz).map(fingerprint::mid_hz);
    let blocks = (0..found.envelope_db.len()).map(|k| k as f64 * fingerprint::BLOCK_S);
    let panel = |across, x: Vec<f64>, expected: &[f64], found: &[f64]| Overlay {
        across,
        x,
        expected: expected.to_vec(),
        found: found.to_vec(),
        unit: "dB",
    };
    vec![
        panel(
            Across::Frequency,
            bands.collect(),
            &expected.bands_db,
            &found.bands_db,
        ),
        panel(
            Across::Time,
            blocks.collect(),
            &expected.envelope_db,
            &found.envelope_db,
        ),
    ]
}

fn levels(
    expectation: &Expectation,
    bands: Option<&(Vec<f64>, Span)>,
    envelope: Option<&(Vec<f64>, Span)>,
    clip: &Clip,
) -> Result<Verdict, Diagnostic> {
    let tolerance = expectation.tolerance.expect("levels have a tolerance");
    let Tolerance::Absolute(allowed) = tolerance else {
        unreachable!("the reader takes dB only");
    };
    let found = Fingerprint::of(clip);
    let mut verdict = Verdict::blank(expectation, Mark::Missing);
    verdict.tolerance = written(tolerance, "dB");
    verdict.new = Some(NewValue::Levels {
        bands: listed(&found.bands_db, allowed),
        envelope: listed(&found.envelope_db, allowed),
    });
    let (Some(bands), Some(envelope)) = (bands, envelope) else {
        verdict.message = Some("no levels are stored yet".into());
        return Ok(verdict);
    };
    verdict.expected = "fingerprint".into();
    verdict.shown_expected = "the stored levels".into();
    let pairs = [
        ("bands", bands, &found.bands_db),
        ("envelope", envelope, &found.envelope_db),
    ];
    let mut worst = (0.0f64, String::new());
    for (key, (expected, span), found) in pairs {
        if expected.len() != found.len() {
            return Err(SheetProblem::Fingerprint {
                key,
                found: expected.len(),
                expected: found.len(),
            }
            .at(*span));
        }
        // The quietest are at a floor below the loudest; rounded in storing, they may lie a
        // little under it.
        for (k, (e, f)) in expected.iter().zip(found).enumerate() {
            if (f - e).abs() > worst.0.abs() {
                let place = match key {
                    "bands" => {
                        let band = fingerprint::bands(clip.rate_hz).nth(k).unwrap_or(0);
                        num::engineering(fingerprint::mid_hz(band), "Hz", 3)
                    }
                    _ => num::engineering(k as f64 * fingerprint::BLOCK_S, "s", 3),
                };
                worst = (f - e, place);
            }
        }
    }
    verdict.found = num::full(worst.0);
    verdict.shown_found = format!("{} away at {}", num::engineering(worst.0, "dB", 3), worst.1);
    if worst.1.is_empty() {
        verdict.shown_found = "no difference".into();
    }
    if worst.0.abs() <= allowed {
        verdict.mark = Mark::Ok;
        verdict.new = None;
        return Ok(verdict);
    }
    verdict.mark = Mark::Off;
    verdict.by = too(worst.0, allowed, "dB");
    let expected = Fingerprint {
        bands_db: bands.0.clone(),
        envelope_db: envelope.0.clone(),
    };
    verdict.overlays = pictures(clip.rate_hz, &expected, &found);
    Ok(verdict)
}

/// Levels with digits down to a tenth of what is allowed.
fn listed(levels: &[f64], allowed: f64) -> Vec<String> {
    let places = (-fun::log10(0.1 * allowed).floor()).clamp(0.0, 9.0) as usize;
    let text = |db: &f64| match format!("{db:.places$}") {
        minus if minus.trim_start_matches(['-', '0', '.']).is_empty() => "0".to_string(),
        text => text,
    };
    levels.iter().map(text).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stored_values_have_the_digits_that_the_tolerance_asks_for() {
        for (value, unit, allowed, text) in [
            (196.1712345, "V", 1.9617, "196.2 V"),
            (196.1712345, "V", 0.019617, "196.171 V"),
            (0.00095412, "A", 9.5e-6, "954.1 uA"),
            (100.0, "V", 1.0, "100 V"),
            (-17.0312, "dB", 0.1, "-17.03 dB"),
            (1234.6, "Hz", 12.0, "1.235 kHz"),
            (1e-9, "V", 1e-6, "0 V"),
            (0.5, "x", 0.1, "0.5 x"),
            (5.0312, "%", 0.5, "5.03 %"),
            (47123.0, "ohm", 471.0, "47.12 kohm"),
        ] {
            let written = rounded(value, unit, allowed).replace('µ', "u");
            assert_eq!(written, text);
            // And they are read back as what they are.
            let amount = crate::figure::amount::read(&written).expect("an amount");
            assert!((amount.number - value).abs() <= 0.06 * allowed, "{text}");
        }
    }

    #[test]
    fn a_case_fits_a_file_name() {
        assert_eq!(
            of_case("a.{case}.csv", "VOLUME=5, X1.R5=4k7 Ω"),
            "a.VOLUME=5-X1.R5=4k7__.csv"
        );
    }
}
