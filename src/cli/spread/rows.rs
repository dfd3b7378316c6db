//! The table on disk: written as whole rows, read again to go on or to be joined.

use super::super::common;
use super::super::failure::Failure;
use super::super::interrupt;
use super::asked::Asked;
use super::board::{Board, Row};
use crate::num;
use crate::report::csv::Csv;
use crate::report::file::{FileProblem, Outputs, STANDARD_OUTPUT};
use crate::tolerance::measure::Around;
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

/// The last column of a sheet's table: which expectations an amplifier fails, counted from 1.
const FAILED: &str = "failed";

/// Bytes that wait for the disk at most.
const WAITING: usize = 1 << 16;

/// Writes the table. What stands in the file are whole rows at any time.
pub struct Writer {
    file: File,
    path: PathBuf,
    waiting: Vec<u8>,
    /// Bytes and rows that are in the file.
    written: (u64, u64),
    rows: u64,
}

impl Writer {
    /// A table in a file that was staged, with its heading: each shard's is a table by itself.
    pub fn new(asked: &Asked<'_>, board: &Board, file: File, path: &Path) -> Self {
        Writer {
            file,
            path: path.to_owned(),
            waiting: line(&heading(asked, board)),
            written: (0, 0),
            rows: 0,
        }
    }

    /// Adds a row.
    ///
    /// # Errors
    /// If it cannot be written; the file then has whole rows.
    pub fn write(&mut self, run: u64, row: &Row) -> Result<(), Failure> {
        self.waiting.extend(line(&record(run, row)));
        self.rows += 1;
        if self.waiting.len() >= WAITING {
            self.flush()
        } else {
            Ok(())
        }
    }

    /// Writes what waits.
    ///
    /// # Errors
    /// If it cannot be written; the file then has whole rows.
    pub fn flush(&mut self) -> Result<(), Failure> {
        if let Err(e) = self.file.write_all(&self.waiting) {
            // A part of it may have got there.
            let _ = self.file.set_len(self.written.0);
            self.rows = self.written.1;
            self.waiting.clear();
            return Err(FileProblem::new(&self.path, e).into());
        }
        self.written = (self.written.0 + self.waiting.len() as u64, self.rows);
        self.waiting.clear();
        Ok(())
    }
}

/// Puts the rows of a run that was broken off in place, so that --resume can go on from them. What
/// stood there before is not replaced by less, unless it was to be resumed: then they go into a file
/// beside it.
///
/// # Errors
/// If they cannot be.
pub fn keep(asked: &Asked<'_>, mut csv: Writer, mut table: Outputs) -> Result<(), Failure> {
    // Where the disk is full it keeps what it has.
    let _ = csv.flush();
    let is_there = csv.path.exists();
    let is_file = csv.path != Path::new(STANDARD_OUTPUT) && (!is_there || csv.path.is_file());
    if !is_file || csv.written.1 == 0 || !asked.texts("join").is_empty() {
        return Ok(());
    }
    let rows = format!(
        "{} of {} rows are in",
        csv.written.1,
        asked.range.end - asked.range.start
    );
    let note = if is_there && !asked.flag("resume") {
        let part = part_beside(&csv.path);
        table.aim(&csv.path, &part)?;
        let (path, part) = (csv.path.display(), part.display());
        format!(
            "{rows} `{part}`, and `{path}` is as it was; the same command with --csv '{part}' \
             --resume does the rest"
        )
    } else {
        let path = csv.path.display();
        format!("{rows} `{path}`; the same command with --resume does the rest")
    };
    table.commit()?;
    interrupt::have_kept();
    common::tell(&format!("note: {note}\n"));
    Ok(())
}

/// A name beside a table that no file has: `out.csv.part`, `out.csv.part2` ...
fn part_beside(path: &Path) -> PathBuf {
    let named = |end: String| {
        let mut name = path.as_os_str().to_owned();
        name.push(end);
        PathBuf::from(name)
    };
    let more = (2..1000).map(|k| named(format!(".part{k}")));
    let mut all = std::iter::once(named(".part".to_string())).chain(more);
    let free = all.find(|name| !name.exists());
    free.unwrap_or_else(|| named(".part".to_string()))
}

fn line(cells: &[String]) -> Vec<u8> {
    let mut csv = Csv::empty();
    csv.row(cells);
    csv.text().into_bytes()
}

fn heading(asked: &Asked<'_>, board: &Board) -> Vec<String> {
    let names = board.columns.iter().map(|c| c.name.clone());
    let failed = asked.is_sheet().then(|| FAILED.to_string());
    let run = ["run".to_string()];
    run.into_iter().chain(names).chain(failed).collect()
}

fn record(run: u64, row: &Row) -> Vec<String> {
    let cells = row
        .values
        .iter()
        .map(|v| v.map_or(String::new(), num::full));
    let failed = (!row.passes.is_empty()).then(|| {
        let all = row
            .passes
            .iter()
            .enumerate()
            .filter(|(_, passes)| !**passes);
        let all: Vec<String> = all.map(|(k, _)| (k + 1).to_string()).collect();
        all.join(" ")
    });
    [run.to_string()]
        .into_iter()
        .chain(cells)
        .chain(failed)
        .collect()
}

/// Rows of other runs of this command: those that a resumed table has, or the shards to be joined.
pub struct KeptRows {
    files: Vec<PathBuf>,
    joins: bool,
}

impl KeptRows {
    /// What the command line says.
    ///
    /// # Errors
    /// If there is nothing to go on from.
    pub fn new(asked: &Asked<'_>) -> Result<Self, Failure> {
        let joined: Vec<PathBuf> = asked.texts("join").into_iter().map(PathBuf::from).collect();
        if !joined.is_empty() {
            return Ok(KeptRows {
                files: joined,
                joins: true,
            });
        }
        let mut files = Vec::new();
        if asked.flag("resume") {
            let path = asked.text("csv").expect("clap asks for it");
            if path == STANDARD_OUTPUT {
                return Err(Failure::usage("`--resume` needs a file to go on with").into());
            }
            // A shard that was not begun begins now.
            if Path::new(path).exists() {
                files.push(PathBuf::from(path));
            }
        }
        Ok(KeptRows {
            files,
            joins: false,
        })
    }

    /// Hands every row on in order, and says how many there were. The first row of each file and the
    /// last of a resumed one are measured anew, and must come out the same.
    ///
    /// # Errors
    /// If rows lack, stand twice, or are of another seed, drawing or question.
    pub fn feed(
        self,
        asked: &Asked<'_>,
        board: &Board,
        mut take: impl FnMut(u64, &[f64], Row) -> Result<(), Failure>,
    ) -> Result<u64, Failure> {
        if self.files.is_empty() {
            return Ok(0);
        }
        let head = heading(asked, board);
        let mut order: Vec<(u64, &PathBuf)> = Vec::new();
        for path in &self.files {
            match Reader::open(path, &head)?.next()? {
                Some(record) => order.push((run_of(path, &record)?, path)),
                None if self.joins => {
                    return Err(wrong(
                        path,
                        "it has no rows".to_string(),
                        "name shards that are done",
                    ));
                }
                None => {}
            }
        }
        order.sort();
        let stopped = || super::super::interrupt::check().is_err();
        let around = Around {
            sources: &asked.sources,
            clips: &asked.beside,
            stopped: &stopped,
        };
        let mut worker = asked.plan.worker(around);
        let mut sampler = asked.sampler("");
        let mut numbers = vec![0.0; asked.plan.variables.draws.len()];
        let mut next = asked.range.start;
        for (_, path) in order {
            let mut reader = Reader::open(path, &head)?;
            let mut at = reader.next()?;
            let mut is_first = true;
            while let Some(cells) = at {
                super::super::interrupt::check()?;
                at = reader.next()?;
                let run = run_of(path, &cells)?;
                let is_of_a_shard = !self.joins && (1..=asked.runs).contains(&run);
                if is_of_a_shard && !asked.range.contains(&run) {
                    let (first, last) = (asked.range.start, asked.range.end - 1);
                    let what = format!(
                        "run {run} belongs to another shard: this one has runs {first} to {last}"
                    );
                    return Err(wrong(path, what, "give the `--shard` that the table is of"));
                }
                if run < next {
                    let what = format!("run {run} stands twice");
                    return Err(wrong(path, what, "name each shard once"));
                }
                if run > next {
                    let what = match run - next {
                        1 => format!("run {next} is missing before it"),
                        _ => format!("runs {next} to {} are missing before it", run - 1),
                    };
                    return Err(wrong(path, what, "name all shards, or run the missing one"));
                }
                if run >= asked.range.end {
                    let what = format!("run {run} is beyond the last one, {}", asked.range.end - 1);
                    return Err(wrong(
                        path,
                        what,
                        "ask for as many `--runs` as the table has",
                    ));
                }
                next = run + 1;
                sampler.numbers(run, &mut numbers);
                let is_last = at.is_none() && !self.joins;
                if is_first || is_last {
                    // As the runs go: four at a time come out in other last digits than one.
                    let found = worker.batch(std::slice::from_ref(&numbers)).remove(0);
                    let row = board.row(asked, found);
                    super::super::interrupt::check()?;
                    if record(run, &row) != cells {
                        return Err(wrong(
                            path,
                            format!("run {run} comes out differently here"),
                            "it is of another seed, netlist, tolerance or version of this tool; \
                             give the options that it was made with",
                        ));
                    }
                }
                is_first = false;
                take(run, &numbers, parsed(path, asked, board, &cells)?)?;
            }
        }
        if self.joins && next != asked.range.end {
            let what = format!("runs {next} to {} are missing", asked.range.end - 1);
            let last = self.files.last().expect("not empty");
            return Err(wrong(
                last,
                what,
                "name all shards, and `--runs` as they were made with",
            ));
        }
        Ok(next - asked.range.start)
    }
}

fn wrong(path: &Path, what: String, hint: &str) -> Failure {
    Failure::usage(format!("`{}`: {what}", path.display())).hint(hint)
}

fn run_of(path: &Path, cells: &[String]) -> Result<u64, Failure> {
    let run = cells.first().and_then(|c| c.parse().ok());
    run.ok_or_else(|| {
        wrong(
            path,
            "a row has no number of its run".into(),
            "is it a table of `spread`?",
        )
    })
}

fn parsed(path: &Path, asked: &Asked<'_>, board: &Board, cells: &[String]) -> Result<Row, Failure> {
    let bad = || {
        let run = cells.first().map_or("", String::as_str);
        wrong(
            path,
            format!("the row of run {run} is damaged"),
            "run it again",
        )
    };
    let columns = board.columns.len();
    if cells.len() != 1 + columns + usize::from(asked.is_sheet()) {
        return Err(bad());
    }
    let mut values = Vec::with_capacity(columns);
    for cell in &cells[1..=columns] {
        values.push(if cell.is_empty() {
            None
        } else {
            Some(cell.parse::<f64>().map_err(|_| bad())?)
        });
    }
    let mut passes = vec![true; board.nominal_passes.len()];
    if asked.is_sheet() {
        for number in cells[columns + 1].split_whitespace() {
            let k: usize = number.parse().map_err(|_| bad())?;
            *passes.get_mut(k.wrapping_sub(1)).ok_or_else(bad)? = false;
        }
    }
    Ok(Row {
        values,
        passes,
        ..Row::default()
    })
}

struct Reader {
    path: PathBuf,
    records: csv::StringRecordsIntoIter<File>,
    /// The first row, where a file without a heading begins with it.
    first: Option<Vec<String>>,
}

impl Reader {
    /// Opens a table whose heading, if it has one, must be this.
    fn open(path: &Path, head: &[String]) -> Result<Self, Failure> {
        let file = crate::inputs::open_named(path, None)
            .map_err(|why| wrong(path, why.to_string(), "check the name"))?;
        let reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .from_reader(file);
        let mut reader = Reader {
            path: path.to_owned(),
            records: reader.into_records(),
            first: None,
        };
        let first = reader.next()?;
        match first {
            Some(cells) if cells.first().is_some_and(|c| c == "run") => {
                if cells != head {
                    return Err(wrong(
                        path,
                        "its columns are not those of these figures".into(),
                        "give the figures that it was made with, in their order",
                    ));
                }
            }
            other => reader.first = other,
        }
        Ok(reader)
    }

    fn next(&mut self) -> Result<Option<Vec<String>>, Failure> {
        if let Some(first) = self.first.take() {
            return Ok(Some(first));
        }
        match self.records.next() {
            None => Ok(None),
            Some(Ok(record)) => Ok(Some(record.iter().map(str::to_string).collect())),
            Some(Err(e)) => Err(wrong(
                &self.path,
                e.to_string(),
                "is it a table of `spread`?",
            )),
        }
    }
}
