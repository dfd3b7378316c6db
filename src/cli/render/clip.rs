//! What there is to say about the clip itself: how high its own peak drives the source, and
//! what is wrong with it.

use super::job::{Input, Job, Plan};
use crate::audio::level::{self, Level};
use crate::num;

/// Below this many parts of full scale a clip holds nothing: 24 bits end at 1.2e-7.
const SILENT: f64 = 1e-7;
/// A mean below this many parts of full scale is not an offset worth a word.
const OFFSET: f64 = 1e-3;
/// An offset is a part of the rms that no plucked string has in a clip of [`WHOLE_S`] (common
/// practice, no published source).
const OFFSET_OF_RMS: f64 = 0.25;
/// A shorter clip may end within its first cycles, s.
const WHOLE_S: f64 = 0.1;

/// The clip's own peak, after the volts of full scale; empty where it is full scale.
pub fn own_peak(plan: &Plan, job: &Job, clip: &Level) -> String {
    let peak = clip.peak();
    if peak <= SILENT || (peak - 1.0).abs() < 1e-3 {
        return String::new();
    }
    format!(
        "; its own peak is {} ({:.1} dBFS)",
        num::engineering(peak * plan.input_volts, job.driven.unit(), 3),
        level::decibels(peak)
    )
}

/// Warnings about the clip.
pub fn warnings(plan: &Plan, job: &Job, clip: &Level) -> Vec<String> {
    let Input::File(..) = plan.input else {
        return Vec::new();
    };
    let (name, source) = (plan.input.name(), &job.source);
    let Ok(opened) = plan.input.open() else {
        return Vec::new();
    };
    let mut found = Vec::new();
    if clip.peak() <= SILENT {
        found.push(if opened.channels() > 1 {
            format!(
                "`{name}` is silent when its channels are averaged: they are empty, or one is \
                 the other upside down; save one of them as a mono file"
            )
        } else {
            format!("`{name}` is silent: nothing drives `{source}`")
        });
    }
    let long = clip.count() as f64 >= WHOLE_S * f64::from(opened.rate_hz());
    let mean = clip.mean();
    if long && mean.abs() > OFFSET && mean.abs() > OFFSET_OF_RMS * clip.rms() {
        found.push(format!(
            "`{name}` has a DC offset, which moves `{source}` by {} throughout and begins with a \
             thump; take it out in a sound editor",
            num::engineering(mean * plan.input_volts, job.driven.unit(), 3)
        ));
    }
    found
}
