//! `book`: every figure is the command's own, and whatever a netlist says is only text.

#[path = "common/browser.rs"]
mod browser;
mod common;

use browser::Browser;
use common::Gridleak;
use serde_json::Value;
use std::path::Path;
use std::process::Command;

const TOOL: &str = env!("CARGO_BIN_EXE_gridleak");

/// A stage with a knob, and a stage that stands for a power amplifier with feedback round both.
const AMPLIFIER: &str = "Two stages & <script>alert(1)</script>
VB bplus 0 250
VIN in 0 DC 0 AC 1 SIN(0 0.1 1k)
CIN in grid 22n
RG grid 0 1meg
RA bplus plate 100k ; rated=0.5W
RK cathode foot 1.5k
RF foot 0 470
XV1A plate grid cathode 12AX7
CO plate top 22n
XVOL top wiper 0 A1M knob=5
.model A1M pot(r=1meg taper=audio)
EOUT 0 out wiper 0 2
RL out 0 8
RNFB out foot 4.7k
.print tran v(out)
.end
";

const SHEET: &str = "netlist = \"amp.cir\"\n
[[expect]]\nfigure = \"v(bplus)\"\nvalue = \"250 V\"\ntolerance = \"1 %\"\n
[[expect]]\nfigure = \"v(plate)\"\nvalue = \"10 V\"\ntolerance = \"1 %\"\n";

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("amp.cir"), AMPLIFIER).expect("written");
    std::fs::write(folder.path().join("amp.sheet.toml"), SHEET).expect("written");
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 16_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut riff = hound::WavWriter::create(folder.path().join("riff.wav"), spec).expect("a WAV");
    for k in 0..9600 {
        let phase = f64::from(k) * 440.0 / 16_000.0 * std::f64::consts::TAU;
        let sample = (8000.0 * phase.sin()) as i16;
        riff.write_sample(sample).expect("written");
    }
    riff.finalize().expect("written");
    folder
}

/// Runs a command line in a folder, as typed at a shell.
fn shell(folder: &Path, line: &str) -> (i32, String, String) {
    let path = std::env::var("PATH").unwrap_or_default();
    let own = Path::new(TOOL).parent().expect("a folder").display();
    let output = Command::new("sh")
        .args(["-c", line])
        .current_dir(folder)
        .env("PATH", format!("{own}:{path}"))
        .output()
        .expect("a shell");
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (
        output.status.code().unwrap_or(-1),
        text(&output.stdout),
        text(&output.stderr),
    )
}

fn escaped(text: &str) -> String {
    let text = text.replace('&', "&amp;").replace('<', "&lt;");
    text.replace('>', "&gt;").replace('"', "&quot;")
}

const BOOK: &str =
    "gridleak book amp.cir --runs 20 --sheet amp.sheet.toml --sound --clip riff.wav --out";

#[test]
fn every_figure_is_the_commands_own() {
    let folder = folder();
    let at = |name: &str| folder.path().join(name);
    let read = |name: &str| std::fs::read_to_string(at(name)).expect(name);
    let (code, said, wrong) = shell(
        folder.path(),
        &format!("{BOOK} a.html --json a.json --csv form.csv"),
    );
    assert_eq!(code, 0, "{wrong}");
    let html = read("a.html");
    let book: Value = serde_json::from_str(&read("a.json")).expect("JSON");
    assert_eq!(book["probe"], "v(out)");
    let mut seen = Vec::new();
    for section in book["sections"].as_array().expect("sections") {
        let id = section["section"].as_str().expect("a name");
        for answer in section["answers"].as_array().expect("answers") {
            let line = answer["command"].as_str().expect("a line");
            assert_eq!(answer["failed"], Value::Null, "{line}");
            let (_, chart, wrong) = shell(folder.path(), &format!("{line} --json own.json"));
            let text = read("own.json");
            let own: Value = serde_json::from_str(&text).unwrap_or_else(|_| {
                let lines = text.lines().map(|l| serde_json::from_str(l).expect("JSON"));
                Value::Array(lines.collect())
            });
            assert!(answer["figures"] == own, "other figures: {line}\n{wrong}");
            seen.push(id);
            // What the terminal shows is on paper, to the last byte: each cell of each table.
            let from = html.find(&format!("id=\"{id}\"")).expect(id);
            let on_paper = &html[from..];
            let of = &on_paper[..on_paper.find("</section>").expect("an end")];
            let cells = chart.lines().flat_map(|l| l.split("  ")).map(str::trim);
            let wanted = !["voltages", "schematic", "knobs"].contains(&id);
            // The player's heads are its own.
            let heads = ["sound", "what it is"];
            let cells = cells.filter(|c| id != "sounds" || !heads.contains(c));
            for cell in cells.filter(|c| wanted && !c.is_empty() && c.len() < 30) {
                assert!(of.contains(&escaped(cell)), "`{cell}` of {line}");
            }
            if id == "sheet" {
                // With units, and no digits that say nothing.
                for cell in ["250.00 V", "10.000 V", "1 %", "off"] {
                    assert!(of.contains(&format!(">{cell}</td>")), "{cell}: {of}");
                }
            }
            if let Some(file) = line.split(' ').next_back().filter(|w| w.ends_with(".svg")) {
                let svg = read(file);
                let last = svg
                    .rfind("</text>")
                    .map(|end| &svg[end.saturating_sub(60)..end]);
                // Paper is white: the rules for dark screens before the drawing are left out.
                let whole = svg.split_once("</style>").map(|s| s.1).expect("a style");
                assert!(of.contains(whole) || id == "schematic" && of.contains(last.unwrap()));
            }
        }
    }
    for id in
        "schematic voltages verdicts parts response distortion feedback noise knobs sounds sheet"
            .split(' ')
    {
        assert!(seen.contains(&id), "{id} is not there: {said}");
    }
    // The sounds are the player's, and all in the page.
    let (_, _, wrong) = shell(
        folder.path(),
        "gridleak listen amp.cir --source VIN --probe 'v(out)' --clip riff.wav --vary XVOL=2,5,8 \
         --out own.html",
    );
    let own = read("own.html");
    let audio = |page: &str| -> Vec<String> {
        let found = page.split("src=\"").skip(1);
        let ends = found.map(|s| s[..s.find('"').expect("an end")].to_string());
        ends.collect()
    };
    assert_eq!(audio(&own).len(), 3, "{wrong}");
    assert!(audio(&own)[0].starts_with("data:audio/flac;base64,"));
    assert!(audio(&html) == audio(&own), "other sounds");
    assert!(html.contains("<section class=\"player\"") && html.contains("</script>\n</body>"));
    let outside = html.replace("http://www.w3.org/", "");
    for word in ["http:", "https:", "@import", "url("] {
        assert!(!outside.contains(word), "{word}");
    }
    // The form has the ranges that `spread` gives.
    let form = common::Table::read(&at("form.csv")).expect("a table");
    let [expected, least, greatest] =
        ["expected", "least", "greatest"].map(|c| form.column(c).expect("numbers"));
    let plate = form
        .rows
        .iter()
        .position(|r| r[0] == "v(plate)")
        .expect("a row");
    assert!(least[plate] < expected[plate] && expected[plate] < greatest[plate]);
    assert!(html.contains("V1 plate, pin 1 or 6"), "the socket is named");
    // Twice the same, whoever is done first.
    let (code, _, wrong) = shell(folder.path(), &format!("{BOOK} b.html"));
    assert_eq!(code, 0, "{wrong}");
    assert_eq!(read("b.html"), html);
}

#[test]
fn a_netlist_is_only_text_and_the_page_asks_for_nothing() {
    let folder = folder();
    let (code, page, wrong) = shell(
        folder.path(),
        "gridleak book amp.cir --runs 5 --knob VOL=3 --out -",
    );
    assert_eq!(code, 0, "{wrong}");
    assert!(!page.contains("<script"), "the title is text");
    assert!(page.contains("Sounds: none were asked for (--sound)"));
    assert!(page.contains("Two stages &amp; &lt;script&gt;alert(1)"));
    let outside = page.replace("http://www.w3.org/", "");
    for word in ["http:", "https:", "src=", "@import", "url("] {
        assert!(!outside.contains(word), "{word}");
    }
    assert!(page.contains("with <code>--knob VOL=3</code>"));
    let caution = page.find("Before you touch it").expect("cautions");
    assert!(caution < page.find("<svg").expect("a drawing"));
    assert_eq!(
        page.matches("<section").count(),
        page.matches("</section>").count()
    );
    assert_eq!(
        page.matches("<table").count(),
        page.matches("</table>").count()
    );
    assert_eq!(page.matches("<svg").count(), page.matches("</svg>").count());
}

/// What a circuit does not have is left out, with a word why; what cannot be done leaves nothing.
#[test]
fn what_is_not_there_is_left_out_and_mistakes_leave_nothing() {
    let folder = folder();
    let at = |name: &str| folder.path().join(name);
    let bare = "Divider\nV1 a 0 10\nR1 a b 1k\nR2 b 0 1k\n.end\n";
    std::fs::write(at("bare.cir"), bare).expect("written");
    let ran = Gridleak::command("book")
        .path(&at("bare.cir"))
        .option("--out", at("bare.html").display().to_string())
        .run();
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let page = std::fs::read_to_string(at("bare.html")).expect("a page");
    for word in [
        "Response: no source is marked",
        "What each knob does: no source",
    ] {
        assert!(page.contains(word), "{word}: {}", ran.stdout);
    }
    let broken = SHEET.replace("figure", "figur");
    std::fs::write(at("bad.sheet.toml"), broken).expect("written");
    let floating = "Nothing holds it\nV1 a 0 10\nC1 a b 1n\nC2 b 0 1n\n.end\n";
    std::fs::write(at("floating.cir"), floating).expect("written");
    for line in [
        "book amp.cir --out no/such/place.html",
        "book amp.cir --out x.html --source VX",
        "book amp.cir --out x.html --probe 'i(RL)'",
        "book amp.cir --out x.html --sheet bad.sheet.toml",
        "book amp.cir --out x.html --sheet none.toml",
        "book amp.cir --out x.html --runs 0",
        "book amp.cir --out x.html --clip riff.wav",
        "book amp.cir --out x.html --sound --clip none.wav",
        "book amp.cir --out riff.wav --sound --clip riff.wav",
        "book amp.cir --out amp.cir",
        "book floating.cir --out x.html",
    ] {
        let (code, _, wrong) = shell(folder.path(), &format!("gridleak {line} --json x.json"));
        assert_eq!(code, 2, "{line}: {wrong}");
        assert!(!wrong.is_empty(), "{line}");
        assert!(!at("x.html").exists() && !at("x.json").exists(), "{line}");
    }
    let kept = std::fs::read_to_string(at("amp.cir")).expect("the netlist");
    assert_eq!(kept, AMPLIFIER);
}

/// A point behind a rectifier without a reservoir carries both: a meter set to DC shows 103 V there,
/// and the chart had given the AC alone.
#[test]
fn a_point_that_carries_dc_and_ac_has_a_row_for_each() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| folder.path().join(name);
    let netlist = "Bare rectifier\nVMAINS line 0 SIN(0 325 50)\nRS line a 10\nD1 a out DSI\n\
                   R1 out 0 10k\nC1 out 0 1n\n.model DSI d(is=1n n=1.8)\n.end\n";
    std::fs::write(at("bare.cir"), netlist).expect("written");
    let line = "gridleak book bare.cir --runs 5 --out bare.html --csv form.csv";
    let (code, _, wrong) = shell(folder.path(), line);
    assert_eq!(code, 0, "{wrong}");
    let form = common::Table::read(&at("form.csv")).expect("a table");
    let column = |name: &str| form.column(name).expect("numbers");
    let (expected, least, greatest) = (column("expected"), column("least"), column("greatest"));
    let row = |figure: &str| form.rows.iter().position(|r| r[0] == figure);
    // A half wave of 325 V: its mean is a pi-th, its rms a half, and the AC what is left.
    let mean: f64 = 324.0 / std::f64::consts::PI;
    let ac = (162.0f64.powi(2) - mean.powi(2)).sqrt();
    for (figure, volts) in [("v(out)", mean), ("ac voltage of out", ac)] {
        let k = row(figure).expect(figure);
        assert!(
            (expected[k] - volts).abs() < 2.0,
            "{figure}: {}",
            expected[k]
        );
        assert!(least[k] < expected[k] && expected[k] < greatest[k]);
    }
    assert!(row("ac voltage of line").is_some() && row("v(line)").is_none());
    let page = std::fs::read_to_string(at("bare.html")).expect("a page");
    let cells = |first: &str| -> Vec<String> {
        let row = page
            .split(&format!("<tr><td>{first}</td>"))
            .nth(1)
            .expect(first);
        let row = row.split("</tr>").next().expect("a row");
        let cells = row.split("<td class=\"right\">").skip(1);
        cells
            .map(|c| c.split('<').next().expect("a cell").to_string())
            .collect()
    };
    for first in ["out DC", "out AC", "line AC"] {
        for cell in cells(first) {
            let digits = cell.chars().filter(char::is_ascii_digit).count();
            assert!(
                (1..=4).contains(&digits) && cell.ends_with(" V"),
                "{first}: {cell}"
            );
        }
    }
}

/// Stages one after the other, as wide as two sheets.
fn long_amplifier() -> String {
    let mut text = "Long\nVB bplus 0 250\nVIN in 0 DC 0 AC 1\n".to_string();
    for k in 0..24 {
        let before = if k == 0 {
            "in".to_string()
        } else {
            format!("s{}", k - 1)
        };
        text += &format!(
            "CC{k} {before} g{k} 22n\nRG{k} g{k} 0 1meg\nRA{k} bplus p{k} 100k\nRK{k} k{k} 0 1.5k\n\
             CK{k} k{k} 0 22u\nRS{k} p{k} s{k} 470k\nRT{k} s{k} 0 4.7k\nX{k} p{k} g{k} k{k} 12AX7\n"
        );
    }
    text + ".end\n"
}

/// `data-box` and text of the texts in a piece of the page.
fn texts(piece: &str) -> Vec<([f64; 4], String)> {
    let each = piece.split("<text ").skip(1).filter_map(|text| {
        let (head, rest) = text.split_once('>')?;
        let numbers = head.split_once("data-box=\"")?.1.split_once('"')?.0;
        let numbers: Vec<f64> = numbers.split(' ').filter_map(|n| n.parse().ok()).collect();
        Some((
            numbers.try_into().ok()?,
            rest.split('<').next()?.to_string(),
        ))
    });
    each.collect()
}

/// 152 V had been printed as `15` on one sheet and `2 V` on the next.
#[test]
fn no_sheet_of_the_schematic_cuts_a_text_and_each_is_on_one() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("long.cir"), long_amplifier()).expect("written");
    let line = "gridleak book long.cir --runs 1 --out long.html";
    let (code, _, wrong) = shell(folder.path(), line);
    assert_eq!(code, 0, "{wrong}");
    let page = std::fs::read_to_string(folder.path().join("long.html")).expect("a page");
    let drawn = page.split("id=\"voltages\"").next().expect("the schematic");
    let mut pieces = drawn.split("<h3>Schematic, sheet ");
    let overview = texts(pieces.next().expect("the overview"));
    let mut on_sheets: Vec<([f64; 4], String)> = Vec::new();
    let mut count = 0;
    for piece in pieces {
        let view = piece.split_once("viewBox=\"").expect("a sheet").1;
        let view = view.split('"').next().expect("its frame").split(' ');
        let view: Vec<f64> = view.map(|n| n.parse().expect("a number")).collect();
        let own = texts(piece);
        assert!(own.len() > 20, "nearly empty: {} texts", own.len());
        for (frame, text) in &own {
            let inside = frame[0] >= view[0] - 0.01
                && frame[1] >= view[1] - 0.01
                && frame[2] <= view[0] + view[2] + 0.01
                && frame[3] <= view[1] + view[3] + 0.01;
            assert!(inside, "`{text}` {frame:?} is cut by {view:?}");
        }
        on_sheets.extend(own);
        count += 1;
    }
    assert!(count >= 2, "{count} sheets");
    assert!(overview.iter().any(|(_, text)| text.ends_with(" V")));
    for text in &overview {
        assert!(on_sheets.contains(text), "{text:?} is on no sheet");
    }

    // On a phone nothing is squeezed: what is wide is moved sideways, and the page is not.
    let mut browser = Browser::start();
    browser.size(390, 900);
    browser.open(&folder.path().join("long.html"));
    let bad = browser.value(
        "(() => {
        const bad = [];
        if (document.documentElement.scrollWidth > innerWidth) bad.push('the page moves sideways');
        for (const e of document.querySelectorAll('table, .picture svg, .wide svg')) {
            if (e.getBoundingClientRect().width < 370) bad.push(['squeezed', e.outerHTML.slice(0, 80)]);
            const frame = e.closest('.scrolls, .drawing, .picture');
            if (!frame || getComputedStyle(frame).overflowX !== 'auto')
                bad.push(['cut', e.outerHTML.slice(0, 80)]);
        }
        return bad; })()",
    );
    assert_eq!(bad, serde_json::json!([]));
}
