//! The order of a netlist: lines into statements, files into files, statements into
//! subcircuits. All mistakes are collected, one for each statement.
//!
//! Nothing here recurses: files and subcircuits that are still open are two
//! stacks.

use std::sync::Arc;

use crate::diag::clean;
use crate::diag::{Diagnostic, FileId, Files, Span};
use crate::limits::{Bound, Limits};
use crate::netlist::blocks::{Blocks, Outcome};
use crate::netlist::controls::{self, IGNORED};
use crate::netlist::elements::element;
use crate::netlist::grammar::balanced;
use crate::netlist::lines::next_statement;
use crate::netlist::loader::{LoadProblem, Loader, room_for};
use crate::netlist::problem::{Located, NetlistProblem, quoted};
use crate::netlist::statement::{ControlLine, Name, Netlist};
use crate::netlist::text::{Parsed, Remarks, Text, Trouble, end, found, next_span, word};

/// A netlist and what there is to say about it. With an error among the diagnostics the netlist
/// holds the statements that could be read and is good for nothing but looking on.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// What was read.
    pub netlist: Netlist,
    /// Errors and warnings in the order of the text.
    pub diagnostics: Vec<Diagnostic>,
}

impl Reading {
    /// Whether there is no error.
    pub fn is_good(&self) -> bool {
        !self.diagnostics.iter().any(Diagnostic::is_error)
    }
}

/// Errors after which the rest is not read, and warnings after which no more are kept.
pub const MOST_DIAGNOSTICS: usize = 50;

/// Reads a netlist, which begins with its title, and all that it includes.
pub fn read(path: &str, loader: &dyn Loader, sources: &mut Files) -> Reading {
    read_within(path, loader, sources, &Limits::default())
}

/// The same within other limits, which go on to hold for what is made of the netlist.
pub fn read_within(
    path: &str,
    loader: &dyn Loader,
    sources: &mut Files,
    limits: &Limits,
) -> Reading {
    let mut reader = Reader::new(sources);
    reader.limits = *limits;
    match reader.load(loader, path, None) {
        Ok((name, text)) => {
            let file = reader.open(name, text);
            reader.title(file);
            reader.files(loader);
        }
        Err(why) => {
            let problem = NetlistProblem::Unreadable {
                path: path.to_string(),
                from: None,
                why,
            };
            reader.report(Located {
                problem,
                span: None,
                also: None,
            });
        }
    }
    reader.finish()
}

/// Reads statements that have no title and include nothing, such as the valves that come along.
pub fn read_library(name: &str, text: &str, sources: &mut Files) -> Reading {
    let mut reader = Reader::new(sources);
    reader.open(name.to_string(), text.to_string());
    reader.files(&NoFiles);
    reader.finish()
}

struct NoFiles;

impl Loader for NoFiles {
    fn load(&self, _: &str, _: Option<&str>) -> Result<(String, String), LoadProblem> {
        Err(crate::inputs::InputProblem::NotFound.into())
    }
}

struct Reader<'s> {
    sources: &'s mut Files,
    files: Vec<OpenFile>,
    blocks: Blocks,
    title: String,
    title_span: Option<Span>,
    controls: Vec<ControlLine>,
    diagnostics: Vec<Diagnostic>,
    errors: usize,
    warnings: usize,
    includes: usize,
    bytes: usize,
    limits: Limits,
}

/// A file that is being read.
struct OpenFile {
    file: FileId,
    text: Arc<str>,
    /// First byte of the line to read next.
    at: usize,
    /// How many subcircuits were open before it: it may not close those.
    floor: usize,
}

impl<'s> Reader<'s> {
    fn new(sources: &'s mut Files) -> Self {
        Reader {
            sources,
            files: Vec::new(),
            blocks: Blocks::new(),
            title: String::new(),
            title_span: None,
            controls: Vec::new(),
            diagnostics: Vec::new(),
            errors: 0,
            warnings: 0,
            includes: 0,
            bytes: 0,
            limits: Limits::default(),
        }
    }

    fn open(&mut self, name: String, text: String) -> FileId {
        self.bytes += text.len();
        // A byte order mark is no text: without it columns are what an editor shows.
        let words = text.strip_prefix('\u{feff}').unwrap_or(&text);
        let file = self.sources.add(name, clean::netlist(words));
        let (text, at) = (self.sources.shared_text(file), 0);
        let floor = self.blocks.depth();
        self.files.push(OpenFile {
            file,
            text,
            at,
            floor,
        });
        file
    }

    /// Takes the first line of the main file.
    fn title(&mut self, file: FileId) {
        let Some(open) = self.files.last_mut() else {
            return;
        };
        let line = open.text[open.at..].lines().next().unwrap_or("");
        let (start, end) = (open.at, open.at + line.len());
        self.title = line.to_string();
        self.title_span = Some(Span::new(file, start, end));
        let text = open.text.clone();
        open.at = text[end..].find('\n').map_or(text.len(), |n| end + n + 1);
        let remarks = Remarks::default();
        let statement = Text::new(&text, start, end, file, &remarks);
        if holds_statement(statement, &text[open.at..]) {
            let words = quoted(line.trim());
            self.report(NetlistProblem::TitleHoldsStatement { words }.at(statement.span()));
        }
    }

    /// Reads what is open to its end.
    fn files(&mut self, loader: &dyn Loader) {
        while let Some(open) = self.files.last_mut() {
            let (file, text) = (open.file, open.text.clone());
            match next_statement(&text, &mut open.at) {
                Some((start, end)) => {
                    let remarks = Remarks::within(self.limits);
                    let statement = Text::new(&text, start, end, file, &remarks);
                    let outcome = self.statement(statement, loader);
                    for remark in remarks.into_inner() {
                        self.report(remark);
                    }
                    if let Err(located) = outcome {
                        self.report(*located);
                    }
                }
                None => self.close_file(),
            }
            if self.errors > MOST_DIAGNOSTICS {
                self.files.clear();
                return;
            }
        }
    }

    fn close_file(&mut self) {
        let floor = self.files.pop().map_or(0, |open| open.floor);
        for located in self.blocks.close_to(floor, self.sources) {
            self.report(located);
        }
    }

    fn statement(&mut self, statement: Text<'_>, loader: &dyn Loader) -> Outcome {
        let words = statement.as_str();
        if words.starts_with('+') {
            return Err(Box::new(
                NetlistProblem::NothingToContinue.at(statement.head()),
            ));
        }
        if !words.starts_with('.') {
            done(statement, balanced)?;
            done(statement, without_remark)?;
            let element = done(statement, element);
            let element =
                element.map_err(|other| valve_without_x(statement).map_or(other, Box::new))?;
            return self.blocks.element(element);
        }
        let name = done(statement, word)?;
        let key = name.key();
        match key.as_str() {
            key if IGNORED.contains(&key) => {
                let name_text = quoted(&name.text);
                self.report(NetlistProblem::IgnoredStatement { name: name_text }.at(name.span));
                Ok(())
            }
            ".end" => {
                if let Some(open) = self.files.last_mut() {
                    open.at = open.text.len();
                }
                Ok(())
            }
            ".include" => {
                let path = done(statement, controls::include)?;
                self.include(path, loader)
            }
            ".ends" => self.ends(statement, name.span),
            ".subckt" => self.subckt(statement),
            ".model" => {
                done(statement, balanced)?;
                let model = done(statement, controls::model)?;
                self.blocks.model(model, self.sources)
            }
            _ => {
                done(statement, balanced)?;
                let control = done(statement, controls::control)?;
                if self.blocks.depth() > 0 {
                    let name_text = quoted(&name.text);
                    let problem = NetlistProblem::InsideSubcircuit { name: name_text };
                    return Err(Box::new(problem.at(name.span)));
                }
                self.one_temperature(&control);
                self.controls.push(control);
                Ok(())
            }
        }
    }

    /// Says so where a line sets the temperature that another has set.
    fn one_temperature(&mut self, control: &ControlLine) {
        if let Some(later) = control.temperature()
            && self.controls.iter().any(|c| c.temperature().is_some())
        {
            let used = quoted(&later.text);
            self.report(NetlistProblem::OneTemperature { used }.at(later.span));
        }
    }

    fn subckt(&mut self, statement: Text<'_>) -> Outcome {
        let (name, ports) = match done(statement, controls::subckt) {
            Ok((name, ports)) => (name, ports),
            Err(located) => {
                self.blocks.open(None, Vec::new());
                return Err(located);
            }
        };
        let span = name.span;
        self.blocks.open(Some(name), ports);
        let limit = self.limits.count(Bound::DefinitionDepth);
        if self.blocks.depth() <= limit {
            return Ok(());
        }
        // Whatever follows in this file would only repeat it.
        if let Some(open) = self.files.last_mut() {
            open.at = open.text.len();
            self.blocks.drop_to(open.floor);
        }
        Err(Box::new(
            NetlistProblem::SubcircuitsTooDeep { limit }.at(span),
        ))
    }

    fn ends(&mut self, statement: Text<'_>, place: Span) -> Outcome {
        let name = done(statement, controls::ends)?;
        let floor = self.files.last().map_or(0, |open| open.floor);
        for located in self.blocks.ends(place, name, floor, self.sources) {
            self.report(located);
        }
        Ok(())
    }

    fn include(&mut self, path: Name, loader: &dyn Loader) -> Outcome {
        let from = self.sources.name(path.span.file).to_string();
        let at = |problem: NetlistProblem| Err(Box::new(problem.at(path.span)));
        let limit = self.limits.count(Bound::Includes);
        if self.includes >= limit {
            self.files.clear();
            return at(NetlistProblem::TooManyIncludes { limit });
        }
        let limit = self.limits.count(Bound::IncludeDepth);
        if self.files.len() > limit {
            let chain = self.chain(&path.text, 0);
            self.files.clear();
            return at(NetlistProblem::IncludesTooDeep { limit, chain });
        }
        self.includes += 1;
        match self.load(loader, &path.text, Some(&from)) {
            Ok((name, text)) => {
                let open = self
                    .files
                    .iter()
                    .position(|f| self.sources.name(f.file) == name);
                if let Some(first) = open {
                    let chain = self.chain(&name, first);
                    return at(NetlistProblem::IncludeLoop { chain });
                }
                let main = self.files.first().map(|f| self.sources.name(f.file));
                let is_outside = main.is_none_or(|main| loader.is_outside(&name, main));
                let file = self.open(name, text);
                if is_outside {
                    self.sources.keep_private(file);
                }
                Ok(())
            }
            Err(LoadProblem::TooLarge) if self.bytes > 0 => {
                let limit = self.limits.count(Bound::NetlistSize);
                self.files.clear();
                at(NetlistProblem::TooMuchText { limit })
            }
            Err(why) => {
                let (path, from) = (path.text.clone(), Some(from));
                at(NetlistProblem::Unreadable { path, from, why })
            }
        }
    }

    /// Loads a file if it and what was read so far keep within the limit.
    fn load(
        &self,
        loader: &dyn Loader,
        path: &str,
        from: Option<&str>,
    ) -> Result<(String, String), LoadProblem> {
        let (name, text) = loader.load(path, from)?;
        if self.bytes + text.len() > self.limits.count(Bound::NetlistSize) << 20 {
            Err(LoadProblem::TooLarge)
        } else {
            room_for(&text)?;
            Ok((name, text))
        }
    }

    /// The open files from the n-th on and the one that was about to follow.
    fn chain(&self, last: &str, first: usize) -> String {
        let mut names: Vec<String> = self.files[first..]
            .iter()
            .map(|open| format!("`{}`", self.sources.name(open.file)))
            .collect();
        if names.len() > 8 {
            names.splice(4..names.len() - 4, ["...".to_string()]);
        }
        names.push(format!("`{last}`"));
        names.join(" -> ")
    }

    fn report(&mut self, located: Located) {
        let file = located.span;
        let diagnostic = Diagnostic::from(located);
        if diagnostic.is_error() {
            self.errors += 1;
            if self.errors > MOST_DIAGNOSTICS {
                let limit = MOST_DIAGNOSTICS;
                if self.errors == MOST_DIAGNOSTICS + 1 {
                    let span = file.unwrap_or(Span::new(FileId(0), 0, 0));
                    self.diagnostics
                        .push(NetlistProblem::TooManyErrors { limit }.at(span).into());
                }
                return;
            }
        } else {
            self.warnings += 1;
            if self.warnings > MOST_DIAGNOSTICS {
                return;
            }
        }
        self.diagnostics.push(diagnostic);
    }

    fn finish(self) -> Reading {
        let body = self.blocks.into_body();
        Reading {
            netlist: Netlist {
                title: self.title,
                title_span: self.title_span,
                body,
                controls: self.controls,
                limits: self.limits,
            },
            diagnostics: self.diagnostics,
        }
    }
}

/// Refuses a remark that begins as in a programming language on a line with a model's name:
/// its last word would be taken for that.
fn without_remark(statement: Text<'_>) -> Parsed<'_, ()> {
    if statement.as_str().starts_with(['X', 'x']) {
        let (mut i, _) = word(statement)?;
        while let Ok((rest, next)) = word(i) {
            if next.text.starts_with("//") || matches!(next.text.as_str(), "#" | "$") {
                end(i)?;
            }
            i = rest;
        }
    }
    Ok((statement, ()))
}

/// The problem of a word too many with the word in front of it: that says what was meant.
fn with_word_before(statement: Text<'_>, mut located: Box<Located>) -> Box<Located> {
    let place = located.span.map_or(0, |span| span.start);
    let length = place.saturating_sub(statement.span().start) as usize;
    if let NetlistProblem::ExtraWords { before, .. } | NetlistProblem::NotOneOf { before, .. } =
        &mut located.problem
        && let Some(words) = statement.as_str().get(..length)
    {
        let is_between = |c: char| c.is_whitespace() || ",()=".contains(c);
        let last = words.trim_end_matches(is_between).rsplit(is_between).next();
        *before = quoted(last.unwrap_or_default());
    }
    located
}

/// Whether a title looks so much like a statement that a title line must have been forgotten.
/// `below` is the netlist without it.
fn holds_statement(line: Text<'_>, below: &str) -> bool {
    let first = line.as_str().split_whitespace().next().unwrap_or("");
    let key = first.to_lowercase();
    if key.starts_with('.') {
        return key != ".title" && controls::known(&key);
    }
    // A title may read like a part by chance, and is seldom written like one.
    let is_name = match first.chars().next().map(|c| c.to_ascii_uppercase()) {
        Some('R' | 'C' | 'L' | 'V' | 'I' | 'E' | 'F' | 'G' | 'H' | 'K' | 'B' | 'X') => true,
        _ => first.contains(|c: char| c.is_ascii_digit()) || first.to_uppercase() == first,
    };
    // `Common cathode stage 12` reads as a capacitor, but nothing else is at those nodes, and no
    // word of a sentence is as short as most nodes or sets a parameter.
    let is_numbered = key.starts_with(['r', 'c', 'l', 'v', 'i'])
        && key[1..].starts_with(|c: char| c.is_ascii_digit());
    let mut nodes = line.as_str().split_whitespace().skip(1).take(2);
    is_name
        && line.as_str().split_whitespace().count() >= 4
        && element(line).is_ok()
        && (is_numbered
            || line.as_str().contains('=')
            || nodes.all(|node| is_short(node) || has_word(below, node)))
}

/// Whether a word is shorter than those of a sentence, or has a digit in it.
fn is_short(word: &str) -> bool {
    word.chars().count() == 1 || word.contains(|c: char| c.is_ascii_digit())
}

/// Whether a word is in a text, in capitals or not.
fn has_word(text: &str, word: &str) -> bool {
    let word = word.trim_matches(['(', ')', ',']);
    text.split(|c: char| c.is_whitespace() || "(),=".contains(c))
        .any(|w| w.eq_ignore_ascii_case(word))
}

/// The problem of a line of a valve that does not begin with X, where it is one.
fn valve_without_x(statement: Text<'_>) -> Option<Located> {
    let mut words = statement.as_str().split_whitespace();
    let name = words.next()?;
    if name.starts_with(['x', 'X', '.', '*']) {
        return None;
    }
    let plain = words.take_while(|w| !w.contains('=') && !w.starts_with(';'));
    let plain: Vec<&str> = plain.collect();
    let (kind, nodes) = plain.split_last()?;
    ((3..=4).contains(&nodes.len()) && is_valve_type(kind)).then(|| {
        let problem = NetlistProblem::ValveWithoutX {
            name: quoted(name),
            kind: quoted(kind),
            line: quoted(&format!("X{name} {}", plain.join(" "))),
        };
        problem.at(next_span(statement))
    })
}

/// Whether a word is written as types of valves are: 12AX7, 6V6GT, 5881, EL34, ECC83, KT88.
fn is_valve_type(word: &str) -> bool {
    let classes: Vec<(char, usize)> = word.chars().fold(Vec::new(), |mut all, c| {
        let class = match c {
            '0'..='9' => '9',
            'a'..='z' | 'A'..='Z' => 'A',
            _ => '-',
        };
        match all.last_mut() {
            Some((last, count)) if *last == class => *count += 1,
            _ => all.push((class, 1)),
        }
        all
    });
    matches!(
        classes[..],
        [('9', 4)]
            | [('9', 1..=2), ('A', 1..=3), ('9', 1..=2)]
            | [('9', 1..=2), ('A', 1..=3), ('9', 1..=2), ('A', 1..=3)]
            | [('A', 2..=4), ('9', 2..=4)]
            | [('A', 2..=4), ('9', 2..=4), ('A', 1..=2)]
    )
}

/// What the parser of a whole statement made of it.
fn done<'a, T>(
    statement: Text<'a>,
    parser: impl Fn(Text<'a>) -> Parsed<'a, T>,
) -> Result<T, Box<Located>> {
    match parser(statement) {
        Ok((_, value)) => Ok(value),
        Err(
            nom::Err::Failure(Trouble::Wrong(located)) | nom::Err::Error(Trouble::Wrong(located)),
        ) => Err(with_word_before(statement, located)),
        Err(_) => {
            let found = found(statement);
            Err(Box::new(
                NetlistProblem::NotAName { found }.at(next_span(statement)),
            ))
        }
    }
}
