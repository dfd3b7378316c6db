//! Sounds, against a stored one or its levels.

use super::super::expect::{Expectation, Tolerance};
use super::super::problem::SheetProblem;
use super::super::record::NewValue;
use super::super::verdict::{Mark, Overlay, Verdict};
use super::super::{Stored, sound};
use super::along::bare_beside;
use super::digits::{too, written};
use crate::audio::clip::Clip;
use crate::audio::fingerprint::{self, Fingerprint};
use crate::diag::{Diagnostic, Span};
use crate::figure::bench::Across;
use crate::math::fun;
use crate::num;

/// A sound against the stored one.
pub fn heard(
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
    let greatest = expected
        .samples
        .iter()
        .fold(0.0f64, |most, v| most.max(v.abs()));
    bare_beside(expectation, greatest)?;
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

/// A sound against stored levels.
pub fn levels(
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

/// Levels with digits down to a tenth of what is allowed.
fn listed(levels: &[f64], allowed: f64) -> Vec<String> {
    let places = (-fun::log10(0.1 * allowed).floor()).clamp(0.0, 9.0) as usize;
    let text = |db: &f64| match format!("{db:.places$}") {
        minus if minus.trim_start_matches(['-', '0', '.']).is_empty() => "0".to_string(),
        text => text,
    };
    levels.iter().map(text).collect()
}
