//! Every figure that can be expected.

use crate::figure::registry::{Condition, QUANTITIES, Takes};
use crate::report::table::{Side, Table};

/// The list, with units and an example each.
pub fn text() -> String {
    let mut text = String::from(
        "A figure is `QUANTITY of SUBJECT [with KEY VALUE, KEY VALUE ...]`, or a probe: v(a), \
         v(a,b), i(R1), p(R1).\nA percentage is of the rating where the figure has one.\n\n",
    );
    let mut table = Table::new(&[
        ("quantity", Side::Left),
        ("unit", Side::Left),
        ("of", Side::Left),
        ("what it is", Side::Left),
    ]);
    for q in QUANTITIES {
        let unit = if q.unit.is_empty() { "V, A, W" } else { q.unit };
        table.row([q.name, unit, q.about.forms(), q.meaning]);
    }
    text += &table.text();
    text += "\nAn example of each:\n";
    for q in QUANTITIES {
        text += &format!("  {}\n", q.example);
    }
    text += "\nConditions, after `with`:\n";
    let mut seen: Vec<(&Condition, Vec<&str>)> = Vec::new();
    for q in QUANTITIES {
        for &condition in q.conditions {
            let same = |s: &&mut (&Condition, Vec<&str>)| std::ptr::eq(s.0, condition);
            match seen.iter_mut().find(same) {
                Some(known) => known.1.push(q.name),
                None => seen.push((condition, vec![q.name])),
            }
        }
    }
    let mut table = Table::new(&[
        ("key", Side::Left),
        ("value", Side::Left),
        ("without it", Side::Left),
        ("what it is", Side::Left),
        ("for", Side::Left),
    ]);
    for (c, names) in seen {
        let value = match c.takes {
            Takes::Positive(unit) | Takes::NotNegative(unit) => unit.to_string(),
            Takes::OneOf(list) => {
                let list: Vec<String> = list.iter().map(usize::to_string).collect();
                list.join(", ")
            }
            Takes::Word(list) => list.join(", "),
            Takes::Source => "NAME".into(),
            Takes::Text => "TEXT".into(),
        };
        let without = c.default.unwrap_or("must be given");
        table.row([
            c.key.to_string(),
            value,
            without.to_string(),
            c.meaning.to_string(),
            names.join(", "),
        ]);
    }
    text + &table.text()
}
