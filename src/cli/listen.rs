//! `listen`: sounds side by side, on a page to play them.
//!
//! Another command that puts sounds on its page takes [`playing::options`] and `--vary`, makes
//! [`Asked`], [`Asked::play`]s it, and puts [`Gathered::player`] on the page.

mod asked;
mod figures;
mod gathered;
mod heard;
mod shown;

use super::command::{Command, SAFETY};
use super::common::{PendingText, Session, out_option};
use super::failure::Failure;
use super::interrupt;
use super::outcome::Outcome;
use super::render::playing;
use crate::limits::Bound;
use crate::report::file::STANDARD_OUTPUT;
use crate::report::page::{self, escaped};
use crate::report::player;
use clap::{Arg, ArgAction, ArgMatches};
pub(super) use gathered::{Gathered, gathered};
pub(super) use heard::Asked;
use std::path::Path;

/// The command's row.
pub const COMMAND: Command = Command {
    name: "listen",
    about: "Sounds side by side at equal loudness: a page to play, compare and test them blind",
    options,
    run,
};

fn options(command: clap::Command) -> clap::Command {
    playing::options(command)
        .mut_arg("netlist", |a| {
            a.value_name("NETLIST|SOUND.wav")
                .help("SPICE netlist whose versions are rendered, or a sound as a WAV file")
        })
        .arg(
            Arg::new("more")
                .value_name("SOUND.wav")
                .num_args(0..)
                .action(ArgAction::Append)
                .help("More sounds, such as a recording of the amplifier as built"),
        )
        .arg(
            Arg::new("vary")
                .long("vary")
                .value_name("NAME=a,b,c")
                .action(ArgAction::Append)
                .help(
                    "A version for each value of an element, NAME.parameter, pot or toggle; \
                     repeat it for every combination",
                ),
        )
        .arg(
            Arg::new("figure")
                .long("figure")
                .value_name("FIGURE")
                .action(ArgAction::Append)
                .help(
                    "Also show a figure of each version, for example `thd of v(out) with \
                     frequency 1k, level 0.1`; `gridleak check --explain` lists every figure",
                ),
        )
        .arg(out_option(
            "PAGE.html",
            "The page, with the sounds in it; open it in a browser",
        ))
}

fn run(matches: &ArgMatches) -> Result<Outcome, Failure> {
    let asked = asked::asked(matches)?;
    let mut session = match asked.netlist {
        Some(_) => Session::open(matches)?,
        None => Session::of_text(matches, "sounds", "Sounds\n.end\n")?,
    };
    let out = session.text("out").expect("required").to_string();
    let figures = super::vary::figures(&mut session)?;
    let files = heard::open_all(&session, &asked.sounds)?;
    let played = match asked.netlist {
        Some(_) => Some(Asked::new(&mut session, Path::new(&out))?),
        None => None,
    };
    let count = files.len() + played.as_ref().map_or(0, |p| p.jobs.len());
    let seconds = heard::seconds(&files) + played.as_ref().map_or(0.0, Asked::seconds);
    fits(&session, count, seconds)?;
    interrupt::watch();
    let mut outputs = session.guards.outputs();
    let target = PendingText::stage(&mut outputs, Some(Path::new(&out)))?.expect("it has a name");
    let (mut sounds, mut title, mut about) = (Vec::new(), "Sounds side by side".to_string(), None);
    if let Some(played) = played {
        title = played.title();
        about = Some(played.about());
        sounds = played.play(&session, "listen")?;
        figures::measure(&session, &mut sounds, &figures)?;
    }
    sounds.extend(heard::read_all(files)?);
    let found = gathered(sounds, &figures, about, &mut interrupt::check)?;
    target.fill(&document(&title, &found)?)?;
    if let Some(path) = session.csv() {
        outputs.text(&path, &shown::csv(&found))?;
    }
    session.finish(
        outputs,
        || shown::record(&title, &found),
        || {
            if out == STANDARD_OUTPUT {
                return String::new();
            }
            shown::printed(&title, &found, &out)
        },
    )?;
    Ok(Outcome::Done)
}

/// Refuses more sounds than can be compared, or than a browser can hold.
pub(super) fn fits(session: &Session<'_>, count: usize, seconds: f64) -> Result<(), Failure> {
    session
        .guards
        .within(Bound::Sounds, count as f64, |found, most| {
            format!("{found} sounds are to be compared, at most {most} go on one page")
        })?;
    session
        .guards
        .within(Bound::PageSeconds, seconds, |found, most| {
            format!("the sounds last {found} s in all, at most {most} s go on one page")
        })
}

/// The whole page.
fn document(title: &str, found: &Gathered) -> Result<String, Failure> {
    let body = format!(
        "<main>\n<h1>{}</h1>\n{}</main>\n<footer><p class=\"caution\">{}</p></footer>\n",
        escaped(title),
        found.player().markup(2)?,
        escaped(SAFETY)
    );
    Ok(page::document(
        title,
        &[player::STYLE],
        &body,
        &[player::SCRIPT],
    ))
}
