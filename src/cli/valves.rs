//! `valves`: the types that are built in: a list, one type's page, its curves and its base.

mod curves;
mod page;
mod picture;

use super::command::Command;
use super::common;
use super::failure::Failure;
use super::guards::{self, Guards};
use super::outcome::Outcome;
use super::tell::print;
use crate::circuit::designation;
use crate::circuit::library::{self, Shipped};
use crate::diag::nearest;
use crate::num::engineering;
use crate::report::table::{Side, Table};
use clap::{Arg, ArgMatches};
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "valves",
    about: "List the built-in valves; with a type, show its page, curves and base",
    options,
    run,
};

fn options(_: clap::Command) -> clap::Command {
    let command = clap::Command::new(COMMAND.name)
        .about(COMMAND.about)
        .after_help(super::command::SAFETY)
        .arg(
            Arg::new("type")
                .value_name("TYPE")
                .help("A type of the list, such as 12AX7"),
        )
        .arg(
            Arg::new("plot")
                .long("plot")
                .value_name("FILE.svg")
                .requires("type")
                .help("Draw its curves and its base as seen from below"),
        );
    guards::options(command)
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let guards = Guards::new(matches)?;
    let shipped = library::shipped();
    let Some(name) = matches.get_one::<String>("type") else {
        return print(&list(&shipped));
    };
    let found = shipped
        .iter()
        .find(|valve| valve.name.eq_ignore_ascii_case(name));
    let blocks = library::blocks();
    let block = blocks.iter().find(|b| b.name.eq_ignore_ascii_case(name));
    if let Some(block) = block {
        return match matches.get_one::<String>("plot") {
            None => print(&page::of_block(block)),
            Some(_) => Err(Failure::usage(format!(
                "`{}` is a subcircuit: it has no curves to draw",
                block.name
            ))
            .hint("leave --plot out, or draw its response in a netlist: gridleak response")),
        };
    }
    let Some(valve) = found else {
        let names = || shipped.iter().map(|v| v.name.as_str());
        let near = designation::meant(name, names())
            .or_else(|| nearest(name, names().chain(blocks.iter().map(|b| b.name.as_str()))));
        let near = near.map_or(String::new(), |n| format!("; did you mean {n}?"));
        return Err(Failure::usage(format!(
            "there is no built-in type `{name}`{near} (`gridleak valves` lists them)"
        ))
        .into());
    };
    let mut outputs = guards.outputs();
    let plot = matches.get_one::<String>("plot").map(Path::new);
    if let Some(plot) = common::PendingText::stage(&mut outputs, plot)? {
        plot.fill(&picture::drawn(valve))?;
    }
    let outcome = print(&page::text(valve))?;
    common::commit(outputs)?;
    Ok(outcome)
}

/// The whole library, a line each.
fn list(shipped: &[Shipped]) -> String {
    let mut table = Table::new(&[
        ("type", Side::Left),
        ("also", Side::Left),
        ("kind", Side::Left),
        ("base", Side::Left),
        ("heater", Side::Left),
        ("plate, max.", Side::Left),
        ("fit to its sheet", Side::Left),
    ]);
    let firsts = shipped.iter().filter(|v| v.alias_of.is_none());
    for valve in firsts {
        let also: Vec<&str> = shipped
            .iter()
            .filter(|v| v.alias_of.as_deref() == Some(&valve.name))
            .map(|v| v.name.as_str())
            .collect();
        table.row([
            valve.name.clone(),
            also.join(" "),
            kind(valve).to_string(),
            valve.base().map_or("-".into(), |b| b.name.to_string()),
            heater(valve),
            ratings(valve),
            page::verdict(valve),
        ]);
    }
    for block in library::blocks() {
        let dash = || "-".to_string();
        let kind = "subcircuit".to_string();
        table.row([block.name, dash(), kind, dash(), dash(), dash(), dash()]);
    }
    format!(
        "Built-in types (a line `XV1A plate grid cathode 12AX7` uses one; `gridleak valves 12AX7` \
         shows its page)\n\n{}\nFits: errors against the printed figures, rms; all of them are in \
         netlists/valves/RESIDUALS.md.\n",
        table.text()
    )
}

/// The kind as a builder calls it; a valve's as its `.model` line does.
fn kind(valve: &Shipped) -> &'static str {
    match valve.kind.name {
        "d" => "diode",
        "njf" => "n-channel JFET",
        "pjf" => "p-channel JFET",
        "nmos" => "n-channel MOSFET",
        "pmos" => "p-channel MOSFET",
        name => name,
    }
}

/// Volts and amperes of the heater.
fn heater(valve: &Shipped) -> String {
    match (valve.value("vh"), valve.value("ih")) {
        (Some(v), Some(i)) => format!("{} {}", engineering(v, "V", 3), engineering(i, "A", 3)),
        _ => "-".into(),
    }
}

/// The plate's limits, or what takes their place.
fn ratings(valve: &Shipped) -> String {
    let shown = [
        ("vamax", "V"),
        ("pamax", "W"),
        ("pivmax", "V inverse"),
        ("idcmax", "A"),
    ];
    let parts: Vec<String> = shown
        .iter()
        .filter_map(|&(name, unit)| valve.value(name).map(|v| engineering(v, unit, 3)))
        .collect();
    if parts.is_empty() {
        "-".into()
    } else {
        parts.join(", ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_type_is_in_the_list_and_has_a_page_and_a_picture() {
        let shipped = library::shipped();
        let list = list(&shipped);
        for valve in &shipped {
            assert!(list.contains(&valve.name), "{}", valve.name);
            let page = page::text(valve);
            assert!(page.contains("parameter"), "{page}");
            let drawn = picture::drawn(valve);
            assert!(drawn.ends_with("</svg>\n"), "{}", valve.name);
            assert!(
                !drawn.contains("NaN") && !drawn.contains("inf"),
                "{}",
                valve.name
            );
        }
    }

    /// A fixed bug: the operational amplifier had no line, the diode in it had one, and the page of
    /// each semiconductor spoke of all of them.
    #[test]
    fn the_amplifier_has_a_page_and_a_semiconductor_its_own() {
        let shipped = library::shipped();
        let list = list(&shipped);
        assert!(
            list.contains("OPAMP  ") && !list.contains("OPAMP_CLAMP"),
            "{list}"
        );
        assert!(list.contains("voltage within 3 mV of the curve"), "{list}");
        let blocks = library::blocks();
        let page = page::of_block(&blocks[0]);
        assert!(page.contains("X1 plus minus vcc vee out OPAMP"), "{page}");
        assert!(
            page.contains("stops 2 V short") && !page.contains("LND150"),
            "{page}"
        );
        let valve = shipped.iter().find(|v| v.name == "J201").expect("there");
        let page = page::text(valve);
        assert!(
            page.contains("IDSS 0.2 to 1 mA") && page.contains("Real parts"),
            "{page}"
        );
        assert!(
            !page.contains("RED_LED") && page.contains("0.004 1/V"),
            "{page}"
        );
    }

    #[test]
    fn the_page_of_the_12ax7_has_its_pins_and_its_sources() {
        let shipped = library::shipped();
        let valve = shipped.iter().find(|v| v.name == "ECC83").expect("there");
        let page = page::text(valve);
        for words in [
            "noval",
            "6  plate (section 1)",
            "9  middle of the heater",
            "RCA",
            "mu",
        ] {
            assert!(page.contains(words), "{words}: {page}");
        }
    }
}
