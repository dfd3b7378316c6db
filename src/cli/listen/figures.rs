//! Figures of each version, beside its sound.

use super::super::common::Session;
use super::super::failure::Failure;
use super::super::sheet_folder::SheetFolder;
use super::super::{interrupt, parallel, vary};
use super::heard::Heard;
use crate::figure::Figure;
use crate::figure::bench::Bench;

/// Measures the figures of all versions, side by side. A figure that a version has not is left
/// out and reported.
pub fn measure(
    session: &Session<'_>,
    sounds: &mut [Heard],
    figures: &[Figure],
) -> Result<(), Failure> {
    if figures.is_empty() {
        return Ok(());
    }
    let list: Vec<&Figure> = figures.iter().collect();
    let beside = SheetFolder::here(session.guards.sandbox.as_ref(), &session.guards.limits);
    let stopped = || interrupt::check().is_err();
    let given = session.settings();
    let (netlist, sources) = (&session.draft.netlist, &session.draft.files);
    let versions: Vec<_> = sounds.iter().map(|s| s.built.clone()).collect();
    let found = parallel::map(&versions, parallel::processors(), |own| {
        let all = given.unused_yet(own);
        let mut bench = Bench::new(netlist, all, sources.clone(), &beside, &stopped);
        vary::readings(&mut bench, &list)
    });
    for (sound, found) in sounds.iter_mut().zip(found) {
        for (figure, found) in figures.iter().zip(found?) {
            sound.figures.push(match found {
                Ok(reading) => Some((reading.value, reading.unit)),
                Err(why) => {
                    let (name, figure) = (&sound.name, &figure.text);
                    session.warning(&format!("{name}: no `{figure}`: {why}"));
                    None
                }
            });
        }
    }
    Ok(())
}
