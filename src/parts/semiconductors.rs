//! Diodes and transistors: bought by their type, so what the type does not stand must be said.

use super::line::{Line, show};
use crate::circuit::Element;
use crate::measure::chart::{Verdict, transistor_watts};
use crate::measure::inverse;
use crate::measure::stress::{Stress, Survey};

/// Heat below which a diode's dissipation is not worth a word, W.
const COOL_W: f64 = 0.1;

/// A semiconductor's line, the stress it is listed for, and its watts if nothing says how many it stands.
pub(super) struct Semiconductor {
    pub line: Line,
    pub stress: f64,
    pub unrated_w: Option<f64>,
}

fn typed(kind: &'static str, element: &Element) -> Line {
    let model = element.model.clone().unwrap_or_default();
    Line {
        buy: model.clone(),
        ..Line::new(kind, model)
    }
}

fn worst(survey: &Survey, element: &Element, quantity: &str) -> f64 {
    let found = survey.find(&element.name, quantity);
    found.and_then(Stress::worst).map_or(0.0, |w| w.0.abs())
}

/// A diode by the volts that it blocks, a zener by its watts.
pub(super) fn diode(survey: &Survey, element: &Element) -> Semiconductor {
    let mut line = typed("diode", element);
    let volts = worst(survey, element, "peak inverse voltage");
    let watts = worst(survey, element, "driven dissipation");
    let is_zener = inverse::is_zener(element);
    let (stress, unit) = if is_zener { (watts, "W") } else { (volts, "V") };
    line.needs = show(stress, unit);
    let broken = inverse::breakdown(element).filter(|most| volts >= *most);
    if let Some(breakdown) = broken {
        line.buy.clear();
        line.notes.push(format!(
            "does not do: breaks down at {} and fails short: use a type of more volts, or two in series",
            show(breakdown, "V")
        ));
    } else {
        refuse(&mut line, survey, element);
    }
    // The watts of one that breaks down are no figure of a real one.
    let is_judged = broken.is_some() || (is_zener && element.rated.is_some());
    Semiconductor {
        line,
        stress,
        unrated_w: (!is_judged && watts >= COOL_W).then_some(watts),
    }
}

/// A transistor by its watts.
pub(super) fn transistor(survey: &Survey, element: &Element) -> Semiconductor {
    let mut line = typed("transistor", element);
    let watts = worst(survey, element, "driven dissipation");
    line.needs = show(watts, "W");
    refuse(&mut line, survey, element);
    Semiconductor {
        line,
        stress: watts,
        unrated_w: transistor_watts(element).is_none().then_some(watts),
    }
}

/// Says what a part is past, and leaves out what to buy then: the type that the netlist names will not
/// do.
pub(super) fn refuse(line: &mut Line, survey: &Survey, element: &Element) {
    let own = survey.figures.iter().filter(|f| f.subject == element.name);
    for figure in own.filter(|f| f.verdict() == Some(Verdict::Over)) {
        let (Some((worst, _)), Some(limit)) = (figure.worst(), figure.limit) else {
            continue;
        };
        let quantity = figure.quantity;
        line.buy.clear();
        line.notes.push(format!(
            "does not do: {} needs {}, rated {}",
            quantity.strip_prefix("driven ").unwrap_or(quantity),
            show(worst.abs(), figure.unit),
            show(limit, figure.unit)
        ));
    }
}
