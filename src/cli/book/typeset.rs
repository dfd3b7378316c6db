//! A chart of the terminal as HTML: its tables become tables, its lines paragraphs. No figure is
//! printed anew, so that they are those of the command to the last byte.

use crate::cli::command::SAFETY;
use crate::report::kept::Kept;
use crate::report::page::escaped;
use crate::report::table::{Side, Table};

/// The chart of a command. The circuit's title and the caution, which the book has on its first
/// page, are left out.
pub fn chart(kept: &Kept, title: &str) -> String {
    let text = kept.chart.replace(SAFETY, "");
    let text = text
        .strip_prefix(title.trim())
        .map_or(text.as_str(), |rest| rest.trim_start_matches('\n'));
    // Where each table stands.
    let mut places: Vec<(usize, usize, &Table)> = Vec::new();
    for table in &kept.tables {
        let lines = table.lines();
        let taken = |at: usize| places.iter().any(|p| p.0 <= at && at < p.1);
        let all = text.match_indices(lines.as_str()).map(|m| m.0);
        if let Some(at) = all.into_iter().find(|&at| !taken(at)) {
            places.push((at, at + lines.len(), table));
        }
    }
    places.sort_by_key(|p| p.0);
    let (mut html, mut from) = (String::new(), 0);
    for (start, end, table) in places {
        if start < from {
            continue;
        }
        let before = &text[from..start];
        // The line above a table is its caption.
        let (before, caption) = match before.trim_end_matches('\n').rsplit_once('\n') {
            Some((_, last)) if is_caption(last) && before.ends_with(&format!("{last}\n")) => {
                let without = before.len() - last.len() - 1;
                (&before[..without], last)
            }
            _ => (before, ""),
        };
        html += &lines(before);
        html += &self::table(table, caption);
        from = end;
    }
    html + &lines(&text[from..])
}

fn is_caption(line: &str) -> bool {
    !line.is_empty() && !line.starts_with(' ')
}

/// A table with a head that is repeated on each page. On a narrow screen it is moved sideways.
pub fn table(table: &Table, caption: &str) -> String {
    let rows = table.whole_rows();
    let Some((head, body)) = rows.split_first() else {
        return String::new();
    };
    let sides = table.sides();
    let side = |k: usize| match sides[k] {
        Side::Left => "",
        Side::Right => " class=\"right\"",
    };
    let mut html = match head.len() {
        0..4 => String::from("<div class=\"scrolls\"><table class=\"narrow\">\n"),
        _ => String::from("<div class=\"scrolls\"><table>\n"),
    };
    if !caption.is_empty() {
        html += &format!("<caption>{}</caption>\n", escaped(caption));
    }
    html += "<thead><tr>";
    for (k, cell) in head.iter().enumerate() {
        html += &format!("<th scope=\"col\"{}>{}</th>", side(k), escaped(cell));
    }
    html += "</tr></thead>\n<tbody>\n";
    for row in body {
        let is_over = row
            .iter()
            .any(|c| c.split_whitespace().any(|w| w.starts_with("OVER")));
        html += if is_over {
            "<tr class=\"over\">"
        } else {
            "<tr>"
        };
        for (k, cell) in row.iter().enumerate() {
            let lines: Vec<String> = cell.lines().map(escaped).collect();
            html += &format!("<td{}>{}</td>", side(k), lines.join("<br>"));
        }
        html += "</tr>\n";
    }
    html + "</tbody>\n</table></div>\n"
}

/// Lines as paragraphs; blank lines part them, and each line stays one.
pub fn lines(text: &str) -> String {
    let mut html = String::new();
    let blocks = text.split("\n\n").map(|b| b.trim_matches('\n'));
    for block in blocks.filter(|b| !b.trim().is_empty()) {
        let is_note = block.lines().all(|l| l.starts_with(' '));
        html += if is_note { "<p class=\"note\">" } else { "<p>" };
        let each = block.lines().map(|line| {
            let line = line.trim();
            let warns = ["DANGER", "OVER", "CHECK", "warning"];
            if warns.iter().any(|w| line.starts_with(w)) {
                format!("<strong>{}</strong>", escaped(line))
            } else {
                escaped(line)
            }
        });
        html += &each.collect::<Vec<_>>().join("<br>\n");
        html += "</p>\n";
    }
    html
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_chart_keeps_its_tables_captions_and_lines() {
        let mut t = Table::new(&[("node", Side::Left), ("volts", Side::Right)]);
        t.row(["a<b>", "172.3 V"]);
        let chart_text = format!(
            "Amp\nat rest\n\nVoltages\n{}  a note\n\n{SAFETY}\n",
            t.lines()
        );
        let kept = Kept {
            chart: chart_text,
            tables: vec![t],
            ..Kept::default()
        };
        let html = chart(&kept, "Amp ");
        assert_eq!(
            html,
            "<p>at rest</p>\n<div class=\"scrolls\"><table class=\"narrow\">\n<caption>Voltages</caption>\n<thead><tr><th scope=\"col\">node\
             </th><th scope=\"col\" class=\"right\">volts</th></tr></thead>\n<tbody>\n<tr><td>\
             a&lt;b&gt;</td><td class=\"right\">172.3 V</td></tr>\n</tbody>\n</table></div>\n\
             <p class=\"note\">a note</p>\n"
        );
    }

    /// A note of the parts list over three lines looked like three parts, and only the line that
    /// began with OVER was bold.
    #[test]
    fn a_row_broken_over_lines_is_one_row_and_bold_where_it_is_over() {
        let mut t = Table::new(&[("parts", Side::Left), ("note", Side::Left)]);
        t.row_within(["R1 R2", "0.5 W needed; OVER: rated 0.25 W"], &[0, 14]);
        t.row_within(["R3", "of metal film, to be quiet"], &[0, 14]);
        let html = table(&t, "");
        assert_eq!(html.matches("<tr").count(), 3, "{html}");
        assert!(
            html.contains(
                "<tr class=\"over\"><td>R1 R2</td><td>0.5 W needed;<br>OVER: rated<br>0.25 W</td>"
            ),
            "{html}"
        );
        assert!(html.contains("<tr><td>R3</td>"), "{html}");
    }
}
