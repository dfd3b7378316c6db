//! What `response` puts out as figures: CSV, JSON and the printed table.

use super::{Curves, Findings};
use crate::measure::gain::{self, decibels, degrees, size};
use crate::num;
use crate::report::csv::Csv;
use crate::report::table::{Side, Table};
use serde_json::{Value, json};

/// Frequencies that are few enough to be listed; a curve of more is for the plot.
const FEW: usize = 24;

impl Findings {
    /// Frequencies down, probes and impedances across; a varied setting is a column in front.
    pub fn csv(&self) -> String {
        let mut csv = Csv::empty();
        let mut write = |row: &[String]| csv.row(row);
        let varied = self.curves.first().map_or(&[][..], |c| &c.variant.settings);
        let mut head: Vec<String> = varied.iter().map(|s| s.target.clone()).collect();
        head.push("frequency_hz".to_string());
        for probe in &self.probes {
            head.extend([format!("{probe}.db"), format!("{probe}.deg")]);
        }
        let delays = self.curves.iter().any(|c| !c.response.delays.is_empty());
        if delays {
            head.extend(self.probes.iter().map(|p| format!("{p}.delay_s")));
        }
        for node in &self.impedances {
            head.extend([format!("z({node}).ohm"), format!("z({node}).deg")]);
        }
        write(&head);
        for curves in &self.curves {
            let settings = curves.variant.settings.iter();
            let settings: Vec<String> = settings.map(|s| s.value.text.clone()).collect();
            for (k, freq) in self.frequencies_hz.iter().enumerate() {
                let mut row = settings.clone();
                row.push(num::full(*freq));
                for gains in &curves.response.gains {
                    let gain = gains[k];
                    row.extend([num::full(decibels(size(gain))), num::full(degrees(gain))]);
                }
                row.extend(curves.response.delays.iter().map(|d| num::full(d[k])));
                for z in &curves.response.impedances {
                    row.extend([num::full(size(z[k])), num::full(degrees(z[k]))]);
                }
                write(&row);
            }
        }
        csv.text()
    }

    /// For the JSON file.
    pub fn record(&self) -> Value {
        let mut record = json!({
            "title": self.title,
            "source": self.source,
            "frequency_hz": self.frequencies_hz,
        });
        match &self.curves[..] {
            [only] if only.variant.settings.is_empty() => {
                record["probes"] = self.of_probes(only);
                record["impedances"] = self.of_impedances(only);
            }
            curves => {
                let each = curves.iter().map(|c| {
                    let settings: serde_json::Map<String, Value> = c
                        .variant
                        .settings
                        .iter()
                        .map(|s| (s.target.clone(), s.value.text.clone().into()))
                        .collect();
                    json!({
                        "settings": settings,
                        "probes": self.of_probes(c),
                        "impedances": self.of_impedances(c),
                    })
                });
                record["variants"] = each.collect();
            }
        }
        record
    }

    fn of_probes(&self, curves: &Curves) -> Value {
        let one = |(k, label): (usize, &String)| {
            let gains = &curves.response.gains[k];
            let band = curves.bands[k].as_ref();
            let middle = curves.middles[k].as_ref();
            let mut one = json!({
                "probe": label,
                "unit": self.units[k],
                "peak_hz": band.map(|b| b.peak_hz),
                "peak_db": band.map(|b| decibels(b.peak)),
                "low_hz": band.and_then(|b| b.low_hz),
                "high_hz": band.and_then(|b| b.high_hz),
                "middle_hz": middle.map(|m| m.freq_hz),
                "middle_db": middle.map(|m| decibels(m.gain)),
                "db": gains.iter().map(|&g| decibels(size(g))).collect::<Vec<_>>(),
                "deg": gains.iter().map(|&g| degrees(g)).collect::<Vec<_>>(),
            });
            if let Some(delays) = curves.response.delays.get(k) {
                one["delay_s"] = delays.clone().into();
            }
            one
        };
        self.probes.iter().enumerate().map(one).collect()
    }

    fn of_impedances(&self, curves: &Curves) -> Value {
        let one = |(node, z): (&String, &Vec<num_complex::Complex<f64>>)| {
            json!({
                "node": node,
                "ohm": z.iter().map(|&z| size(z)).collect::<Vec<_>>(),
                "deg": z.iter().map(|&z| degrees(z)).collect::<Vec<_>>(),
            })
        };
        let all = self.impedances.iter().zip(&curves.response.impedances);
        all.map(one).collect()
    }

    /// For the terminal.
    pub fn printed(&self) -> String {
        let frequencies = &self.frequencies_hz;
        let ends = (frequencies.first(), frequencies.last());
        let (low, high) = (ends.0.unwrap_or(&0.0), ends.1.unwrap_or(&0.0));
        let at = match frequencies[..] {
            [one] => hertz(one),
            _ => format!(
                "{} frequencies from {} to {}",
                frequencies.len(),
                hertz(*low),
                hertz(*high)
            ),
        };
        let mut text = format!(
            "{}\nsmall signals, {} from `{}`; {at}\n",
            self.title, self.amplitude, self.source
        );
        let varied = self.curves.iter().any(|c| !c.variant.settings.is_empty());
        if !self.probes.is_empty() && frequencies.len() <= FEW {
            text += &format!("\n{}", self.values().text());
        }
        if !self.probes.is_empty() {
            text += &format!("\n{}", self.bands(varied).text());
            text += "  -3 dB: below the peak, as in `feedback`; searched from 1 mHz to 1 GHz; middle: their \
                     geometric mean\n";
        }
        if !self.impedances.is_empty() {
            text += &format!("\n{}", self.seen(varied).text());
        }
        text
    }

    /// Gain and phase at every frequency.
    fn values(&self) -> Table {
        let head = self.curves.iter().flat_map(|curves| {
            let label = curves.variant.label();
            self.probes.iter().map(move |probe| {
                if label.is_empty() {
                    probe.clone()
                } else {
                    format!("{label} {probe}")
                }
            })
        });
        let head: Vec<String> = head.collect();
        let mut columns = vec![("frequency", Side::Right)];
        for name in &head {
            columns.extend([(name.as_str(), Side::Right), ("phase", Side::Right)]);
        }
        let mut table = Table::new(&columns);
        for (k, &freq_hz) in self.frequencies_hz.iter().enumerate() {
            let gains = self.curves.iter().flat_map(|c| &c.response.gains);
            let cells = gains.flat_map(|gains| {
                let (db, degrees) = (decibels(size(gains[k])), degrees(gains[k]));
                [format!("{db:.2} dB"), format!("{degrees:.1}°")]
            });
            table.row(std::iter::once(hertz(freq_hz)).chain(cells));
        }
        table
    }

    fn bands(&self, varied: bool) -> Table {
        let mut columns = vec![
            ("probe", Side::Left),
            ("peak", Side::Right),
            ("at", Side::Right),
            ("-3 dB from", Side::Right),
            ("to", Side::Right),
            ("gain in the middle", Side::Right),
            ("", Side::Right),
            ("phase", Side::Right),
        ];
        if varied {
            columns.insert(0, ("variant", Side::Left));
        }
        let mut table = Table::new(&columns);
        for curves in &self.curves {
            for (k, probe) in self.probes.iter().enumerate() {
                let mut row = vec![probe.clone()];
                if varied {
                    row.insert(0, curves.variant.label());
                }
                if let Some(band) = &curves.bands[k] {
                    let corner = |f: Option<f64>| f.map_or("none".to_string(), hertz);
                    row.extend([
                        level(band.peak),
                        hertz(band.peak_hz),
                        corner(band.low_hz),
                        corner(band.high_hz),
                    ]);
                } else {
                    row.push("nothing arrives".to_string());
                }
                if let Some(middle) = &curves.middles[k] {
                    row.extend([
                        level(middle.gain),
                        times(middle.gain, &self.units[k]),
                        // Without the sign of a zero.
                        format!("{:.0}°", middle.degrees.round() + 0.0),
                    ]);
                }
                table.row(row);
            }
        }
        table
    }

    fn seen(&self, varied: bool) -> Table {
        let at = format!("at {}", hertz(self.spot_hz));
        let mut columns = vec![
            ("impedance", Side::Left),
            (at.as_str(), Side::Right),
            ("least", Side::Right),
            ("most", Side::Right),
        ];
        if varied {
            columns.insert(0, ("variant", Side::Left));
        }
        let mut table = Table::new(&columns);
        for curves in &self.curves {
            for (k, node) in self.impedances.iter().enumerate() {
                let z = &curves.response.impedances[k];
                let least = z
                    .iter()
                    .map(|&z| gain::size(z))
                    .fold(f64::INFINITY, f64::min);
                let most = z.iter().map(|&z| gain::size(z)).fold(0.0, f64::max);
                let ohms = |z: f64| num::engineering(z, "Ω", 4);
                let mut row = vec![node.clone(), ohms(curves.spots[k]), ohms(least), ohms(most)];
                if varied {
                    row.insert(0, curves.variant.label());
                }
                table.row(row);
            }
        }
        table
    }
}

/// A frequency as tables show it.
pub fn hertz(f: f64) -> String {
    num::engineering(f, "Hz", 3)
}

/// Decibels with two decimals.
pub fn level(gain: f64) -> String {
    format!("{:.2} dB", decibels(gain) + 0.0)
}

/// A plain ratio, or amperes per volt and the like.
fn times(gain: f64, unit: &str) -> String {
    match unit {
        "V/V" | "A/A" if (1e-3..1e6).contains(&gain) => {
            format!("x {}", num::engineering(gain, "", 3))
        }
        "V/V" | "A/A" => format!("x {gain:.2e}"),
        "V/A" => num::engineering(gain, "Ω", 3),
        _ => num::engineering(gain, "S", 3),
    }
}
