//! What is in the drawer: a CSV of `kind,value,rating,count,where`.

pub use super::line::Held;
use super::line::Line;
use crate::diag::rows::{self, COMMENT, Table, TwoColumns, line_of};
use crate::num::{self, Role};

/// A line of the stock.
#[derive(Debug, Clone, PartialEq)]
pub struct Item {
    kind: String,
    value: String,
    number: Option<f64>,
    rating: Option<f64>,
    count: usize,
    place: String,
}

/// What is wrong with a stock's text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StockProblem {
    /// From 1; the heading is line 1.
    pub line: usize,
    /// The column's name.
    pub column: &'static str,
    /// In a few words.
    pub why: String,
}

/// The columns.
pub const COLUMNS: [&str; 5] = ["kind", "value", "rating", "count", "where"];

/// Reads a stock.
///
/// # Errors
/// The first thing that is wrong with it.
pub fn read(text: &str) -> Result<Vec<Item>, StockProblem> {
    let wrong = |line: usize, column: &'static str, why: String| StockProblem { line, column, why };
    let missing = || {
        format!(
            "there is no column of this name; expected {}",
            COLUMNS.join(",")
        )
    };
    let Some(mut table) = Table::of(text) else {
        return Err(wrong(1, COLUMNS[0], missing()));
    };
    let head = table
        .reader
        .headers()
        .map_err(|e| wrong(1, COLUMNS[0], e.to_string()))?
        .clone();
    let head_line = line_of(table.text, &head, Some(COMMENT));
    let mut places = [None; 5];
    for (k, column) in COLUMNS.iter().enumerate() {
        places[k] = rows::column(&head, column).map_err(|TwoColumns| {
            let why = "two columns have this name".to_string();
            wrong(head_line, column, why)
        })?;
        if places[k].is_none() && k != 2 && k != 4 {
            return Err(wrong(head_line, column, missing()));
        }
    }
    let number = |text: &str| {
        if table.decimal_commas {
            text.replace(',', ".")
        } else {
            text.to_string()
        }
    };
    let mut items = Vec::new();
    for record in table.reader.records() {
        let record = record.map_err(|e| {
            let line = e.position().map_or(1, |p| p.line() as usize);
            wrong(line, COLUMNS[0], e.to_string())
        })?;
        let line = line_of(table.text, &record, Some(COMMENT));
        let cell = |k: usize| places[k].and_then(|p| record.get(p)).unwrap_or("");
        if record.iter().all(str::is_empty) {
            continue;
        }
        let kind = cell(0).to_lowercase();
        if kind.is_empty() {
            return Err(wrong(
                line,
                COLUMNS[0],
                "expected a kind such as resistor".into(),
            ));
        }
        let value = match role(&kind) {
            Some(_) => number(cell(1)),
            None => cell(1).to_string(),
        };
        let amount = match role(&kind) {
            Some(role) => match num::parse_value(first_word(&value), role) {
                Ok((number, _)) => Some(number),
                Err(_) => {
                    let why = format!(
                        "`{}` is not a value; expected one like 4.7k or 22n",
                        cell(1)
                    );
                    return Err(wrong(line, COLUMNS[1], why));
                }
            },
            None => None,
        };
        let rating = match cell(2) {
            "" => None,
            text => match num::parse(&number(text).replace(' ', "")) {
                Some(number) if number > 0.0 => Some(number),
                _ => {
                    let why = format!("`{text}` is not a rating; expected one like 0.5W or 450V");
                    return Err(wrong(line, COLUMNS[2], why));
                }
            },
        };
        let Ok(count) = cell(3).parse::<usize>() else {
            let why = format!("`{}` is not a count; expected a whole number", cell(3));
            return Err(wrong(line, COLUMNS[3], why));
        };
        items.push(Item {
            kind,
            value,
            number: amount,
            rating,
            count,
            place: cell(4).to_string(),
        });
    }
    Ok(items)
}

/// What the number of a kind of part stands for; none for kinds that are known by a type.
fn role(kind: &str) -> Option<Role> {
    match kind {
        "resistor" | "pot" => Some(Role::Resistance),
        "capacitor" => Some(Role::Capacitance),
        "inductor" => Some(Role::Inductance),
        _ => None,
    }
}

fn first_word(text: &str) -> &str {
    text.split_whitespace().next().unwrap_or("")
}

/// Marks what a stock holds. Lines that ask for more take first, so that a 2 W resistor is not
/// given away where 0.25 W would do; of several drawers the smallest rating that serves is taken.
pub fn mark(lines: &mut [Line], mut items: Vec<Item>) {
    let mut order: Vec<usize> = (0..lines.len()).collect();
    let rating = |line: &Line| line.rating.unwrap_or(0.0);
    order.sort_by(|&a, &b| {
        rating(&lines[b])
            .total_cmp(&rating(&lines[a]))
            .then(a.cmp(&b))
    });
    items.sort_by(|a, b| a.rating.unwrap_or(0.0).total_cmp(&b.rating.unwrap_or(0.0)));
    for k in order {
        let line = &mut lines[k];
        let mut held = Held {
            count: 0,
            places: Vec::new(),
        };
        for item in items.iter_mut().filter(|i| serves(i, line)) {
            let taken = item.count.min(line.quantity - held.count);
            if taken > 0 {
                item.count -= taken;
                held.count += taken;
                if !item.place.is_empty() && !held.places.contains(&item.place) {
                    held.places.push(item.place.clone());
                }
            }
        }
        line.stock = Some(held);
    }
}

fn serves(item: &Item, line: &Line) -> bool {
    let same_value = match (item.number, line.number) {
        (Some(a), Some(b)) => {
            // A pot's taper stands behind its value.
            let tail = |text: &str| text.split_whitespace().nth(1).map(str::to_lowercase);
            (a / b - 1.0).abs() < 1e-9 && tail(&item.value) == tail(&line.value)
        }
        _ => item.value.eq_ignore_ascii_case(&line.value),
    };
    // A drawer without a rating is believed only where none is asked for.
    let strong = match (line.rating, item.rating) {
        (Some(needed), Some(has)) => has >= needed * (1.0 - 1e-9),
        (Some(_), None) => false,
        (None, _) => true,
    };
    item.kind == line.kind && same_value && strong && !(line.needs_two() && line.rating.is_none())
}

impl Line {
    /// Whether no single part will do.
    fn needs_two(&self) -> bool {
        matches!(self.kind, "resistor" | "capacitor") && self.buy.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_that_is_none_is_named_with_line_and_column() {
        let head = "kind,value,rating,count,where\n";
        let wrong = |row: &str| read(&format!("{head}resistor,1k,0.5W,3,a\n{row}\n")).unwrap_err();
        let at = |w: StockProblem| (w.line, w.column);
        assert_eq!(at(wrong("resistor,much,0.5W,3,b")), (3, "value"));
        assert_eq!(at(wrong("resistor,1k,strong,3,b")), (3, "rating"));
        assert_eq!(at(wrong("resistor,1k,0.5W,some,b")), (3, "count"));
        assert_eq!(at(read("kind,rating,count\n").unwrap_err()), (1, "value"));
    }

    /// A fixed bug: a spreadsheet's semicolons and decimal commas were no columns.
    #[test]
    fn a_spreadsheet_with_semicolons_is_read_alike() {
        let plain = read("kind,value,rating,count,where\nresistor,4.7k,0.5W,12,box 3\n");
        for text in [
            "kind;value;rating;count;where\nresistor;4,7k;0,5W;12;box 3\n",
            "\u{feff}# mine\r\nkind\tvalue\trating\tcount\twhere\r\nresistor\t4.7k\t0,5 W\t12\tbox 3\r\n",
        ] {
            assert_eq!(read(text), plain, "{text:?}");
        }
    }

    #[test]
    fn strong_parts_are_kept_for_lines_that_need_them() {
        let line = |rating: f64, quantity: usize| Line {
            number: Some(1e3),
            rating: Some(rating),
            buy: format!("{rating} W"),
            quantity,
            ..Line::new("resistor", "1k")
        };
        let mut lines = vec![line(0.25, 2), line(2.0, 1)];
        let stock =
            "kind,value,rating,count,where\nresistor,1k,2W,1,box 1\nresistor,1K0,0.25W,1,box 2\n";
        mark(&mut lines, read(stock).unwrap());
        assert_eq!((lines[0].to_buy(), lines[1].to_buy()), (1, 0));
        assert_eq!(lines[0].note(), "1 of 2 in stock (box 2)");
    }
}
