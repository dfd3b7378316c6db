//! The model as text: a `.model` under comments that say where each number is from.

use super::bottle::has_screen;
use super::estimate::{Estimate, TOLD, rounded};
use super::problem::counted;
use crate::circuit::library::Shipped;
use crate::num::{self, engineering};

/// Characters of a line of comment.
const WIDE: usize = 94;

/// Whether a model may bear a name: a letter first, then letters, digits, `_` and `-`.
pub fn good_name(name: &str) -> bool {
    let mut letters = name.chars();
    letters.next().is_some_and(|c| c.is_ascii_alphanumeric())
        && letters.all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '-')
        && name.len() <= 60
}

/// The text of a file with the model. `from` says what was read, as in `mine.csv`.
pub fn text(name: &str, from: &str, valve: &Shipped, found: &Estimate) -> String {
    let mut text = String::new();
    let mut say = |sentence: String| text += &comment(&sentence);
    let kept = found.judged.iter().filter(|j| j.counts()).count();
    say(format!(
        "{name}: one {}, as measured, {}. Written by gridleak fit from {}.",
        valve.name,
        counted(kept, "reading"),
        from
    ));
    let shown = |p: &super::estimate::Parameter| {
        format!(
            "{} {} ({} to {}; type {})",
            p.name,
            num::full(p.value),
            short(p.interval.0),
            short(p.interval.1),
            short(p.typical)
        )
    };
    let moved: Vec<String> = found
        .parameters
        .iter()
        .filter(|p| p.moved)
        .map(shown)
        .collect();
    say(format!(
        "Fitted to the readings, with 90 % intervals: {}.",
        moved.join(", ")
    ));
    let held: Vec<String> = found
        .parameters
        .iter()
        .filter(|p| !p.moved)
        .map(|p| {
            format!(
                "{} {} ({} to {})",
                p.name,
                num::full(p.value),
                short(p.interval.0),
                short(p.interval.1)
            )
        })
        .collect();
    let others = "grid current, capacitances and ratings";
    say(if held.is_empty() {
        format!("Held as in the built-in {}: {others}.", valve.name)
    } else {
        format!(
            "Held as in the built-in {}, for these readings say too little of them; in brackets how \
             far one valve may differ: {}. Held too: {others}.",
            valve.name,
            held.join(", ")
        )
    });
    for start in ["Points:", "Plate and screen curves:", "Residuals:"] {
        if let Some(sentence) = note(valve, start) {
            say(format!(
                "Source of what is held ({}): {sentence}",
                valve.name
            ));
        }
    }
    let worst = found.told().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    if let Some((worst, error)) = worst {
        say(format!(
            "Residuals, model over reading{}: plate current {:.1} % rms, worst {:+.1} % in line {}.",
            untold(found),
            100.0 * found.rms,
            100.0 * error,
            worst.reading.line
        ));
    }
    if let Some(known) = found.uncertainty() {
        say(format!(
            "Plate current within the volts read is known to +/- {:.1} % (90 %).",
            100.0 * known
        ));
    }
    for line in aside(found) {
        say(format!("{}{}.", line[..1].to_uppercase(), &line[1..]));
    }
    for line in contradictory(found) {
        say(format!("Contradiction: {}.", line.trim_end_matches('?')));
    }
    say(format!(
        "Read at {}; beyond, it is the type's curves that are followed.",
        range(found)
    ));
    text + &statement(name, valve, found)
}

/// Which lines the residuals are not of, for little current: ` (without lines 5 and 6, below 2 % of the
/// largest current)`; empty if they are of all.
pub fn untold(found: &Estimate) -> String {
    let told: Vec<usize> = found.told().map(|(j, _)| j.reading.line).collect();
    let all = found.judged.iter().filter(|j| j.counts());
    let lines = all.map(|j| j.reading.line).filter(|l| !told.contains(l));
    let lines: Vec<usize> = lines.collect();
    if lines.is_empty() {
        return String::new();
    }
    let least = 100.0 * TOLD;
    format!(
        " (without {}, below {least} % of the largest current)",
        named_lines(&lines)
    )
}

/// `line 5`, `lines 5, 6 and 11`; of many the first.
fn named_lines(lines: &[usize]) -> String {
    const MOST: usize = 12;
    let shown: Vec<String> = lines.iter().take(MOST).map(usize::to_string).collect();
    match (&shown[..], lines.len().saturating_sub(MOST)) {
        ([one], 0) => format!("line {one}"),
        ([first @ .., last], 0) => format!("lines {} and {last}", first.join(", ")),
        (_, more) => format!("lines {} and {more} more", shown.join(", ")),
    }
}

/// All that is odd about the readings, a sentence each.
pub fn remarks(found: &Estimate) -> Vec<String> {
    let mut all = aside(found);
    all.extend(contradictory(found));
    all
}

/// The readings that say nothing.
fn aside(found: &Estimate) -> Vec<String> {
    let aside = found.judged.iter().filter(|j| j.aside);
    let lines: Vec<usize> = aside.map(|j| j.reading.line).collect();
    if lines.is_empty() {
        return Vec::new();
    }
    let (say, are) = if lines.len() == 1 {
        ("says", "it is")
    } else {
        ("say", "they are")
    };
    let named = named_lines(&lines);
    vec![format!(
        "{named} {say} nothing of the valve, for hardly a current flows there: {are} set aside"
    )]
}

/// The readings that contradict each other or all others, or the type, a sentence each.
fn contradictory(found: &Estimate) -> Vec<String> {
    let line = |k: usize| found.judged[k].reading.line;
    let current = |k: usize| engineering(found.judged[k].reading.plate, "A", 3);
    let pairs = found.contradictions.iter().take(5).map(|&(a, b)| {
        let (x, y) = (found.judged[a].reading.state, found.judged[b].reading.state);
        let same = (x.vpk, x.vgk) == (y.vpk, y.vgk);
        let why = if same {
            "at the same volts"
        } else {
            "and the one with more volts on every electrode has less current"
        };
        format!(
            "lines {} and {} contradict each other: {} and {} {why}",
            line(a),
            line(b),
            current(a),
            current(b)
        )
    });
    let alone = found.judged.iter().filter(|j| j.left_out).map(|j| {
        format!(
            "line {} contradicts all other readings and is left out: {} read, {} by the others",
            j.reading.line,
            engineering(j.reading.plate, "A", 3),
            engineering(j.model[0], "A", 3)
        )
    });
    let strange = found.is_strange().then(|| {
        format!(
            "the readings do not follow the curves of the type {}: is it another type, or another unit?",
            found.frame().name
        )
    });
    pairs.chain(alone).chain(strange).collect()
}

/// The volts that were read.
fn range(found: &Estimate) -> String {
    let between = |of: &dyn Fn(&super::bottle::State) -> f64, what: &str| {
        let kept = || found.judged.iter().filter(|j| !j.aside);
        let all = || kept().map(|j| of(&j.reading.state));
        let (low, high) = (
            all().fold(f64::INFINITY, f64::min),
            all().fold(f64::NEG_INFINITY, f64::max),
        );
        if low == high {
            format!("{what} {}", engineering(low, "V", 3))
        } else {
            format!(
                "{what} {} to {}",
                engineering(low, "V", 3),
                engineering(high, "V", 3)
            )
        }
    };
    let mut parts = vec![between(&|s| s.vpk, "plate")];
    if has_screen(found.frame().kind) {
        parts.push(between(&|s| s.vg2k, "screen"));
    }
    parts.push(between(&|s| s.vgk, "grid"));
    parts.join(", ")
}

/// A number of four digits.
fn short(value: f64) -> String {
    num::full(format!("{value:.3e}").parse().unwrap_or(value))
}

/// The paragraph of a type's comments that begins with some words.
fn note(valve: &Shipped, start: &str) -> Option<String> {
    let from = valve.notes.iter().position(|n| n.starts_with(start))?;
    let mut words = valve.notes[from].clone();
    for line in &valve.notes[from + 1..] {
        // A paragraph begins with its subject and a colon, or a sentence of its own.
        if words.ends_with('.') {
            break;
        }
        words.push(' ');
        words += line;
    }
    Some(words)
}

/// A sentence as lines of comment.
fn comment(sentence: &str) -> String {
    let mut lines = vec![String::from("*")];
    for word in sentence.split_whitespace() {
        let last = lines.last_mut().expect("never empty");
        if last.len() > 1 && last.chars().count() + 1 + word.chars().count() > WIDE {
            lines.push(String::from("*"));
        }
        let last = lines.last_mut().expect("never empty");
        last.push(' ');
        last.push_str(word);
    }
    lines.join("\n") + "\n"
}

/// The `.model` line. What is fitted stands first; the spread is now that of this one bottle:
/// how far its parameters are still unknown.
fn statement(name: &str, valve: &Shipped, found: &Estimate) -> String {
    let mut words = Vec::new();
    let own = |n: &str| found.parameters.iter().find(|p| p.name == n);
    let half = |n: &str| own(n).map(|p| (p.interval.1 - p.interval.0) / 2.0);
    for (param, &value) in valve.kind.model_params.iter().zip(&found.values) {
        let word = param
            .words
            .get(value as usize)
            .filter(|_| !param.words.is_empty());
        let relative = |n: &str| {
            half(n)
                .zip(own(n))
                .map(|(h, p)| h / p.value.abs().max(1e-12))
        };
        let spread = match param.name {
            // What the readings say nothing of stays as it is.
            "tolip" => found.spread(),
            "tolmu" => relative("mu"),
            "tolvct" => Some(0.0),
            _ => None,
        };
        if value.is_nan() {
            continue;
        }
        if let Some(spread) = spread {
            let kept = spread.min(value.max(0.0));
            words.push(format!("{}={}", param.name, num::full(round_up(kept))));
        } else if let Some(word) = word {
            words.push(format!("{}={word}", param.name));
        } else if valve.given.contains(&param.name)
            || own(param.name).is_some()
            || value != param.default
        {
            words.push(format!("{}={}", param.name, num::full(rounded(value))));
        }
    }
    let mut lines = vec![format!(".model {name} {}(", valve.kind.name)];
    for chunk in words.chunks(6) {
        lines.push(format!("+ {}", chunk.join(" ")));
    }
    lines.join("\n") + ")\n"
}

/// Three places, never less than what it stands for.
fn round_up(value: f64) -> f64 {
    (value * 1e3).ceil() / 1e3
}
