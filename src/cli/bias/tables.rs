//! The tables of the chart, one function each.

use super::figures::{rating, shown, unit, verdict};
use super::findings::Findings;
use crate::circuit::{Circuit, Element};
use crate::device::role::DeviceRole;
use crate::measure::chart::{self, ChartRow, Verdict};
use crate::measure::quiescent::{AtRest, Quiescent};
use crate::report::table::{Side, Table};
use crate::system::assemble::Assembly;
use std::collections::HashMap;

/// What the tables are made from.
pub struct Tables<'a> {
    circuit: &'a Circuit,
    assembly: &'a Assembly<'a>,
    quiescent: &'a Quiescent,
    findings: &'a Findings,
    /// The rows but those of the probes, which stand last.
    pub charted: &'a [ChartRow],
    probes: &'a [ChartRow],
    /// What is rated, but not in the tables.
    beside: &'a [ChartRow],
    /// The first row of each subject and quantity: a probe may repeat a subject.
    found: HashMap<(&'a str, &'a str), &'a ChartRow>,
    /// All rows of each subject.
    of: HashMap<&'a str, Vec<&'a ChartRow>>,
}

/// The least ripple that a meter shows, V.
const METERED_V: f64 = 1e-4;

/// A table with what stands above it.
type Titled = (&'static str, Table);

impl<'a> Tables<'a> {
    /// For the rows of a chart, the last `probed` of which are the probes, and what is judged beside them.
    pub fn new(
        circuit: &'a Circuit,
        assembly: &'a Assembly<'a>,
        quiescent: &'a Quiescent,
        findings: &'a Findings,
        (rows, beside): (&'a [ChartRow], &'a [ChartRow]),
        probed: usize,
    ) -> Self {
        let mut found: HashMap<(&str, &str), &ChartRow> = HashMap::new();
        let mut of: HashMap<&str, Vec<&ChartRow>> = HashMap::new();
        for row in rows {
            of.entry(&row.subject).or_default().push(row);
            found
                .entry((row.subject.as_str(), row.quantity))
                .or_insert(row);
        }
        let (charted, probes) = rows.split_at(rows.len() - probed);
        Tables {
            circuit,
            assembly,
            quiescent,
            findings,
            charted,
            probes,
            beside,
            found,
            of,
        }
    }

    /// All of them.
    pub fn all(&self) -> Vec<Titled> {
        let mut all = vec![("Voltages", self.nodes())];
        all.extend(self.valves());
        all.extend([
            ("Diodes", self.diodes()),
            (
                "Resistors (needs: twice the dissipation, common practice)",
                self.resistors(),
            ),
            (
                "Capacitors (cold: before the valves draw)",
                self.capacitors(),
            ),
            ("Transformers and chokes", self.wound()),
            ("Transistors", self.transistors()),
            (
                "Sources (a source that delivers has a negative current)",
                self.sources(),
            ),
            ("Probes", self.probes()),
        ]);
        all
    }

    fn value(&self, subject: &str, quantity: &str) -> Option<&ChartRow> {
        self.found.get(&(subject, quantity)).copied()
    }

    fn nodes(&self) -> Table {
        let mut columns = vec![("node", Side::Left), ("to ground", Side::Right)];
        let ripples = matches!(self.quiescent.found, AtRest::Cycle(..));
        if ripples {
            columns.push(("ripple", Side::Right));
        }
        let mut nodes = Table::new(&columns);
        for row in self.charted.iter().filter(|r| r.quantity == "voltage") {
            let carries_ac = self.value(&row.subject, "ac voltage").is_some();
            let volts = self.volts(&row.subject, row.value);
            let mut cells = vec![row.subject.clone(), volts];
            if ripples {
                let ripple = self.value(&row.subject, "ripple").map_or(0.0, |r| r.value);
                let ripple = match ripple {
                    // A meter does not show less than this beside the voltage, but an ear may hear it.
                    r if (1e-6..METERED_V).contains(&r) => {
                        format!("< {}", shown(METERED_V, "V", 3))
                    }
                    r => shown(r, "V", 3),
                };
                // Where the voltage itself alternates, nothing ripples.
                cells.push(if carries_ac { String::new() } else { ripple });
            }
            nodes.row(cells);
        }
        nodes
    }

    /// Volts of a node (`v(n)`) as a meter shows them: rms, marked, where they alternate.
    fn volts(&self, subject: &str, mean: f64) -> String {
        match self.value(subject, "ac voltage") {
            // Behind a rectifier without a reservoir both are there to be measured.
            Some(ac) if mean.abs() >= chart::BESIDE_AC * ac.value => {
                format!("{} + {} AC", shown(mean, "V", 4), shown(ac.value, "V", 4))
            }
            Some(ac) => format!("{} AC", shown(ac.value, "V", 4)),
            None => shown(mean, "V", 4),
        }
    }

    /// The node of a valve's electrode, as the chart names it.
    fn subject(&self, valve: &Element, electrode: &str) -> Option<String> {
        let node = valve.terminal(electrode)?;
        Some(format!("v({})", self.circuit.nodes[node.0].name))
    }

    /// What there is to say of a valve or transistor as a whole: ratings that are passed, and findings.
    fn verdict(&self, part: &str) -> String {
        let rows = self.of.get(part).map_or(&[][..], |r| r);
        let over: Vec<&str> = rows
            .iter()
            .filter(|r| r.verdict() == Some(Verdict::Over))
            .map(|r| r.quantity)
            .collect();
        match (self.findings.of(part), over.is_empty()) {
            (Some(said), true) => said,
            (Some(said), false) => format!("OVER: {}; {said}", over.join(", ")),
            (None, false) => format!("OVER: {}", over.join(", ")),
            (None, true) if rows.iter().any(|r| r.limit.is_some()) => "ok".to_string(),
            (None, true) => "no ratings known".to_string(),
        }
    }

    /// Volts and currents of valves, and rectifiers.
    fn valves(&self) -> [Titled; 3] {
        let valves: Vec<&Element> = self
            .circuit
            .elements
            .iter()
            .filter(|e| chart::is_valve(e))
            .collect();
        let mut grounds = Table::new(&[
            ("valve", Side::Left),
            ("type", Side::Left),
            ("plate", Side::Right),
            ("screen", Side::Right),
            ("grid", Side::Right),
            ("cathode", Side::Right),
            ("vpk", Side::Right),
            ("vg2k", Side::Right),
            ("vgk", Side::Right),
        ]);
        let mut currents = Table::new(&[
            ("valve", Side::Left),
            ("plate", Side::Right),
            ("screen", Side::Right),
            ("grid", Side::Right),
            ("plate watts", Side::Right),
            ("rated", Side::Right),
            ("used", Side::Right),
            ("screen watts", Side::Right),
            ("rated", Side::Right),
            ("verdict", Side::Left),
        ]);
        let mut rectifiers = Table::new(&[
            ("rectifier", Side::Left),
            ("type", Side::Left),
            ("plate 1", Side::Right),
            ("plate 2", Side::Right),
            ("cathode", Side::Right),
            ("current", Side::Right),
            ("peak", Side::Right),
            ("inverse", Side::Right),
            ("verdict", Side::Left),
        ]);
        for valve in valves {
            let volts = chart::electrodes(self.assembly, &self.quiescent.x, valve);
            let at = |name: &str| {
                volts
                    .iter()
                    .find(|v| v.0 == name)
                    .map_or(String::new(), |v| shown(v.1, "V", 4))
            };
            let of = |quantity: &str, digits: usize| {
                self.value(&valve.name, quantity)
                    .map_or(String::new(), |r| shown(r.value, unit(r.unit), digits))
            };
            let rated = |quantity: &str| {
                self.value(&valve.name, quantity)
                    .and_then(|r| r.limit)
                    .map_or(String::new(), |l| shown(l, "W", 3))
            };
            let model = valve.model.clone().unwrap_or_default();
            let verdict = self.verdict(&valve.name);
            if self.value(&valve.name, "plate current").is_none() {
                let fed = |electrode: &str| {
                    let mean = volts.iter().find(|v| v.0 == electrode).map(|v| v.1);
                    let subject = self.subject(valve, electrode).unwrap_or_default();
                    mean.map_or(String::new(), |mean| self.volts(&subject, mean))
                };
                rectifiers.row([
                    valve.name.clone(),
                    model,
                    fed("plate1"),
                    fed("plate2"),
                    fed("cathode"),
                    of("direct current", 3),
                    of("peak plate current", 3),
                    of("inverse voltage", 3),
                    verdict,
                ]);
                continue;
            }
            grounds.row([
                valve.name.clone(),
                model,
                at("plate"),
                at("screen"),
                at("grid"),
                at("cathode"),
                of("vpk", 4),
                of("vg2k", 4),
                of("vgk", 4),
            ]);
            let used = self
                .value(&valve.name, "plate dissipation")
                .and_then(|r| r.limit.map(|l| format!("{:.0} %", 100.0 * r.value / l)))
                .unwrap_or_default();
            currents.row([
                valve.name.clone(),
                of("plate current", 3),
                of("screen current", 3),
                of("grid current", 3),
                of("plate dissipation", 3),
                rated("plate dissipation"),
                used,
                of("screen dissipation", 3),
                rated("screen dissipation"),
                verdict,
            ]);
        }
        [
            ("Valves: volts to ground, and to the cathode", grounds),
            ("Valves: currents and dissipation", currents),
            ("Rectifiers", rectifiers),
        ]
    }

    fn diodes(&self) -> Table {
        let mut diodes = Table::new(&[
            ("diode", Side::Left),
            ("type", Side::Left),
            ("current", Side::Right),
            ("peak", Side::Right),
            ("inverse", Side::Right),
            ("rated", Side::Right),
            ("verdict", Side::Left),
        ]);
        for element in self.circuit.elements.iter().filter(|e| e.letter == 'D') {
            let of = |quantity: &str| {
                self.value(&element.name, quantity)
                    .map_or(String::new(), |r| shown(r.value, r.unit, 3))
            };
            let Some(inverse) = self.value(&element.name, "inverse voltage") else {
                continue;
            };
            diodes.row([
                element.name.clone(),
                element.model.clone().unwrap_or_default(),
                of("direct current"),
                of("peak current"),
                of("inverse voltage"),
                inverse
                    .limit
                    .map_or(String::new(), |most| shown(most, "V", 3)),
                match self.findings.of(&element.name) {
                    Some(said) => said,
                    None => verdict(inverse),
                },
            ]);
        }
        diodes
    }

    fn resistors(&self) -> Table {
        let mut resistors = Table::new(&[
            ("resistor", Side::Left),
            ("value", Side::Right),
            ("dissipation", Side::Right),
            ("needs", Side::Right),
            ("rated", Side::Right),
            ("verdict", Side::Left),
        ]);
        for element in self
            .circuit
            .elements
            .iter()
            .filter(|e| chart::is_resistor(e))
        {
            if let Some(row) = self.value(&element.name, "dissipation") {
                let ohms = element.value.map_or(String::new(), |v| shown(v, "Ω", 3));
                let needed = self.value(&element.name, "wattage needed");
                resistors.row([
                    element.name.clone(),
                    ohms,
                    shown(row.value, "W", 3),
                    needed.map_or(String::new(), |r| shown(r.value, "W", 3)),
                    rating(element, "W"),
                    self.of_all(needed.unwrap_or(row)),
                ]);
            }
        }
        resistors
    }

    fn capacitors(&self) -> Table {
        let mut capacitors = Table::new(&[
            ("capacitor", Side::Left),
            ("value", Side::Right),
            ("cold", Side::Right),
            ("hot", Side::Right),
            ("rated", Side::Right),
            ("verdict", Side::Left),
        ]);
        for element in self.circuit.elements.iter().filter(|e| e.letter == 'C') {
            let Some(hot) = self.value(&element.name, "voltage hot") else {
                continue;
            };
            let cold = self.value(&element.name, "voltage cold");
            let farads = element.value.map_or(String::new(), |v| shown(v, "F", 3));
            let worst = [Some(hot), cold].into_iter().flatten();
            let worst = worst.fold(hot, |a, b| if b.value > a.value { b } else { a });
            capacitors.row([
                element.name.clone(),
                farads,
                cold.map_or(String::new(), |r| shown(r.value, "V", 4)),
                shown(hot.value, "V", 4),
                rating(element, "V"),
                self.findings
                    .of(&element.name)
                    .unwrap_or_else(|| self.of_all(worst)),
            ]);
        }
        capacitors
    }

    /// The word of a part by the row that its line of a table shows, if none of what is judged beside it
    /// is over: a resistor within its watts is not `ok` at more volts than its body withstands.
    fn of_all(&self, row: &ChartRow) -> String {
        let own = self.beside.iter().filter(|r| r.subject == row.subject);
        let over = own.filter(|r| r.verdict() == Some(Verdict::Over));
        let over: Vec<&str> = over.map(|r| r.quantity).collect();
        if over.is_empty() || row.verdict() == Some(Verdict::Over) {
            return verdict(row);
        }
        format!("OVER: {}", over.join(", "))
    }

    fn wound(&self) -> Table {
        let mut wound = Table::new(&[
            ("transformer or choke", Side::Left),
            ("type", Side::Left),
            ("current", Side::Left),
            ("", Side::Right),
            ("rated", Side::Right),
            ("verdict", Side::Left),
        ]);
        let is_wound =
            |e: &&Element| !chart::is_transistor(e) && (e.kind.is_some() || e.letter == 'L');
        for element in self.circuit.elements.iter().filter(is_wound) {
            let model = element.model.clone().unwrap_or_default();
            let mut said = self.findings.of(&element.name);
            let winds = |r: &&ChartRow| {
                let direct = r.quantity == "direct current" || r.quantity == "standing current";
                direct || chart::is_rms(r) || r.quantity.ends_with("direct current")
            };
            let rectifier = element.role().is_some_and(DeviceRole::rectifies);
            let own = self.charted.iter().filter(|r| r.subject == element.name);
            for row in own.filter(winds).filter(|_| !rectifier) {
                let ac = if chart::is_rms(row) { " AC" } else { "" };
                wound.row([
                    element.name.clone(),
                    model.clone(),
                    row.quantity.to_string(),
                    format!("{}{ac}", shown(row.value, "A", 3)),
                    row.limit.map_or(String::new(), |l| shown(l, "A", 3)),
                    said.take().unwrap_or_else(|| verdict(row)),
                ]);
            }
        }
        wound
    }

    fn transistors(&self) -> Table {
        let mut transistors = Table::new(&[
            ("transistor", Side::Left),
            ("type", Side::Left),
            ("current", Side::Right),
            ("across", Side::Right),
            ("control", Side::Right),
            ("dissipation", Side::Right),
            ("rated", Side::Right),
            ("verdict", Side::Left),
        ]);
        let all = self.circuit.elements.iter();
        for element in all.filter(|e| chart::is_transistor(e)) {
            let of = |names: [&str; 2]| {
                let row = names.iter().find_map(|n| self.value(&element.name, n));
                row.map_or(String::new(), |r| shown(r.value, r.unit, 3))
            };
            transistors.row([
                element.name.clone(),
                element.model.clone().unwrap_or_default(),
                of(["drain current", "collector current"]),
                of(["vds", "vce"]),
                of(["vgs", "vbe"]),
                of(["dissipation", "dissipation"]),
                chart::transistor_watts(element).map_or(String::new(), |w| shown(w, "W", 3)),
                self.verdict(&element.name),
            ]);
        }
        transistors
    }

    fn sources(&self) -> Table {
        let mut sources = Table::new(&[("source", Side::Left), ("current", Side::Right)]);
        for element in self.circuit.elements.iter().filter(|e| chart::is_source(e)) {
            if let Some(rms) = self.value(&element.name, "rms current") {
                sources.row([
                    element.name.clone(),
                    format!("{} AC", shown(rms.value, "A", 3)),
                ]);
            } else if let Some(row) = self.value(&element.name, "current") {
                sources.row([element.name.clone(), shown(row.value, "A", 3)]);
            }
        }
        sources
    }

    fn probes(&self) -> Table {
        let mut probes = Table::new(&[("probe", Side::Left), ("value", Side::Right)]);
        for row in self.probes {
            probes.row([row.subject.clone(), shown(row.value, row.unit, 4)]);
        }
        probes
    }
}
