//! Outputs that turn out otherwise than they were asked for, before they are put in place.

use super::{FileProblem, Goal, Outputs, Place};
use std::path::Path;

impl Outputs {
    /// Leaves out what was staged for a target: it stays as it is.
    pub fn leave(&mut self, target: &Path) {
        self.staged.retain(|staged| staged.asked != target);
    }

    /// Lets what was staged for a target go to another file.
    ///
    /// # Errors
    /// As [`Outputs::stage`] of that file.
    pub fn aim(&mut self, from: &Path, to: &Path) -> Result<(), FileProblem> {
        let Goal::File(goal, _) = self.find(to, false)? else {
            return Ok(());
        };
        let same = self.staged.iter_mut().find(|staged| staged.asked == from);
        if let Some(staged) = same
            && let Place::File(_, target) = &mut staged.place
        {
            *target = goal;
            staged.asked = to.to_owned();
        }
        Ok(())
    }
}
