//! The verdicts as JUnit XML, as CI services read it: a suite a case, a test an expectation.
//!
//! Nothing in it depends on the time or the machine.

use super::checked::Checked;
use crate::sheet::verdict::{Mark, Verdict};
use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesText, Event};
use std::io;

/// The file.
pub fn text(checked: &[Checked<'_>]) -> String {
    let mut writer = Writer::new_with_indent(Vec::new(), b' ', 2);
    write(&mut writer, checked).expect("writing to memory");
    let mut bytes = writer.into_inner();
    bytes.push(b'\n');
    String::from_utf8(bytes).expect("text in, text out")
}

type Sink = Writer<Vec<u8>>;

fn write(writer: &mut Sink, checked: &[Checked<'_>]) -> io::Result<()> {
    writer.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    let suites = writer
        .create_element("testsuites")
        .with_attribute(("name", "gridleak check"));
    suites.write_inner_content(|writer| {
        for checked in checked {
            match checked {
                Checked::Bad(path, message) => bad(writer, path, message)?,
                Checked::Case {
                    ready, case, done, ..
                } => suite(writer, &ready.case_name(case), &done.verdicts)?,
            }
        }
        Ok(())
    })?;
    Ok(())
}

/// A sheet that cannot be run: one test that is in error.
fn bad(writer: &mut Sink, path: &str, message: &str) -> io::Result<()> {
    let path = clean(path);
    let suite = writer.create_element("testsuite").with_attributes([
        ("name", path.as_str()),
        ("tests", "1"),
        ("failures", "0"),
        ("errors", "1"),
    ]);
    suite.write_inner_content(|writer| {
        let test = writer
            .create_element("testcase")
            .with_attributes([("classname", path.as_str()), ("name", "the sheet is read")]);
        test.write_inner_content(|writer| {
            let first = clean(message.lines().next().unwrap_or(""));
            writer
                .create_element("error")
                .with_attribute(("message", first.as_str()))
                .write_text_content(BytesText::new(&clean(message)))?;
            Ok(())
        })?;
        Ok(())
    })?;
    Ok(())
}

fn suite(writer: &mut Sink, name: &str, verdicts: &[Verdict]) -> io::Result<()> {
    let name = clean(name);
    let count = |marks: &[Mark]| {
        let such = verdicts.iter().filter(|v| marks.contains(&v.mark));
        such.count().to_string()
    };
    let suite = writer.create_element("testsuite").with_attributes([
        ("name", name.as_str()),
        ("tests", verdicts.len().to_string().as_str()),
        ("failures", count(&[Mark::Off, Mark::Missing]).as_str()),
        ("errors", count(&[Mark::Bad, Mark::NoSolution]).as_str()),
    ]);
    suite.write_inner_content(|writer| {
        for v in verdicts {
            let figure = clean(&v.figure);
            let test = writer
                .create_element("testcase")
                .with_attributes([("classname", name.as_str()), ("name", figure.as_str())]);
            if v.mark == Mark::Ok {
                test.write_empty()?;
                continue;
            }
            let kind = match v.mark {
                Mark::Off | Mark::Missing => "failure",
                _ => "error",
            };
            let message = match v.mark {
                Mark::Off => format!(
                    "expected {}, found {}: {}",
                    v.shown_expected, v.shown_found, v.by
                ),
                Mark::Missing => v
                    .message
                    .clone()
                    .unwrap_or_else(|| "no value is stored yet".into()),
                mark => format!("{}: {}", mark.word(), v.message.as_deref().unwrap_or("")),
            };
            let details = format!(
                "expected {}\nfound {}\ntolerance {}",
                v.expected, v.found, v.tolerance
            );
            test.write_inner_content(|writer| {
                writer
                    .create_element(kind)
                    .with_attribute(("message", clean(&message).as_str()))
                    .write_text_content(BytesText::new(&clean(&details)))?;
                Ok(())
            })?;
        }
        Ok(())
    })?;
    Ok(())
}

/// Text without the control characters that XML 1.0 cannot carry.
fn clean(text: &str) -> String {
    let plain = |c: char| c == '\n' || c == '\t' || !c.is_control();
    text.chars()
        .map(|c| if plain(c) { c } else { '\u{fffd}' })
        .filter(|c| !matches!(c, '\u{fffe}' | '\u{ffff}'))
        .collect()
}
