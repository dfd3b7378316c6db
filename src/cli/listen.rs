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
use super::common::{PendingText, Session, out_option, vary_option};
use super::failure::Failure;
use super::interrupt;
use super::outcome::Outcome;
use super::render::playing;
use crate::figure::Figure;
use crate::limits::Bound;
use crate::report::file::STANDARD_OUTPUT;
use crate::report::page::{self, escaped};
use crate::report::player;
use clap::{Arg, ArgAction, ArgMatches};
pub(super) use gathered::{Gathered, gathered};
pub(super) use heard::Asked;
use heard::Heard;
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
                .value_name("NETLIST|SOUND.wav")
                .num_args(0..)
                .action(ArgAction::Append)
                .help(
                    "More netlists, played the same clip with the same options; then more sounds, \
                     such as a recording of the amplifier as built",
                ),
        )
        .arg(vary_option(
            "A version for each value of an element, NAME.parameter, pot or toggle. Repeat it to \
             run every combination",
        ))
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
    let mut session = if asked.netlists.is_empty() {
        Session::of_text(matches, "sounds", "Sounds\n.end\n")?
    } else {
        Session::open(matches)?
    };
    let out = session.text("out").expect("required").to_string();
    let figures = super::vary::figures(&mut session)?;
    let files = heard::open_all(&session, &asked.sounds)?;
    let mut circuits = Circuits::of(&mut session, &asked.netlists, Path::new(&out))?;
    let count = files.len() + circuits.versions();
    fits(&session, count, heard::seconds(&files) + circuits.seconds())?;
    let mut outputs = session.guards.outputs();
    let target = PendingText::stage(&mut outputs, Some(Path::new(&out)))?.expect("it has a name");
    let (title, about) = (circuits.title(), circuits.about());
    let mut sounds = circuits.play(&session, &figures)?;
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

/// The netlists that are played: the command's own, and others beside it.
struct Circuits<'m> {
    own: Option<Asked>,
    others: Vec<(Session<'m>, Asked)>,
    /// Their names as far as they tell them apart.
    names: Vec<String>,
}

impl<'m> Circuits<'m> {
    fn of(session: &mut Session<'m>, paths: &[String], out: &Path) -> Result<Self, Failure> {
        let own = if paths.is_empty() {
            None
        } else {
            Some(Asked::new(session, out)?)
        };
        let mut others = Vec::new();
        for path in paths.iter().skip(1) {
            let mut beside = session.beside(path)?;
            let asked = Asked::new(&mut beside, out)?;
            others.push((beside, asked));
        }
        let short = |path: &String| {
            let name = Path::new(path).file_name();
            name.map_or(path.clone(), |n| n.to_string_lossy().into_owned())
        };
        let shared = |path: &String| paths.iter().filter(|p| short(p) == short(path)).count() > 1;
        let name = |path| {
            if shared(path) {
                path.clone()
            } else {
                short(path)
            }
        };
        Ok(Circuits {
            own,
            others,
            names: paths.iter().map(name).collect(),
        })
    }

    fn all(&self) -> impl Iterator<Item = &Asked> {
        self.own.iter().chain(self.others.iter().map(|o| &o.1))
    }

    fn versions(&self) -> usize {
        self.all().map(|a| a.jobs.len()).sum()
    }

    fn seconds(&self) -> f64 {
        self.all().map(Asked::seconds).sum()
    }

    fn title(&self) -> String {
        match (&self.own, self.others.is_empty()) {
            (Some(own), true) => own.title(),
            _ => "Sounds side by side".to_string(),
        }
    }

    /// What is played and heard; of several, each with its name and title.
    fn about(&self) -> Option<String> {
        if self.others.is_empty() {
            return self.own.as_ref().map(Asked::about);
        }
        let named = self.all().zip(&self.names);
        let each =
            named.map(|(asked, name)| format!("{name} ({}): {}", asked.title(), asked.about()));
        Some(each.collect::<Vec<_>>().join(" "))
    }

    /// Renders and measures all of them, one netlist after the other, each on all cores.
    fn play(&mut self, session: &Session<'m>, figures: &[Figure]) -> Result<Vec<Heard>, Failure> {
        let Some(own) = self.own.take() else {
            return Ok(Vec::new());
        };
        let mut sounds = own.play(session, "listen")?;
        figures::measure(session, &mut sounds, figures)?;
        if self.others.is_empty() {
            return Ok(sounds);
        }
        let mut names = self.names.iter();
        let mut called = |sounds: &mut [Heard]| {
            let name = names.next().expect("one each");
            for sound in sounds {
                sound.name = if sound.settings.is_empty() {
                    name.clone()
                } else {
                    format!("{name}, {}", sound.name)
                };
            }
        };
        called(&mut sounds);
        for (beside, asked) in self.others.drain(..) {
            let mut more = asked.play(&beside, "listen")?;
            figures::measure(&beside, &mut more, figures)?;
            called(&mut more);
            sounds.extend(more);
        }
        Ok(sounds)
    }
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
