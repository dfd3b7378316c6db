//! The bench builds many amplifiers of one drawing, each with its parts a little off.

use super::{Error, NamedClips, Workbench, refused};
use crate::figure::bench::{FigureValue, Trouble};
use crate::figure::{Figure, Words};
use crate::tolerance::list::Shape;
use crate::tolerance::measure::{Around, Plan, Setup};
use crate::tolerance::sample::{Order, Sampler};
use crate::tolerance::statistics::Summary;

impl Workbench {
    /// Measures figures that are numbers in amplifiers 1 to `runs` of this drawing, within the
    /// tolerances that its lines state and the usual ones elsewhere: what `gridleak spread` gives
    /// for the same seed. A figure's deviation and quantiles are asked of its [`Summary`].
    ///
    /// # Errors
    /// If there is no such figure, the circuit does not have it, or a tolerance is wrong.
    pub fn spread(&self, figures: &[&str], runs: u64, seed: u64) -> Result<Vec<Summary>, Error> {
        let mut files = self.files.clone();
        let parse = |text: &&str| {
            let file = files.add("figure", *text);
            Figure::parse(text, Words::whole(file, text))
        };
        let parsed: Result<Vec<Figure>, _> = figures.iter().map(parse).collect();
        let parsed = match parsed {
            Ok(parsed) => parsed,
            Err(problem) => return Err(refused(files, vec![problem])),
        };
        let around = Around {
            sources: &files,
            clips: &NamedClips,
            stopped: &|| false,
        };
        let (netlist, given) = (self.netlist.clone(), self.settings.list().to_vec());
        let setup = Setup::new(netlist, given, None, parsed, &[], &[], around);
        let (setup, _) = match setup {
            Ok(setup) => setup,
            Err(problems) => return Err(refused(files, problems)),
        };
        let plan = Plan::new(vec![setup], Shape::default());
        let mut sampler = Sampler::new(&plan.variables, seed, Order::Chance, plan.shape);
        let mut worker = plan.worker(around);
        let mut summaries = vec![Summary::default(); figures.len()];
        for run in 1..=runs {
            let mut numbers = vec![0.0; plan.variables.draws.len()];
            sampler.numbers(run, &mut numbers);
            let found = worker.batch(&[numbers]);
            let values = found.iter().flatten().flat_map(|m| &m.figures);
            for (summary, value) in summaries.iter_mut().zip(values) {
                match value {
                    Ok(FigureValue::Number(reading)) => summary.add(run, Some(reading.value)),
                    Ok(_) => return Err(Error::Absent("a curve has no mean".to_string())),
                    Err(Trouble::Input(problem)) => {
                        return Err(refused(files.clone(), vec![problem.clone()]));
                    }
                    Err(_) => summary.add(run, None),
                }
            }
        }
        Ok(summaries)
    }
}
