//! Trimmers: parts that are set anew in each amplifier until a figure has its value, as a builder
//! does.

use super::problem::ToleranceProblem;
use crate::circuit::{Circuit, Element, params};
use crate::diag::{Diagnostic, Span, nearest};
use crate::figure::Figure;
use crate::figure::bench::{Bench, FigureValue, Reading, Trouble};
use crate::figure::digits::shown;
use crate::figure::seek::{self, Outcome, Scale};
use crate::figure::target::Target;
use crate::measure::quiescent::AtRest;
use crate::netlist::statement::Name;

/// A part that is set anew in each amplifier.
#[derive(Debug, Clone)]
pub struct Trim {
    /// The part, as named.
    pub part: Name,
    /// What it is set by.
    pub figure: Figure,
    /// What the figure is to be.
    pub target: Target,
    /// Where that stands.
    pub target_span: Span,
}

/// A trimmer in its circuit.
#[derive(Debug, Clone)]
pub struct Trimmer {
    /// What it is set by, and to what.
    pub trim: Trim,
    /// The part's place in the circuit.
    pub element: usize,
    /// Ohms, or the knob's position, as drawn.
    start: f64,
    scale: Scale,
}

impl Trimmer {
    /// Looks a trimmer up: a resistor, or a pot with or without its X.
    ///
    /// # Errors
    /// If there is no such part, or it is another one.
    pub fn find(circuit: &Circuit, trim: &Trim) -> Result<Self, Diagnostic> {
        let name = &trim.part;
        let all = circuit.elements.iter().enumerate();
        let mut named = all.filter(|(_, e)| answers_to(e, &name.text)).peekable();
        let is_there = named.peek().is_some();
        let found = named.find_map(|(k, e)| adjustment(e).map(|a| (k, a)));
        if let Some((element, (start, scale))) = found {
            return Ok(Trimmer {
                trim: trim.clone(),
                element,
                start,
                scale,
            });
        }
        let text = name.text.clone();
        let problem = if is_there {
            ToleranceProblem::NotATrimmer { name: text }
        } else {
            let able = circuit.elements.iter().filter(|e| adjustment(e).is_some());
            let near = nearest(&text, able.map(|e| e.name.as_str())).map(str::to_string);
            ToleranceProblem::UnknownTrimmer { name: text, near }
        };
        Err(problem.at(name.span))
    }

    /// Sets the part as it is drawn.
    pub fn reset(&self, circuit: &mut Circuit) {
        set(circuit, self.element, self.start);
    }

    /// Sets the part so that the figure is what it is to be, and gives what it is set to.
    ///
    /// # Errors
    /// If no value of the part brings that about, or the figure cannot be measured.
    pub fn adjust(
        &self,
        bench: &mut Bench<'_>,
        circuit: &mut Circuit,
        near: Option<&AtRest>,
    ) -> Result<f64, Trouble> {
        let figure = &self.trim.figure;
        let mut measure = |value: f64| -> Result<Option<Reading>, Trouble> {
            set(circuit, self.element, value);
            let found = bench.measure_on(circuit, &[figure], near, None);
            match found.map(|mut f| f.pop()) {
                Ok(Some(Ok(FigureValue::Number(reading)))) => Ok(Some(reading)),
                Ok(Some(Err(trouble @ (Trouble::Stopped | Trouble::Input(_))))) => Err(trouble),
                Ok(_) => Ok(None),
                Err(mut problems) => Err(Trouble::Input(problems.remove(0))),
            }
        };
        let part = &self.trim.part.text;
        let absent = |to: &str| {
            let figure = &figure.text;
            Trouble::Absent(format!("no value of `{part}` brings `{figure}` to {to}"))
        };
        let target = match self.trim.target {
            Target::Value(value) => value,
            Target::OfRating(percent) => {
                let Some(first) = measure(self.start)? else {
                    return Err(absent(&shown(percent, "%")));
                };
                let value = self.trim.target.value(figure, first.limit);
                value.map_err(|p| Trouble::Input(p.at(self.trim.target_span)))?
            }
        };
        let measure = |value| measure(value).map(|found| found.map(|reading| reading.value));
        match seek::seek(measure, self.start, self.scale, target)? {
            Some(Outcome::Found { value, .. }) => {
                set(circuit, self.element, value);
                Ok(value)
            }
            _ => Err(absent(&shown(target, figure.unit()))),
        }
    }
}

/// Where the search for a part's value starts, and how it goes on; none for a part that is
/// neither a resistor nor a pot.
fn adjustment(element: &Element) -> Option<(f64, Scale)> {
    match (element.letter, element.kind) {
        ('R', None) => {
            let ohms = element.value.filter(|ohms| *ohms > 0.0)?;
            Some((ohms, Scale::Ratios))
        }
        _ if element.track.is_some() => Some((element.position?, Scale::Between(0.0, 10.0))),
        _ => None,
    }
}

/// Whether a name is that of an element; a pot answers without its X, too.
fn answers_to(element: &Element, name: &str) -> bool {
    element.name.eq_ignore_ascii_case(name)
        || element.track.is_some() && params::bare(&element.name).eq_ignore_ascii_case(name)
}

/// Sets a resistor's value or a pot's knob.
pub fn set(circuit: &mut Circuit, element: usize, value: f64) {
    let about = &circuit.elements[element];
    if about.position.is_none() {
        circuit.revalue(element, value);
        return;
    }
    let Some(kind) = about.kind else { return };
    let (model, mut instance) = (about.made.model.clone(), about.made.instance.clone());
    if let Some(k) = kind.instance_params.iter().position(|p| p.name == "knob") {
        instance[k] = value.clamp(0.0, 10.0);
        circuit.remake(element, &model, &instance);
    }
}
