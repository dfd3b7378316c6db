//! `bias --seek`: the value of one element that brings a figure to a target.

use super::super::common::Session;
use super::super::failure::Failure;
use super::super::sheet_folder::SheetFolder;
use crate::circuit::bind::Timing;
use crate::circuit::params::{Setting, bare};
use crate::circuit::{Circuit, Element};
use crate::diag::nearest;
use crate::figure::bench::{Bench, FigureValue, Reading, Trouble};
use crate::figure::choice;
use crate::figure::digits::shown;
use crate::figure::driven_source;
use crate::figure::registry::Gives;
use crate::figure::seek::{self, Outcome, Scale};
use crate::figure::target::Target;
use crate::figure::{Figure, Words};
use crate::measure::preferred::Series;
use crate::netlist::statement::Value;
use crate::num;

/// What was found.
#[derive(Debug)]
pub struct Sought {
    /// Sets the element to the value, for the chart.
    pub setting: Setting,
    /// The element's name.
    pub name: String,
    /// Its value.
    pub value: f64,
    /// The value's unit: ohm, F, H, V, A, or none for a knob.
    pub unit: &'static str,
    /// A few lines: the value, the figure there, and the preferred values beside it.
    pub text: String,
}

/// The element that is moved.
struct Mover {
    name: String,
    start: f64,
    unit: &'static str,
    scale: Scale,
}

/// Seeks what the command line asks for, if it asks.
///
/// # Errors
/// If what is asked for does not exist, or no value brings it about.
pub fn sought(session: &mut Session<'_>) -> Result<Option<Sought>, Failure> {
    let Some(text) = session.text("seek") else {
        return Ok(None);
    };
    let by = session.text("by").expect("required with --seek");
    // The last one: a condition may not hold an equals sign, but nothing else need know that.
    let Some(equals) = text.rfind('=') else {
        return Err(Failure::usage(format!("`--seek {text}` has no `=`"))
            .hint("for example `--seek \"plate dissipation of XV4 = 70 %\"`"));
    };
    let circuit = session.circuit(Timing::default())?;
    let file = session.draft.files.add("--seek", text);
    let words = Words {
        end: equals,
        ..Words::whole(file, text)
    };
    let figure =
        Figure::parse(&text[..equals], words).map_err(|problem| session.failed(vec![problem]))?;
    if figure.quantity.gives != Gives::Number {
        let name = figure.quantity.name;
        return Err(Failure::usage(format!("`{name}` is not a single number")).into());
    }
    let wanted = &text[equals + 1..];
    let span = {
        let blanks = wanted.len() - wanted.trim_start().len();
        let start = equals + 1 + blanks;
        crate::diag::Span::new(file, start, start + wanted.trim().len())
    };
    let target = Target::read(wanted, &figure);
    let target = target.map_err(|problem| session.failed(vec![problem.at(span)]))?;
    let mover = mover(&circuit, by)?;
    let kind = choice::kind(&circuit, &mover.name);
    let setting = |value: f64| {
        let value = Value {
            number: value,
            text: num::full(value),
            span,
        };
        Setting::new(kind, mover.name.clone(), value, None)
    };
    let beside = SheetFolder::here(session.guards.sandbox.as_ref(), &session.guards.limits);
    let measure = |value: f64| -> Result<Option<Reading>, Failure> {
        let mut settings = session.settings().clone();
        settings.push(setting(value));
        let never = || false;
        let sources = session.draft.files.clone();
        let mut bench = Bench::new(&session.draft.netlist, settings, sources, &beside, &never);
        let mut found = match bench.measure(&[&figure]) {
            Ok(found) => found,
            Err(problems) => return Err(Failure::Input(Box::new(bench.sources), problems)),
        };
        match found.pop() {
            Some(Ok(FigureValue::Number(reading))) => Ok(Some(reading)),
            Some(Err(Trouble::NoSolution(_) | Trouble::Unsolved(_) | Trouble::Absent(_))) => {
                Ok(None)
            }
            Some(Err(Trouble::Input(problem))) => {
                Err(Failure::Input(Box::new(bench.sources), vec![problem]))
            }
            _ => Err(Failure::Interrupted),
        }
    };
    let first = measure(mover.start)?;
    let limit = first.and_then(|r| r.limit);
    let of_rating = target.is_of_rating();
    let target = target.value(&figure, limit);
    let target = target.map_err(|problem| session.failed(vec![problem.at(span)]))?;
    let say = |value: f64| {
        let plain = shown(value, figure.unit());
        match limit {
            Some(limit) if of_rating => {
                let percent = num::engineering(100.0 * value / limit, "", 4);
                format!("{percent} % ({plain})")
            }
            _ => plain,
        }
    };
    let place = |value: f64| shown(value, mover.unit);
    let outcome = seek::seek(
        |value| measure(value).map(|r| r.map(|r| r.value)),
        mover.start,
        mover.scale,
        target,
    )?;
    let (name, figure_text) = (&mover.name, &figure.text);
    let none = |message: String| Err(Failure::Unreached(message));
    match outcome {
        None => none(format!(
            "`{figure_text}` cannot be sought: there is none at `{name}` = {} or \
             near it",
            place(mover.start)
        )),
        Some(Outcome::OutOfReach {
            from,
            to,
            lowest,
            highest,
        }) => none(format!(
            "`{figure_text}` does not reach {}: with `{name}` from {} to {} it runs from {} (at \
             {}) to {} (at {})",
            say(target),
            place(from),
            place(to),
            say(lowest.1),
            place(lowest.0),
            say(highest.1),
            place(highest.0)
        )),
        Some(Outcome::Jumps { value, figure }) => none(format!(
            "`{figure_text}` jumps past {} at `{name}` = {}: it is {} there",
            say(target),
            place(value),
            say(figure)
        )),
        Some(Outcome::Found {
            value,
            figure: found,
            measured,
        }) => {
            let mut text = format!(
                "{name} = {}: {figure_text} is {} ({measured} measurements)\n",
                place(value),
                say(found)
            );
            if mover.scale == Scale::Ratios {
                for series in [Series::E24, Series::E96] {
                    let near = series.nearest(value);
                    let there = match measure(near)? {
                        Some(reading) => say(reading.value),
                        None => "no solution".into(),
                    };
                    text += &format!("nearest of {}: {}: {there}\n", series.name(), place(near));
                }
            }
            Ok(Some(Sought {
                setting: setting(value),
                name: mover.name.clone(),
                value,
                unit: mover.unit,
                text,
            }))
        }
    }
}

/// The element of a name, and how it may be moved.
fn mover(circuit: &Circuit, name: &str) -> Result<Mover, Failure> {
    let same = |e: &&Element| {
        let control = e.track.is_some() && bare(&e.name).eq_ignore_ascii_case(name);
        e.name.eq_ignore_ascii_case(name) || control
    };
    let Some(element) = circuit.elements.iter().find(same) else {
        let failure = Failure::usage(format!("no element or knob `{name}` to seek by"));
        let names = circuit.elements.iter().map(|e| e.name.as_str());
        return Err(match nearest(name, names) {
            Some(near) => failure.hint(format!("did you mean `{near}`?")),
            None => failure.into(),
        });
    };
    let of = |start, unit, scale| Mover {
        name: element.name.clone(),
        start,
        unit,
        scale,
    };
    let source = || driven_source::find(circuit, Some(&element.name)).map(|s| s.drive.dc);
    let found = match (element.letter, element.value, element.position) {
        ('R', Some(v), _) if v > 0.0 => Some(of(v, "ohm", Scale::Ratios)),
        ('C', Some(v), _) if v > 0.0 => Some(of(v, "F", Scale::Ratios)),
        ('L', Some(v), _) if v > 0.0 => Some(of(v, "H", Scale::Ratios)),
        ('V', ..) => source().map(|v| of(v, "V", Scale::Differences)),
        ('I', ..) => source().map(|v| of(v, "A", Scale::Differences)),
        (_, _, Some(v)) if element.track.is_some() => Some(of(v, "", Scale::Between(0.0, 10.0))),
        _ => None,
    };
    found.ok_or_else(|| {
        Failure::usage(format!("`{name}` has no value that could be moved"))
            .hint("seek by a resistor, capacitor, inductor, source or knob")
    })
}
