//! Readings of a meter: a CSV of `probe,value`.

use super::point::{Point, Quantity};
use super::state::{State, tone_source};
use crate::analysis::mains;
use crate::circuit::{Circuit, Node};
use crate::diag::nearest;
use crate::diag::rows::{self, Table, TwoColumns, line_of};
use crate::num::{self, Role};

/// What a meter showed.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// Where.
    pub point: Point,
    /// V.
    pub value: f64,
    /// What its last digit is worth, V.
    pub digit: f64,
    /// Its line, from 1.
    pub line: usize,
}

/// What is wrong with a table of readings.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wrong {
    /// From 1; the heading is line 1.
    pub line: usize,
    /// The column's name.
    pub column: &'static str,
    /// In a few words.
    pub why: String,
    /// What to do.
    pub hint: String,
}

/// The columns.
pub const COLUMNS: [&str; 2] = ["probe", "value"];

fn wrong(line: usize, column: &'static str, why: String, hint: &str) -> Wrong {
    let hint = hint.to_string();
    Wrong {
        line,
        column,
        why,
        hint,
    }
}

/// Reads a table.
///
/// # Errors
/// The first thing that is wrong with it.
pub fn read(text: &str, circuit: &Circuit) -> Result<Vec<Reading>, Wrong> {
    let example = "expected lines such as `v(plate1),172` below the heading `probe,value`";
    let unread = |e: csv::Error| {
        let line = e.position().map_or(1, |p| p.line() as usize);
        wrong(line, COLUMNS[0], e.to_string(), example)
    };
    let Some(mut table) = Table::of(text) else {
        let why = "there is no reading in it".to_string();
        return Err(wrong(1, COLUMNS[0], why, example));
    };
    let head = table.reader.headers().map_err(unread)?.clone();
    let head_line = line_of(table.text, &head, Some(b'#'));
    let place = |column: &'static str| {
        let found = rows::measured(&head, column).map_err(|TwoColumns| {
            let why = "two columns have this name".to_string();
            wrong(head_line, column, why, "rename the one that is not meant")
        });
        found.map(|found| found.map(|(place, _)| place))
    };
    let mut places = [0; 2];
    for (to, column) in places.iter_mut().zip(COLUMNS) {
        let why = "there is no column of this name";
        *to = place(column)?.ok_or_else(|| wrong(head_line, column, why.into(), example))?;
    }
    let stated = place("state")?;
    let mut readings: Vec<Reading> = Vec::new();
    for record in table.reader.records() {
        let record = record.map_err(unread)?;
        let line = line_of(table.text, &record, Some(b'#'));
        let cell = |k: usize| record.get(places[k]).unwrap_or("");
        if record.iter().all(str::is_empty) {
            continue;
        }
        // `v(a,b)` without quotes falls into two columns; the value is then the next one.
        let (mut probe, mut value) = (cell(0).to_string(), cell(1).to_string());
        if probe.contains('(') && !probe.contains(')') && value.ends_with(')') {
            probe = format!("{probe},{value}");
            value = record.get(places[1] + 1).unwrap_or("").to_string();
        }
        let split = probe.contains(',') && !cell(0).contains(',');
        let known = head.len() + usize::from(split);
        if record.iter().skip(known).any(|c| !c.is_empty()) {
            let why = format!(
                "the line has {} cells, the heading {}",
                record.len(),
                head.len()
            );
            let hint = "write volts with a point, 1.70, and nothing behind them";
            return Err(wrong(line, COLUMNS[1], why, hint));
        }
        value = rows::pointed(&value, table.decimal_commas);
        let mut point = point(&probe, circuit, line)?;
        let state = stated.and_then(|k| record.get(k + usize::from(split)));
        let state = state.unwrap_or("");
        stand(&mut point, state, circuit, line)?;
        if let Some(before) = readings.iter().find(|r| r.point.label == point.label) {
            let why = format!("`{}` stands on line {} already", point.label, before.line);
            return Err(wrong(
                line,
                COLUMNS[0],
                why,
                "keep the reading that you trust",
            ));
        }
        // A blank is a point that was not measured.
        if value.is_empty() {
            continue;
        }
        let bare = value.to_lowercase();
        let value = match bare.strip_suffix("rms") {
            Some(bare) if point.quantity == Quantity::Ripple => {
                point.quantity = Quantity::RippleRms;
                bare.trim().to_string()
            }
            _ => value,
        };
        let (value, digit) = number(&value, point.quantity).ok_or_else(|| {
            let (what, hint) = match point.quantity {
                Quantity::Volts => (
                    "a voltage",
                    "expected volts, such as 172.3, -38 or 12m; where the meter shows OL, choose a \
                     higher range",
                ),
                Quantity::Ohms => ("a resistance", "expected ohms, such as 1.52k or 1.1meg"),
                Quantity::Ripple | Quantity::RippleRms => (
                    "a ripple",
                    "expected volts from peak to peak, such as 9.8, or as a meter's AC range shows \
                     them, 2.8rms",
                ),
                Quantity::Gain => (
                    "a gain",
                    "expected volts out per volt in, such as 54, or 34.6dB",
                ),
            };
            wrong(line, COLUMNS[1], format!("`{value}` is not {what}"), hint)
        })?;
        readings.push(Reading {
            point,
            value,
            digit,
            line,
        });
    }
    if readings.is_empty() {
        let why = "there is no reading in it".to_string();
        return Err(wrong(1, COLUMNS[1], why, example));
    }
    sharpen(&mut readings);
    Ok(readings)
}

/// A table that has readings of three digits was made by a meter of three: `2` beside them is
/// 2.00, and `0` is 0.00.
fn sharpen(readings: &mut [Reading]) {
    let volts = |r: &&mut Reading| r.point.quantity == Quantity::Volts;
    let three = readings
        .iter()
        .any(|r| r.point.quantity == Quantity::Volts && r.value.abs() >= 99.5 * r.digit);
    if !three {
        return;
    }
    for reading in readings.iter_mut().filter(volts) {
        reading.digit = num::of_three_digits(reading.value, reading.digit);
    }
}

/// Enters the state that a point is measured in.
fn stand(point: &mut Point, text: &str, circuit: &Circuit, line: usize) -> Result<(), Wrong> {
    let hint = "expected `working`, `valves pulled`, `XV1A pulled`, `STANDBY open` or `mains off`";
    let Some(mut state) = State::parse(text, circuit) else {
        return Err(wrong(
            line,
            "state",
            format!("`{text}` is not a state"),
            hint,
        ));
    };
    match point.quantity {
        Quantity::Ohms if matches!(state, State::Working | State::Off) => state = State::Off,
        Quantity::Volts if state != State::Off => {}
        Quantity::Ripple | Quantity::RippleRms if state == State::Working => {}
        Quantity::Gain if state == State::Working => {
            if tone_source(circuit).is_none() {
                let why = "the netlist has no source for the tone".to_string();
                return Err(wrong(
                    line,
                    COLUMNS[0],
                    why,
                    "write `AC 1` on the line of the input",
                ));
            }
        }
        _ => {
            let why = format!("`{}` cannot be measured with `{text}`", point.label);
            return Err(wrong(
                line,
                "state",
                why,
                "ohms go with `mains off`, gains with `working`",
            ));
        }
    }
    point.state = state;
    let words = state.words(circuit);
    if !words.is_empty() && point.quantity != Quantity::Ohms {
        point.label = format!("{}, {words}", point.label);
    }
    Ok(())
}

/// A number of its kind, and what the last digit is worth.
fn number(text: &str, quantity: Quantity) -> Option<(f64, f64)> {
    let lower = text.to_lowercase();
    match quantity {
        Quantity::Volts => volts(text),
        Quantity::Ripple | Quantity::RippleRms => {
            let bare = lower.trim_end_matches("pp").trim_end_matches("p-p").trim();
            volts(bare).filter(|(value, _)| *value >= 0.0)
        }
        Quantity::Ohms => {
            let bare = lower
                .trim_end_matches(['Ω', 'ω'])
                .trim_end_matches("ohm")
                .trim();
            let (value, _) = num::parse_value(bare, Role::Resistance).ok()?;
            (value.is_finite() && value >= 0.0).then_some((value, 0.005 * value))
        }
        Quantity::Gain => {
            let value = match lower.strip_suffix("db") {
                Some(db) => crate::math::fun::pow(10.0, num::parse(db.trim())? / 20.0),
                None => num::parse(lower.trim())?,
            };
            (value.is_finite() && value >= 0.0).then_some((value, 0.005 * value))
        }
    }
}

/// `v(a)`, `v(a,b)`, `r(a)`, `gain v(a)` or the bare name of a node.
fn point(text: &str, circuit: &Circuit, line: usize) -> Result<Point, Wrong> {
    let whole = text;
    let lower = text.to_lowercase();
    let (quantity, text) = if lower.starts_with("gain ") {
        (Quantity::Gain, text[5..].trim())
    } else if lower.starts_with("ripple ") {
        if mains::find(circuit).is_none() {
            let why = format!("`{whole}`: nothing in this netlist is fed from the mains");
            let hint =
                "a ripple needs the transformer and rectifier in the netlist: leave its line out";
            return Err(wrong(line, COLUMNS[0], why, hint));
        }
        (Quantity::Ripple, text[7..].trim())
    } else if lower.starts_with("r(") {
        (Quantity::Ohms, text)
    } else {
        (Quantity::Volts, text)
    };
    let letter = if quantity == Quantity::Ohms {
        ['r', 'R']
    } else {
        ['v', 'V']
    };
    let inside = text
        .strip_prefix(letter)
        .map(str::trim_start)
        .and_then(|t| t.strip_prefix('('))
        .and_then(|t| t.strip_suffix(')'));
    let names = inside.unwrap_or(text);
    let mut nodes = Vec::new();
    let split: Vec<&str> = names.split(',').map(str::trim).collect();
    if text.is_empty() || split.len() > 2 || (inside.is_none() && text.contains('(')) {
        let why = format!("`{text}` is not a point to measure");
        return Err(wrong(
            line,
            COLUMNS[0],
            why,
            "expected `v(plate1)` or `v(a,b)` between two points, a comma, and the volts; for a \
             current measure the volts across a resistor",
        ));
    }
    for name in split {
        let Some(node) = circuit.node(name) else {
            let why = format!("the netlist has no node `{name}`");
            let hint = match nearest(name, circuit.node_names()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => "`gridleak bias` lists the nodes".to_string(),
            };
            return Err(wrong(line, COLUMNS[0], why, &hint));
        };
        nodes.push(node);
    }
    let (a, b) = (nodes[0], nodes.get(1).copied().unwrap_or(Node::GROUND));
    if a == b {
        let why = format!("`{whole}` has both leads of the meter at one point");
        let hint = "its reading is always zero and says nothing: leave the line out";
        return Err(wrong(line, COLUMNS[0], why, hint));
    }
    let label = label(circuit, a, b);
    Ok(Point {
        label: match quantity {
            Quantity::Volts => label,
            Quantity::Ohms => format!("r{}", &label[1..]),
            Quantity::Gain => format!("gain {label}"),
            Quantity::Ripple | Quantity::RippleRms => format!("ripple {label}"),
        },
        a,
        b,
        quantity,
        state: State::Working,
    })
}

/// How a point is written.
pub fn label(circuit: &Circuit, a: Node, b: Node) -> String {
    let name = |n: Node| circuit.nodes[n.0].name.as_str();
    match b {
        Node::GROUND => format!("v({})", name(a)),
        _ => format!("v({},{})", name(a), name(b)),
    }
}

/// Volts as written, and what the last digit is worth.
fn volts(text: &str) -> Option<(f64, f64)> {
    let text = text.trim();
    let lower = text.to_lowercase();
    let units = ["volts", "volt", "v"];
    let unit = units.iter().find(|u| lower.ends_with(**u));
    let bare = &text[..text.len() - unit.map_or(0, |u| u.len())];
    // `170 m`, as of `170 mV`.
    let bare = bare.replace(' ', "");
    let bare = bare.as_str();
    let (value, _) = num::parse_value(bare, Role::Voltage).ok()?;
    if !value.is_finite() {
        return None;
    }
    Some((value, num::last_digit(bare, value)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_digit_is_seen() {
        let close = |text: &str, value: f64, digit: f64| {
            let (v, d) = volts(text).expect("volts");
            assert!(
                (v - value).abs() < 1e-9 && (d - digit).abs() < 1e-9,
                "{text} {v} {d}"
            );
        };
        close("172", 172.0, 1.0);
        close("172.3", 172.3, 0.1);
        close("-0.05", -0.05, 0.01);
        close("12m", 0.012, 0.001);
        close("0.00 V", 0.0, 0.01);
        close("170 mV", 0.17, 0.001);
        close("1.4 volts", 1.4, 0.1);
        assert!(volts("off").is_none() && volts("nan").is_none() && volts("1e999").is_none());
    }
}
