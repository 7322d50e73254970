//! Patch lists: CSV as RFC 4180 has it, and the built-in list of General MIDI.
//!
//! The first line names the columns: `name,bank_msb,bank_lsb,program,category`, and after
//! them, where known, `trim_db`, `voices`, `release_s` and `load_ms`. A field may be empty
//! unless it is the name or the program; a bank that is left empty is the one selected last, so
//! it may not be beside one that is stated on the same slots. Programs are counted as the receiver's manners say.

use std::collections::BTreeMap;

use csv::{Position, ReaderBuilder, StringRecord, Trim};

use crate::midi::{Program, Value7};
use crate::show::finding::quoted;
use crate::show::model::{PatchItem, PatchList};
use crate::show::nearest::nearest;
use crate::show::tree::{Problem, Span};

/// The name of the built-in list.
pub const GENERAL_MIDI: &str = "General MIDI";

/// The most patches a list may hold: all banks of a large instrument.
pub const MAX_PATCHES: usize = 20_000;

/// Columns that must be there, in any order, and those that may.
const REQUIRED: [&str; 5] = ["name", "bank_msb", "bank_lsb", "program", "category"];
const OPTIONAL: [&str; 4] = ["trim_db", "voices", "release_s", "load_ms"];

/// What could be read of a CSV file, and what could not.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct ReadPatches {
    /// The patches, in the order of the file.
    pub patches: Vec<PatchItem>,
    /// Names on lines that could not be read.
    pub broken: Vec<String>,
    /// What is wrong, with the place in bytes.
    pub problems: Vec<Problem>,
    /// Whether the file as a whole gave nothing.
    pub is_unreadable: bool,
    /// Whether lines were swallowed by a quote that is not closed: the list may have more names.
    pub is_partial: bool,
}

/// Reads a patch list. Lines that cannot be read are left out, each with its problem.
#[must_use]
pub fn read_csv(text: &str, programs_from_1: bool) -> ReadPatches {
    let mut read = ReadPatches::default();
    let text = match swallowing_quote(text) {
        // What follows is inside out: which of it is meant as a name cannot be known.
        Some(quote) => {
            read.is_partial = true;
            read.problems.push(quote.problem());
            text.get(..quote.line_start).unwrap_or_default()
        }
        None => text,
    };
    let mut reader = ReaderBuilder::new()
        .flexible(true)
        .trim(Trim::All)
        .from_reader(text.as_bytes());
    let columns = match reader.headers() {
        Ok(header) => Columns::of(header, text, &mut read.problems),
        Err(error) => {
            read.problems.push(Problem::of_file(
                "bad-patch-list",
                format!("the list cannot be read: {error}"),
            ));
            None
        }
    };
    let Some(columns) = columns else {
        read.is_unreadable = true;
        return read;
    };
    let mut first_lines = BTreeMap::new();
    for record in reader.records() {
        match record {
            Ok(record) => {
                let row = Row {
                    text,
                    record: &record,
                    columns: &columns,
                };
                row.read(programs_from_1, &mut first_lines, &mut read);
            }
            Err(error) => {
                let message = format!("this line cannot be read: {error}");
                read.problems.push(Problem::error(
                    "bad-patch-list",
                    line_span(text, error.position()),
                    message,
                ));
            }
        }
        if read.patches.len() > MAX_PATCHES {
            let message = format!("the list has more than {MAX_PATCHES} patches");
            read.problems.push(
                Problem::of_file("bad-patch-list", message).help("keep those that the show uses"),
            );
            break;
        }
    }
    read
}

/// Index of each column in a line.
struct Columns {
    places: BTreeMap<&'static str, usize>,
    count: usize,
}

impl Columns {
    fn of(header: &StringRecord, text: &str, problems: &mut Vec<Problem>) -> Option<Self> {
        let known = || REQUIRED.into_iter().chain(OPTIONAL);
        let mut places = BTreeMap::new();
        let span = line_span(text, header.position());
        for (at, name) in header.iter().enumerate() {
            let Some(column) = known().find(|column| *column == name) else {
                let message = format!("a patch list has no column {}", quoted(name));
                let problem = Problem::error("bad-patch-list", span, message);
                problems.push(match nearest(name, known()) {
                    Some(near) => problem.nearest(Some(near)),
                    None => problem.help(format!(
                        "it may have {}",
                        known().collect::<Vec<_>>().join(", ")
                    )),
                });
                continue;
            };
            if places.insert(column, at).is_some() {
                let message = format!("the column {} is there twice", quoted(name));
                problems.push(
                    Problem::error("bad-patch-list", span, message).help("keep one of the two"),
                );
            }
        }
        let missing: Vec<_> = REQUIRED
            .into_iter()
            .filter(|column| !places.contains_key(column))
            .collect();
        if !missing.is_empty() {
            let message = format!("the patch list has no column {}", missing.join(", "));
            let help = format!("its first line is {}", REQUIRED.join(","));
            problems.push(Problem::error("bad-patch-list", span, message).help(help));
            return None;
        }
        Some(Self {
            places,
            count: header.len(),
        })
    }
}

/// One line of the list.
struct Row<'a> {
    text: &'a str,
    record: &'a StringRecord,
    columns: &'a Columns,
}

impl Row<'_> {
    fn read(
        &self,
        programs_from_1: bool,
        first_lines: &mut BTreeMap<String, u64>,
        read: &mut ReadPatches,
    ) {
        let name = self.field("name");
        if let Err(problem) = self.check_name(name, first_lines) {
            read.problems.push(problem);
            return;
        }
        match self.patch(name, programs_from_1) {
            Ok(patch) => read.patches.push(patch),
            Err(problem) => {
                read.broken.push(name.to_owned());
                read.problems.push(problem);
            }
        }
    }

    fn check_name(
        &self,
        name: &str,
        first_lines: &mut BTreeMap<String, u64>,
    ) -> Result<(), Problem> {
        if self.record.len() > self.columns.count {
            let message = format!(
                "this line has {} fields, the first line has {}",
                self.record.len(),
                self.columns.count
            );
            return Err(self
                .problem(message)
                .help("a name with a comma in it stands in quotes: \"Piano, Soft\""));
        }
        if name.is_empty() {
            return Err(self
                .problem("this patch has no name".into())
                .help("scenes call it by its name"));
        }
        let line = self.record.position().map_or(0, Position::line);
        if let Some(first) = first_lines.get(name) {
            let message = format!(
                "the patch {} is given twice, first on line {first}",
                quoted(name)
            );
            let help = "scenes could mean either: give one of the two another name";
            return Err(Problem::error("duplicate-name", self.span(), message).help(help));
        }
        first_lines.insert(name.to_owned(), line);
        Ok(())
    }

    fn patch(&self, name: &str, programs_from_1: bool) -> Result<PatchItem, Problem> {
        let first = u8::from(programs_from_1);
        let program = self
            .number("program", first, 127 + first)?
            .and_then(|number| Program::new(number - first));
        let Some(program) = program else {
            return Err(self
                .problem(format!("the patch {} has no program", quoted(name)))
                .help("give its number"));
        };
        Ok(PatchItem {
            name: name.to_owned(),
            bank_msb: self.number("bank_msb", 0, 127)?.and_then(Value7::new),
            bank_lsb: self.number("bank_lsb", 0, 127)?.and_then(Value7::new),
            program,
            category: self.field("category").to_owned(),
            trim_db: self.decimal("trim_db", -60.0, 24.0)?.unwrap_or(0.0),
            voices: self.number("voices", 1, 255)?,
            release_s: self.decimal("release_s", 0.0, 60.0)?,
            load_ms: self.number("load_ms", 0, 600_000)?,
        })
    }

    fn field(&self, column: &str) -> &str {
        self.columns
            .places
            .get(column)
            .and_then(|at| self.record.get(*at))
            .unwrap_or_default()
    }

    fn number<T>(&self, column: &str, least: T, most: T) -> Result<Option<T>, Problem>
    where
        T: std::str::FromStr + PartialOrd + std::fmt::Display,
    {
        let field = self.field(column);
        match field.parse() {
            _ if field.is_empty() => Ok(None),
            Ok(number) if least <= number && number <= most => Ok(Some(number)),
            _ => Err(self
                .problem(format!(
                    "{} is no {column}: expected {least} to {most}",
                    quoted(field)
                ))
                .help("correct the number, or leave it empty if it is not known")),
        }
    }

    fn decimal(&self, column: &str, least: f32, most: f32) -> Result<Option<f32>, Problem> {
        // NaN is in no range, so it is refused like any other text.
        self.number(column, least, most)
    }

    fn problem(&self, message: String) -> Problem {
        Problem::error("bad-patch-list", self.span(), message)
    }

    fn span(&self) -> Span {
        line_span(self.text, self.record.position())
    }
}

/// A quote that is not closed on its line: RFC 4180 lets a field go on over lines, and no
/// field of a patch list does.
struct OpenQuote {
    at: usize,
    line_start: usize,
    line_end: usize,
    is_closed_later: bool,
}

impl OpenQuote {
    fn problem(&self) -> Problem {
        let message = match self.is_closed_later {
            true => "this quote is not closed on its line",
            false => "this quote is not closed",
        };
        Problem::error("bad-patch-list", Span::new(self.at, self.line_end), message).help(
            "put a quote at the end of the field; one that belongs to a name is written twice: \"\"",
        )
    }
}

/// The first quote that swallows the end of its line. Quotes mean something only where a field
/// begins with one.
fn swallowing_quote(text: &str) -> Option<OpenQuote> {
    let bytes = text.as_bytes();
    let (mut at, mut line_start, mut is_field_start) = (0, 0, true);
    while let Some(byte) = bytes.get(at) {
        match byte {
            b'"' if is_field_start => {
                let end = end_of_quoted(bytes, at + 1);
                let inside = bytes
                    .get(at..end.unwrap_or(bytes.len()))
                    .unwrap_or_default();
                let breaks = inside.iter().position(|byte| matches!(byte, b'\n' | b'\r'));
                if end.is_none() || breaks.is_some() {
                    return Some(OpenQuote {
                        at,
                        line_start,
                        line_end: at + breaks.unwrap_or(inside.len()),
                        is_closed_later: end.is_some(),
                    });
                }
                at = end.unwrap_or(bytes.len());
                is_field_start = false;
                continue;
            }
            b'\n' | b'\r' => {
                line_start = at + 1;
                is_field_start = true;
            }
            byte => is_field_start = *byte == b',',
        }
        at += 1;
    }
    None
}

/// The offset after the quote that closes a field; a doubled quote stands for itself and closes
/// nothing.
fn end_of_quoted(bytes: &[u8], mut at: usize) -> Option<usize> {
    loop {
        at += bytes.get(at..)?.iter().position(|byte| *byte == b'"')? + 1;
        if bytes.get(at) != Some(&b'"') {
            return Some(at);
        }
        at += 1;
    }
}

/// The line at a position, without its end.
fn line_span(text: &str, position: Option<&Position>) -> Span {
    let at = position.map_or(0, Position::byte);
    let mut start = usize::try_from(at).unwrap_or(text.len()).min(text.len());
    // The position of a record is where the one before it ended: blank lines may lie between.
    let blank = text
        .bytes()
        .skip(start)
        .take_while(|byte| matches!(byte, b'\n' | b'\r'))
        .count();
    start += blank;
    let len = text
        .bytes()
        .skip(start)
        .take_while(|byte| !matches!(byte, b'\n' | b'\r'))
        .count();
    Span::new(start, start + len)
}

/// The built-in list: the 128 programs of General MIDI, and its one drum set.
///
/// Banks are those of General MIDI 2 (RP-024): 79H/00H for the melodic programs (appendix A),
/// 78H/00H for the Standard drum set (appendix B). A receiver that heeds no bank says
/// `bank: None` in its manners.
#[must_use]
pub fn general_midi() -> PatchList {
    let mut patches: Vec<PatchItem> = PROGRAMS.lines().filter_map(program_line).collect();
    patches.push(gm_patch("Standard Set", "Drums", 0x78, Program::MIN));
    PatchList {
        origin: GENERAL_MIDI.into(),
        patches,
    }
}

/// One line of the table: wire value, displayed number, family, name, with tabs between.
fn program_line(line: &str) -> Option<PatchItem> {
    let mut fields = line.split('\t');
    let program = fields.next()?.parse().ok().and_then(Program::new)?;
    let (_displayed, family, name) = (fields.next()?, fields.next()?, fields.next()?);
    Some(gm_patch(name, family, 0x79, program))
}

fn gm_patch(name: &str, category: &str, bank_msb: i32, program: Program) -> PatchItem {
    PatchItem {
        name: name.into(),
        bank_msb: Some(Value7::clamped(bank_msb)),
        bank_lsb: Some(Value7::MIN),
        program,
        category: category.into(),
        trim_db: 0.0,
        voices: None,
        release_s: None,
        load_ms: None,
    }
}

/// The table of General MIDI programs.
const PROGRAMS: &str = include_str!("../../assets/gm_programs.txt");

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    const HEADER: &str =
        "name,bank_msb,bank_lsb,program,category,trim_db,voices,release_s,load_ms\n";

    fn read(lines: &str) -> ReadPatches {
        read_csv(&format!("{HEADER}{lines}"), false)
    }

    fn message(lines: &str) -> String {
        let read = read(lines);
        assert_eq!(read.problems.len(), 1, "{:?}", read.problems);
        read.problems[0].message.clone()
    }

    #[test]
    fn general_midi_has_its_128_programs_in_order() {
        // GM2 v1.2a (RP-024) appendix A, as in assets/gm_programs.txt.
        let list = general_midi();
        assert_eq!(list.patches.len(), 129);
        let numbers: Vec<u8> = list.patches[..128]
            .iter()
            .map(|patch| patch.program.get())
            .collect();
        assert_eq!(numbers, (0..128).collect::<Vec<u8>>());
        assert_eq!(list.patches[0].name, "Acoustic Grand Piano");
        assert_eq!(list.patches[127].name, "Gunshot");
        assert_eq!(list.patches[0].bank_msb.unwrap().get(), 121);
        assert_eq!(
            (
                list.patches[128].bank_msb.unwrap().get(),
                list.patches[128].program.get()
            ),
            (120, 0)
        );
    }

    #[test]
    fn quotes_and_empty_fields_as_rfc_4180() {
        let read = read("\"Piano, \"\"Soft\"\"\",64,,9,Piano,-1.5,2,0.8,20\n\nPad,,,127,,,,,\n");
        assert_eq!(read.problems, []);
        assert_eq!(read.patches[0].name, "Piano, \"Soft\"");
        assert_eq!(
            (read.patches[0].trim_db, read.patches[0].load_ms),
            (-1.5, Some(20))
        );
        assert_eq!(read.patches[0].bank_lsb, None);
        assert_eq!(
            (read.patches[1].program.get(), read.patches[1].voices),
            (127, None)
        );
    }

    #[test]
    fn programs_from_one() {
        let text = format!("{HEADER}First,,,1,,,,,\nLast,,,128,,,,,\nNone,,,0,,,,,\n");
        let read = read_csv(&text, true);
        let programs: Vec<u8> = read
            .patches
            .iter()
            .map(|patch| patch.program.get())
            .collect();
        assert_eq!(programs, [0, 127]);
        assert_eq!(read.broken, ["None"]);
    }

    #[test]
    fn each_bad_line_is_told_with_its_place() {
        assert_eq!(
            message("A,,,128,x\n"),
            "\"128\" is no program: expected 0 to 127"
        );
        assert_eq!(message("A,,,,x\n"), "the patch \"A\" has no program");
        assert_eq!(message(",,,1,x\n"), "this patch has no name");
        assert_eq!(
            message("A,,,1,x,NaN\n"),
            "\"NaN\" is no trim_db: expected -60 to 24"
        );
        assert_eq!(
            message("A,,,1,x,0,1,1,1,1\n"),
            "this line has 10 fields, the first line has 9"
        );
        assert_eq!(
            message("A,,,1,x\nA,,,2,x\n"),
            "the patch \"A\" is given twice, first on line 2"
        );
        let read = read("Fine,,,1,x\n\nBad,,,999,x\n");
        let span = read.problems[0].span.unwrap();
        assert_eq!(
            &format!("{HEADER}Fine,,,1,x\n\nBad,,,999,x\n")[span.start..span.end],
            "Bad,,,999,x"
        );
    }

    #[test]
    fn a_wrong_first_line_makes_the_file_unreadable() {
        let read = read_csv("name,bank,program\nA,1,2\n", false);
        assert!(read.is_unreadable && read.patches.is_empty());
        assert_eq!(read.problems.len(), 2, "{:?}", read.problems);
    }
}
