//! `guide`: the manual that comes with the tool. A topic is a file of Markdown in `cli/guide`;
//! whoever adds one has nothing else to write.

mod tables;

use super::command::{Command, SAFETY};
use super::common;
use super::failure::Failure;
use super::outcome::Outcome;
use super::tell::print;
use crate::diag::nearest;
use crate::report::file::Outputs;
use clap::{Arg, ArgMatches};
use pulldown_cmark::{Options, Parser, html};
use std::io::{IsTerminal, Write};
use std::path::Path;
use std::process::{Command as Process, Stdio};

/// The command's row.
pub const COMMAND: Command = Command {
    name: "guide",
    about: "The manual: list its topics, or show one",
    options,
    run,
};

include!(concat!(env!("OUT_DIR"), "/guide.rs"));

/// The order of the topics; those that are not in it come last.
const ORDER: &[&str] = &[
    "safety",
    "stage",
    "netlists",
    "devices",
    "valves",
    "fit",
    "transformers",
    "supplies",
    "mains",
    "settings",
    "amplifier",
    "curves",
    "draw",
    "stress",
    "faults",
    "parts",
    "book",
    "feedback",
    "sound",
    "listen",
    "tolerances",
    "compare",
    "sheets",
    "untrusted",
    "audit",
    "accuracy",
    "library",
    "news",
];

/// What pages through a topic where `PAGER` does not say.
const PAGER: &str = "less";

fn options(_: clap::Command) -> clap::Command {
    clap::Command::new(COMMAND.name)
        .about(COMMAND.about)
        .after_help(SAFETY)
        .arg(
            Arg::new("topic")
                .value_name("TOPIC")
                .help("Which one; without it all are listed"),
        )
        .arg(
            Arg::new("html")
                .long("html")
                .value_name("FILE")
                .help("Write the topic, or the whole guide, as a page for a browser"),
        )
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let topic = matches.get_one::<String>("topic");
    let topic = topic.map(|name| find(name)).transpose()?;
    if let Some(path) = matches.get_one::<String>("html") {
        let topics = topic.map_or_else(topics, |topic| vec![topic]);
        let mut outputs = Outputs::new();
        outputs.text(Path::new(path), &page(&topics))?;
        common::commit(outputs)?;
        return Ok(Outcome::Done);
    }
    match topic {
        Some(topic) => show(&topic.text()),
        None => print(&list()),
    }
}

/// A topic of the guide.
#[derive(Debug, Clone, Copy)]
pub struct Topic {
    /// Its word on the command line.
    pub name: &'static str,
    /// Markdown, with places for tables; the first line is the title.
    text: &'static str,
}

impl Topic {
    /// The whole topic, tables included.
    pub fn text(&self) -> String {
        tables::filled(self.text)
    }

    fn title(&self) -> &'static str {
        let first = self.text.lines().next().unwrap_or_default();
        first.trim_start_matches("# ")
    }
}

/// All topics in their order.
pub fn topics() -> Vec<Topic> {
    let mut topics = FILES.to_vec();
    let place = |topic: &Topic| ORDER.iter().position(|name| *name == topic.name);
    topics.sort_by_key(|topic| (place(topic).unwrap_or(ORDER.len()), topic.name));
    topics
}

/// The topic that says most about a command.
fn of_command(command: &str) -> Option<&'static str> {
    let own = FILES.iter().find(|topic| topic.name == command);
    let others = [
        ("bias", "supplies"),
        ("check", "sheets"),
        ("distortion", "sound"),
        ("examples", "stage"),
        ("limits", "untrusted"),
        ("messages", "netlists"),
        ("noise", "sound"),
        ("render", "sound"),
        ("response", "stage"),
        ("scope", "stage"),
        ("spread", "tolerances"),
        ("vary", "settings"),
    ];
    let other = || others.into_iter().find(|(name, _)| *name == command);
    own.map(|topic| topic.name)
        .or_else(|| other().map(|(_, topic)| topic))
}

/// A command whose help names its topic.
pub fn named_in_help(command: clap::Command) -> clap::Command {
    match of_command(command.get_name()) {
        Some(topic) => {
            let after = command.get_after_help();
            let after = after.map_or(String::new(), ToString::to_string);
            command.after_help(format!("Manual: gridleak guide {topic}\n\n{after}"))
        }
        None => command,
    }
}

fn find(name: &str) -> Result<Topic, Failure> {
    let topics = topics();
    if let Some(topic) = topics.iter().find(|t| t.name.eq_ignore_ascii_case(name)) {
        return Ok(*topic);
    }
    let failure = Failure::usage(format!("the guide has no topic `{name}`"));
    Err(match nearest(name, topics.iter().map(|t| t.name)) {
        Some(near) => failure.hint(format!("did you mean `{near}`?")),
        None => failure.hint("`gridleak guide` lists them"),
    })
}

fn list() -> String {
    let mut text = String::from("Topics: gridleak guide TOPIC\n\n");
    for topic in topics() {
        text += &format!("  {:<14}{}\n", topic.name, topic.title());
    }
    text + "\nThe whole guide for a browser: gridleak guide --html guide.html\n"
}

/// Through a pager on a terminal, as it is into a pipe.
fn show(text: &str) -> Result<Outcome, Failure> {
    if !std::io::stdout().is_terminal() {
        return print(text);
    }
    let chosen = std::env::var("PAGER").unwrap_or_default();
    let mut words = chosen.split_whitespace();
    let program = words.next().unwrap_or(PAGER);
    let pager = Process::new(program)
        .args(words)
        .stdin(Stdio::piped())
        .spawn();
    let Ok(mut pager) = pager else {
        return print(text);
    };
    if let Some(mut pipe) = pager.stdin.take() {
        // A reader who has seen enough closes the pipe.
        let _ = pipe.write_all(text.as_bytes());
    }
    let _ = pager.wait();
    Ok(Outcome::Done)
}

const STYLE: &str = "body{font:16px/1.5 sans-serif;max-width:46em;margin:2em auto;padding:0 1em;\
color:#222}pre{background:#f4f2ee;padding:.7em;overflow-x:auto}code{font:14px monospace}\
table{border-collapse:collapse;display:block;overflow-x:auto}\
td,th{border:1px solid #bbb;padding:.2em .6em;text-align:left;vertical-align:top}\
h1{margin-top:2.5em;border-bottom:1px solid #bbb}.caution{border:2px solid #a33;padding:.5em 1em}\
@media print{h1{break-before:page}}";

/// A page of these topics, which stands by itself.
fn page(topics: &[Topic]) -> String {
    let title = match topics {
        [topic] => topic.title(),
        _ => "gridleak: the guide",
    };
    let mut text = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width\">\n\
         <title>{title}</title>\n<style>{STYLE}</style>\n<p class=\"caution\">{SAFETY}</p>\n"
    );
    if topics.len() > 1 {
        text += "<ul>\n";
        for topic in topics {
            text += &format!(
                "<li><a href=\"#{}\">{}</a></li>\n",
                topic.name,
                topic.title()
            );
        }
        text += "</ul>\n";
    }
    for topic in topics {
        text += &format!("<section id=\"{}\">\n", topic.name);
        html::push_html(
            &mut text,
            Parser::new_ext(&topic.text(), Options::ENABLE_TABLES),
        );
        text += "</section>\n";
    }
    text + "</html>\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_topic_is_a_title_and_more() {
        for topic in topics() {
            assert!(topic.text().starts_with("# "), "{}", topic.name);
            assert!(topic.text().lines().count() > 3, "{}", topic.name);
            assert!(topic.name.chars().all(|c| c.is_ascii_lowercase()));
        }
        for name in ORDER {
            assert!(find(name).is_ok(), "{name} is not a file of cli/guide");
        }
        for command in super::super::COMMANDS {
            if let Some(topic) = of_command(command.name) {
                assert!(find(topic).is_ok(), "{topic}");
            }
        }
    }

    #[test]
    fn the_page_links_to_each_topic_and_has_its_tables() {
        let page = page(&topics());
        for topic in topics() {
            assert!(page.contains(&format!("href=\"#{}\"", topic.name)));
            assert!(page.contains(&format!("<section id=\"{}\">\n<h1>", topic.name)));
        }
        assert!(page.contains("<table>") && page.contains("<pre>"));
        assert!(!page.contains("<p>|"), "a table that is not one");
    }
}
