//! Differences in a builder's words.

use super::differ::Differs;
use super::difference::Difference;
use super::fit::Stray;
use super::graph::{GROUND, Graph, Net, Part};
use super::search::Account;
use super::stories::Story;
use crate::diag::in_a_row;
use crate::num;

/// All differences: what is fitted first, then the wiring, each in the order of the drawn
/// netlist.
pub fn differences(drawn: &Graph, built: &Graph, account: &Account) -> Vec<Difference> {
    let speaker = Speaker {
        drawn,
        built,
        account,
    };
    let mut told: Vec<(bool, usize, Difference)> = account
        .stories
        .iter()
        .map(|story| {
            let (order, difference) = speaker.difference(story);
            (story.is_wiring(), order, difference)
        })
        .collect();
    told.sort_by_key(|t| (t.0, t.1));
    told.into_iter().map(|t| t.2).collect()
}

/// Electrolytics that are the wrong way round, as far as nothing else of them differs.
pub fn reversed(drawn: &Graph, built: &Graph, account: &Account) -> Vec<String> {
    let speaker = Speaker {
        drawn,
        built,
        account,
    };
    let stories = account.stories.iter();
    let found = stories.filter_map(|story| match story {
        Story::Swapped { part, .. } => speaker.reversed(*part),
        _ => None,
    });
    found.collect()
}

/// What a comment says of a part on one side alone, and so cannot be compared: each kind of rating
/// in a line, and parts that only one side marks as electrolytics.
pub fn one_sided(drawn: &Graph, built: &Graph, account: &Account) -> Vec<String> {
    let says = |part: &Part, label: &str| match label {
        "electrolytic" => part.polar,
        _ => part.facts.ratings.iter().any(|r| r.0 == label),
    };
    let mut found = Vec::new();
    for (label, text) in [
        ("rated", "no rating to compare"),
        ("fuse", "no fuse rating to compare"),
        ("ripple", "no ripple rating to compare"),
        ("electrolytic", "no plus marked to compare"),
    ] {
        for (in_drawing, side) in [(true, "in the build"), (false, "in the drawing")] {
            let pairs = account.mapping.pairs();
            let names: Vec<String> = pairs
                .filter(|&(p, q)| {
                    let (ours, theirs) = (&drawn.parts[p], &built.parts[q]);
                    says(ours, label) == in_drawing && says(theirs, label) != in_drawing
                })
                .map(|(p, _)| drawn.parts[p].name.clone())
                .collect();
            if !names.is_empty() {
                found.push(format!("{side} {text}: {}", shortened(&names)));
            }
        }
    }
    found
}

/// A list of names that stays within a line or two.
fn shortened(names: &[String]) -> String {
    const MOST: usize = 8;
    let mut shown = names[..names.len().min(MOST)].to_vec();
    if names.len() > MOST {
        shown.push(format!("{} more", names.len() - MOST));
    }
    in_a_row(&shown)
}

/// What is the same circuit and yet not to the letter: parts that are equal and stand in each
/// other's place.
pub fn harmless(drawn: &Graph, built: &Graph, account: &Account) -> Vec<String> {
    let mut found = Vec::new();
    let image = |p: usize| account.mapping.image[p].map(|q| built.parts[q].name.to_lowercase());
    for (p, part) in drawn.parts.iter().enumerate() {
        let own = part.name.to_lowercase();
        let Some(theirs) = image(p).filter(|theirs| *theirs != own) else {
            continue;
        };
        // Told once a pair, and only where both names are known on both sides.
        let Some(other) = drawn.part(&theirs).filter(|&o| o > p) else {
            continue;
        };
        if image(other).as_deref() == Some(own.as_str()) {
            let what = if part.kind.is_some_and(|k| k.terminals.len() > 2) {
                "the sections are exchanged"
            } else {
                "they stand in each other's place"
            };
            found.push(format!(
                "`{}` and `{}` are alike and {what}: harmless, the circuit is the same",
                part.name, drawn.parts[other].name
            ));
        }
    }
    found
}

struct Speaker<'a> {
    drawn: &'a Graph,
    built: &'a Graph,
    account: &'a Account,
}

impl Speaker<'_> {
    /// The place in the drawn netlist, and the difference.
    fn difference(&self, story: &Story) -> (usize, Difference) {
        let row = |kind, drawn: &str, built: &str, what: String| Difference {
            kind,
            drawn: drawn.into(),
            built: built.into(),
            what,
        };
        match story {
            Story::Fitted {
                part,
                built,
                differs,
            } => {
                let (kind, what) = self.fitted(*part, *built, differs);
                (*part, row(kind, self.name(*part), self.fellow(*part), what))
            }
            Story::Missing { part, bridged } => {
                let what = if *bridged {
                    format!(
                        "{} is missing, and a wire takes its place",
                        self.described(&self.drawn.parts[*part])
                    )
                } else {
                    format!(
                        "{} is missing: it belongs between {}",
                        self.described(&self.drawn.parts[*part]),
                        self.ends(self.drawn, *part)
                    )
                };
                (*part, row("missing", self.name(*part), "", what))
            }
            Story::Extra { built, inserted } => {
                let part = &self.built.parts[*built];
                let what = match inserted {
                    Some(net) => format!(
                        "{} is not in the drawing; it stands in the wire at {}",
                        self.described(part),
                        place(self.drawn, *net, None)
                    ),
                    None => format!(
                        "{} is not in the drawing; it lies between {}",
                        self.described(part),
                        self.ends(self.built, *built)
                    ),
                };
                (usize::MAX, row("extra", "", &part.name, what))
            }
            Story::Moved(stray) => (stray.part, self.moved(stray)),
            Story::Swapped { part, leads } => {
                let own = &self.drawn.parts[*part];
                if let Some(what) = self.reversed(*part) {
                    let row = row("swapped", self.name(*part), self.fellow(*part), what);
                    return (*part, row);
                }
                let lead = |k: usize| match own.lead_name(k) {
                    Some(name) => format!("{name} (lead {})", k + 1),
                    None => format!("lead {}", k + 1),
                };
                let what = format!(
                    "{} and {} of {} are interchanged",
                    lead(leads.0.min(leads.1)),
                    lead(leads.0.max(leads.1)),
                    own.name
                );
                (
                    *part,
                    row("swapped", self.name(*part), self.fellow(*part), what),
                )
            }
            Story::Interchanged { first, second } => {
                let (a, b) = (&self.drawn.parts[*first], &self.drawn.parts[*second]);
                let what = format!(
                    "{} and {} are interchanged: each stands where the other belongs",
                    self.described(a),
                    self.described(b)
                );
                let names = format!("{} {}", a.name, b.name);
                let theirs = format!("{} {}", self.fellow(*first), self.fellow(*second));
                (*first, row("moved", &names, &theirs, what))
            }
            Story::Torn { net, off } => {
                let names = self.names(off);
                let what = format!(
                    "a connection is missing: {} should be joined to {}, and {} not",
                    self.leads(off),
                    place(self.drawn, *net, None),
                    if off.len() > 1 { "are" } else { "is" }
                );
                let row = row("moved", &names.0, &names.1, what);
                (off.first().map_or(usize::MAX, |s| s.part), row)
            }
            Story::Bridged { net, with, leads } => {
                let names = self.names(leads);
                let what = format!(
                    "a connection too many: {} is joined to {}",
                    place(self.drawn, *net, None),
                    place(self.drawn, *with, None)
                );
                let row = row("moved", &names.0, &names.1, what);
                (leads.first().map_or(usize::MAX, |s| s.part), row)
            }
        }
    }

    fn name(&self, p: usize) -> &str {
        &self.drawn.parts[p].name
    }

    /// The name of what stands for a drawn part.
    fn fellow(&self, p: usize) -> &str {
        self.account.mapping.image[p].map_or("", |q| &self.built.parts[q].name)
    }

    /// What is said of an electrolytic whose leads are interchanged; none for any other part.
    fn reversed(&self, p: usize) -> Option<String> {
        let ours = &self.drawn.parts[p];
        let theirs = &self.built.parts[self.account.mapping.image[p]?];
        let (found, belongs) = (*theirs.leads.first()?, *ours.leads.first()?);
        let unsure = match (ours.polar, theirs.polar) {
            (true, true) => "",
            (true, false) => {
                "; only the drawing marks it `electrolytic`: check which end is the plus"
            }
            (false, true) => {
                "; only the build marks it `electrolytic`: check which end is the plus"
            }
            (false, false) => return None,
        };
        Some(format!(
            "{} stands the wrong way round: the plus of an electrolytic is at {}, drawn at {}{unsure}",
            ours.name,
            place(self.built, found, Some(&theirs.name)),
            place(self.drawn, belongs, Some(&ours.name))
        ))
    }

    /// Names of the parts of several leads, each once, on both sides.
    fn names(&self, strays: &[Stray]) -> (String, String) {
        let mut parts: Vec<usize> = strays.iter().map(|s| s.part).collect();
        parts.dedup();
        let join = |names: Vec<&str>| names.join(" ");
        (
            join(parts.iter().map(|&p| self.name(p)).collect()),
            join(parts.iter().map(|&p| self.fellow(p)).collect()),
        )
    }

    fn moved(&self, stray: &Stray) -> Difference {
        let part = &self.drawn.parts[stray.part];
        let belongs = place(self.drawn, stray.drawn, Some(&part.name));
        let fellow = self.fellow(stray.part);
        let alone = stray.built != GROUND && self.built.members[stray.built].len() < 2;
        let found = if alone {
            "is connected to nothing".to_string()
        } else {
            format!("is at {}", place(self.built, stray.built, Some(fellow)))
        };
        Difference {
            kind: "moved",
            drawn: part.name.clone(),
            built: fellow.into(),
            what: format!(
                "{} belongs at {belongs} and {found}",
                lead(part, stray.lead)
            ),
        }
    }

    fn leads(&self, strays: &[Stray]) -> String {
        let shown = strays.iter().take(4);
        let mut all: Vec<String> = shown
            .map(|s| lead(&self.drawn.parts[s.part], s.lead))
            .collect();
        if strays.len() > 4 {
            all.push(format!("{} more", strays.len() - 4));
        }
        in_a_row(&all)
    }

    fn fitted(&self, p: usize, q: usize, differs: &Differs) -> (&'static str, String) {
        let (a, b) = (&self.drawn.parts[p], &self.built.parts[q]);
        let other = if a.name.eq_ignore_ascii_case(&b.name) {
            String::new()
        } else {
            format!(" (built: {})", b.name)
        };
        match differs {
            Differs::Value {
                drawn,
                built,
                label,
            } => {
                if let (false, Some(what)) = (label.is_empty(), one_has(label, *drawn, *built)) {
                    return ("value", format!("{}{other} {what}", a.name));
                }
                let label = match *label {
                    "" => String::new(),
                    label => format!(", {label}"),
                };
                let what = format!(
                    "{}{other} is {}, drawn {}{label}{}",
                    a.name,
                    amount(*built),
                    amount(*drawn),
                    self.partner(p, q)
                );
                ("value", what)
            }
            Differs::Words => (
                "value",
                format!(
                    "{}{other} follows another formula or waveform than drawn",
                    a.name
                ),
            ),
            Differs::Rating {
                label,
                drawn,
                built,
                unit,
            } => {
                let (drawn, built) = (number(*drawn, unit), number(*built, unit));
                let what = match *label {
                    "fuse" => format!("is a fuse of {built}, drawn {drawn}"),
                    "ripple" => format!("stands {built} of ripple current, drawn {drawn}"),
                    _ => format!("is rated {built}, drawn {drawn}"),
                };
                ("value", format!("{}{other} {what}", a.name))
            }
            Differs::Model { parameters } => ("model", self.model(a, b, &other, parameters)),
            Differs::Switch { closed } => {
                let state = |closed| if closed { "closed" } else { "open" };
                let what = format!(
                    "{}{other} works the other way round: {} where it is drawn {}",
                    a.name,
                    state(!closed),
                    state(*closed)
                );
                ("switch", what)
            }
        }
    }

    fn model(&self, a: &Part, b: &Part, other: &str, parameters: &[(String, f64, f64)]) -> String {
        let (was, is) = (article(&a.facts.model), article(&b.facts.model));
        let which = if was == is {
            format!("{}{other} is {is} with other figures", a.name)
        } else {
            format!("{}{other} is {is}, drawn as {was}", a.name)
        };
        let row = |name: &str| {
            let rows = a.kind.map_or(&[][..], |k| k.model_params);
            rows.iter().find(|row| row.name == name)
        };
        let shown = |name: &str, value: f64| match row(name) {
            // Words are written with their place in the list: `taper=audio`.
            Some(row) if !row.words.is_empty() => {
                let word = row.words.get(value as usize);
                word.map_or(String::new(), |word| (*word).to_string())
            }
            row => number(value, row.map_or("", |row| row.unit)),
        };
        // A pot or transformer says in figures what is another about it.
        let shown: Vec<String> = parameters
            .iter()
            .take(3)
            .map(|(name, x, y)| format!("{name} {} for {}", shown(name, *y), shown(name, *x)))
            .collect();
        if shown.is_empty() || parameters.len() > 3 {
            which
        } else {
            format!("{which}: {}", shown.join(", "))
        }
    }

    /// Another part that has this one's drawn value while this one has its.
    fn partner(&self, p: usize, q: usize) -> String {
        let (a, b) = (&self.drawn.parts[p].facts, &self.built.parts[q].facts);
        let crossed = self.account.stories.iter().find_map(|story| match story {
            Story::Fitted {
                part,
                built,
                differs: Differs::Value { .. },
            } if *part != p => {
                let (c, d) = (&self.drawn.parts[*part], &self.built.parts[*built]);
                let alike = self.drawn.parts[p].letter == c.letter;
                (alike && c.facts.values == b.values && d.facts.values == a.values).then_some(c)
            }
            _ => None,
        });
        crossed.map_or(String::new(), |c| {
            format!(": {} and it are interchanged", c.name)
        })
    }

    /// A part with its value or type.
    fn described(&self, part: &Part) -> String {
        let facts = &part.facts;
        match facts.values.first() {
            _ if !facts.model.is_empty() && facts.closed.is_none() => {
                format!("{} ({})", part.name, facts.model)
            }
            Some(&(_, value, unit)) => format!("{} ({})", part.name, number(value, unit)),
            None => part.name.clone(),
        }
    }

    /// Where the leads of a part go.
    fn ends(&self, graph: &Graph, p: usize) -> String {
        let part = &graph.parts[p];
        let all: Vec<String> = part
            .leads
            .iter()
            .map(|&net| place(graph, net, Some(&part.name)))
            .collect();
        in_a_row(&all)
    }
}

fn lead(part: &Part, k: usize) -> String {
    match part.lead_name(k) {
        Some(name) => format!("the {name} of {}", part.name),
        None if part.leads.len() == 2 => format!("a lead of {}", part.name),
        None => format!("lead {} of {}", k + 1, part.name),
    }
}

/// A net as a builder finds it: by what else is joined there.
fn place(graph: &Graph, net: Net, without: Option<&str>) -> String {
    if net == GROUND {
        return "ground".into();
    }
    let others: Vec<(usize, usize)> = graph.members[net]
        .iter()
        .copied()
        .filter(|&(p, _)| Some(graph.parts[p].name.as_str()) != without)
        .collect();
    let node = &graph.nets[net];
    // The lead of a valve tells a place best.
    let telling = others
        .iter()
        .find(|&&(p, k)| !graph.parts[p].polar && graph.parts[p].lead_name(k).is_some());
    let at = match (telling, &others[..]) {
        (Some(&(p, k)), _) => lead(&graph.parts[p], k),
        (None, [(p, k)]) => lead(&graph.parts[*p], *k),
        (None, [(a, _), (b, _), ..]) => format!(
            "the junction of {} and {}",
            graph.parts[*a].name, graph.parts[*b].name
        ),
        (None, []) => return format!("node `{node}`"),
    };
    format!("{at} (node `{node}`)")
}

/// What is said of a value that only one of two lines has, an AC value say; none where both have it.
fn one_has(
    label: &str,
    drawn: Option<(f64, &'static str)>,
    built: Option<(f64, &'static str)>,
) -> Option<String> {
    match (drawn, built) {
        (None, Some(_)) => Some(format!("has {label} {}, drawn without", amount(built))),
        (Some(_), None) => Some(format!(
            "has no {label}, drawn with {label} {}",
            amount(drawn)
        )),
        _ => None,
    }
}

fn amount(value: Option<(f64, &'static str)>) -> String {
    value.map_or("without a value".into(), |(x, unit)| number(x, unit))
}

/// A part's value as it is printed on the part: no digits that say nothing.
fn number(value: f64, unit: &str) -> String {
    let unit = match unit {
        "ohm" => "Ω",
        "1" => "",
        unit => unit,
    };
    let text = num::engineering(value, unit, 6);
    let (digits, rest) = text.split_once(' ').unwrap_or((&text, ""));
    let digits = if digits.contains('.') {
        digits.trim_end_matches('0').trim_end_matches('.')
    } else {
        digits
    };
    format!("{digits} {rest}").trim_end().to_string()
}

fn article(model: &str) -> String {
    if model.is_empty() {
        "without a model".into()
    } else {
        // Letters and figures are spoken one by one, unless they make a word: an EL84, an 807, an
        // MT, a 6V6, a MASTER.
        let mut letters = model.chars().map(|c| c.to_ascii_uppercase());
        let is_an = match (letters.next(), letters.next()) {
            (Some('A' | 'E' | 'I' | 'O' | '8'), _) => true,
            (Some('F' | 'H' | 'L' | 'M' | 'N' | 'R' | 'S' | 'X'), second) => {
                !second.is_some_and(|c| "AEIOUY".contains(c))
            }
            _ => false,
        };
        format!("{} {model}", if is_an { "an" } else { "a" })
    }
}

#[cfg(test)]
mod tests {
    use super::article;

    /// A fixed bug: `drawn a EL84`.
    #[test]
    fn a_type_has_the_article_that_is_spoken() {
        for (model, said) in [
            ("EL84", "an EL84"),
            ("OT15", "an OT15"),
            ("807", "an 807"),
            ("6V6GT", "a 6V6GT"),
            ("12AX7", "a 12AX7"),
            ("MT", "an MT"),
            ("MASTER", "a MASTER"),
        ] {
            assert_eq!(article(model), said);
        }
    }
}
