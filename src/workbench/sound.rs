//! The bench plays a clip through the circuit.

use super::{Error, Workbench};
use crate::audio::aliasing::{self, Piece};
use crate::audio::clip::{Clip, SampleStream};
use crate::audio::level::{Level, normalising_gain};
use crate::audio::play::{self, PlaySettings, Start, Stopped};
use crate::audio::steps::Steps;
use crate::report::file::Outputs;
use crate::report::wav::{Format, WavWriter};
use std::convert::Infallible;
use std::io::BufWriter;
use std::path::Path;

/// What was heard.
#[derive(Debug, Clone)]
pub struct Sound {
    /// The probe's values, its value at rest taken off, in its unit.
    pub clip: Clip,
    /// Peak and rms, in that unit.
    pub level: Level,
    /// How finely it was stepped through, chosen by what the clip needs.
    pub steps: Steps,
}

impl Sound {
    /// Writes it as a WAV file of 32-bit floats, its peak at -1 dBFS.
    ///
    /// # Errors
    /// If it cannot be written. What was there before stays then.
    pub fn save(&self, path: impl AsRef<Path>) -> Result<(), Error> {
        let sound = |why: &dyn std::fmt::Display| Error::Sound(why.to_string());
        let mut outputs = Outputs::new();
        let file = outputs.stage(path.as_ref()).map_err(|why| sound(&why))?;
        let sink = BufWriter::new(file);
        let mut writer =
            WavWriter::new(sink, self.clip.rate_hz, Format::Float32).map_err(|why| sound(&why))?;
        let gain = normalising_gain(self.level.peak()).unwrap_or(1.0);
        let samples: Vec<f64> = self.clip.samples.iter().map(|x| gain * x).collect();
        writer.write(&samples).map_err(|why| sound(&why))?;
        writer.finish().map_err(|why| sound(&why))?;
        outputs.commit().map_err(|why| sound(&why))
    }
}

impl Workbench {
    /// Plays a clip, whose full scale is `full_scale` volts at the source with an AC value, and listens
    /// at a probe. The built-in phrase is [`crate::audio::phrase::phrase`].
    ///
    /// # Errors
    /// If there is no such probe or source, or no solution.
    pub fn render(&self, probe: &str, clip: &Clip, full_scale: f64) -> Result<Sound, Error> {
        let probe = self.probe(probe)?;
        let driving = self.driving(None)?;
        let rest = driving.drive.value(0.0);
        let start = Start::find(&self.circuit, &probe, driving.driven, rest)?;
        let play = |clip: &mut dyn SampleStream, steps| {
            let settings = PlaySettings {
                driven: driving.driven,
                rest,
                full_scale,
                steps,
            };
            let mut samples = Vec::new();
            let take = |block: &[f64]| -> Result<(), Infallible> {
                samples.extend_from_slice(block);
                Ok(())
            };
            play::play_from(&start, &self.circuit, &probe, clip, &settings, &[], take)
                .map(|_| samples)
        };
        let steps = self.steps(clip, |clip, steps| play(&mut clip.stream(), steps).ok())?;
        match play(&mut clip.stream(), steps) {
            Ok(samples) => {
                let mut level = Level::default();
                level.push(&samples);
                let clip = Clip {
                    rate_hz: clip.rate_hz,
                    channels: 1,
                    samples,
                };
                Ok(Sound { clip, level, steps })
            }
            Err(Stopped::NoSolution(none)) => Err(none.into()),
            Err(Stopped::Clip(problem)) => Err(Error::Sound(problem.to_string())),
            Err(Stopped::Receiver(never)) => match never {},
        }
    }

    /// The steps that a clip needs, as `gridleak render` chooses it.
    fn steps(
        &self,
        clip: &Clip,
        render: impl Fn(&Clip, Steps) -> Option<Vec<f64>>,
    ) -> Result<Steps, Error> {
        let found = aliasing::pieces(&mut clip.stream(), || Ok::<(), Infallible>(()));
        let Ok(mut pieces) = found.map_err(|why| Error::Sound(why.to_string()))?;
        if self.circuit.laws.is_empty() {
            pieces.truncate(1);
            pieces.fill_with(|| Piece::click(clip.rate_hz));
        }
        let Ok(choice) = aliasing::choose(&pieces, |trials| {
            let joined = aliasing::join(&pieces, trials);
            let rendered: Vec<_> = joined.iter().map(|j| render(&j.clip, j.steps)).collect();
            Ok::<_, Infallible>(aliasing::part(&joined, &rendered))
        });
        Ok(choice.steps)
    }
}
