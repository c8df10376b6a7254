//! Faults of a machine sheet: where, what, and what to do about it.

use std::fmt;
use std::io;
use std::ops::Range;
use std::path::PathBuf;

use annotate_snippets::{AnnotationKind, Group, Level, Origin, Renderer, Snippet};

use crate::wording::safe;

/// Most faults kept of one sheet; the rest is counted.
pub const FAULTS_MAX: usize = 100;
/// Longest line shown whole, bytes.
const LINE_SHOWN: usize = 400;

/// One fault of a sheet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// Bytes of the sheet's text it is about.
    pub span: Range<usize>,
    /// What is wrong.
    pub message: String,
    /// What to do about it.
    pub suggestion: Option<String>,
}

/// All faults of one sheet, by position.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SheetFaults {
    /// Path of the sheet as given.
    pub source: String,
    /// Text of the sheet; bytes that are no UTF-8 replaced.
    pub text: String,
    /// The first faults, at least one and at most [`FAULTS_MAX`].
    pub faults: Vec<Fault>,
    /// How many more there were.
    pub more: usize,
}

/// Why there is no machine.
#[derive(Debug, thiserror::Error)]
pub enum SheetError {
    /// The file could not be read.
    #[error("cannot read the machine sheet {} ({named_by})", .path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// Who named it, such as `named by --machine`.
        named_by: &'static str,
        /// Why not.
        source: io::Error,
    },
    /// The sheet was read and has faults.
    #[error(transparent)]
    Faults(#[from] SheetFaults),
}

impl SheetError {
    /// The full text, with or without colour.
    pub fn render(&self, color: bool) -> String {
        match self {
            Self::Read { source, .. } => format!("{self}: {source}"),
            Self::Faults(faults) => render_faults(faults, color),
        }
    }
}

impl std::error::Error for SheetFaults {}

/// All faults without colour, each with the line it points into.
impl fmt::Display for SheetFaults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&render_faults(self, false))
    }
}

/// All faults as text, each with the line it points into and the way out; ends without a newline.
pub fn render_faults(faults: &SheetFaults, color: bool) -> String {
    let renderer = if color { Renderer::styled() } else { Renderer::plain() };
    let mut parts: Vec<String> = faults.faults.iter().map(|fault| render_one(&renderer, faults, fault)).collect();
    let total = faults.faults.len() + faults.more;
    let noun = if total == 1 { "fault" } else { "faults" };
    let source = safe(&faults.source);
    parts.push(match faults.more {
        0 => format!("{source}: {total} {noun}; nothing was judged"),
        _ => format!("{source}: {total} {noun}, the first {} shown; nothing was judged", faults.faults.len()),
    });
    parts.join("\n\n")
}

fn render_one(renderer: &Renderer, sheet: &SheetFaults, fault: &Fault) -> String {
    let excerpt = excerpt(&sheet.text, &fault.span);
    let source = safe(&sheet.source);
    let mark = AnnotationKind::Primary.span(excerpt.marked);
    let snippet = Snippet::source(excerpt.text).line_start(fault.line).fold(false).annotation(mark);
    let title = Group::with_title(Level::ERROR.primary_title(safe(&fault.message)));
    let mut group = match excerpt.from_start {
        true => title.element(snippet.path(source)),
        // The renderer would count columns from where the line was cut.
        false => title.element(Origin::path(source).line(fault.line).char_column(fault.column)).element(snippet),
    };
    if let Some(suggestion) = &fault.suggestion {
        group = group.element(Level::HELP.message(safe(suggestion)));
    }
    renderer.render(&[group])
}

/// The line a fault starts on, cut around the fault where it is long.
struct Excerpt {
    text: String,
    marked: Range<usize>,
    from_start: bool,
}

fn excerpt(text: &str, span: &Range<usize>) -> Excerpt {
    let at = floor_boundary(text, span.start);
    let line_start = text[..at].rfind('\n').map_or(0, |newline| newline + 1);
    let line_end = text[at..].find('\n').map_or(text.len(), |newline| at + newline);
    let start = floor_boundary(text, line_start.max(at.saturating_sub(LINE_SHOWN / 2)));
    let end = floor_boundary(text, line_end.min(start + LINE_SHOWN)).max(at);
    let marked_end = floor_boundary(text, span.end).clamp(at, end);
    let shown = |part: &str| safe(&part.replace('\t', " ")).into_owned();
    let before = shown(text[start..at].trim_start_matches('\u{feff}'));
    let marked = shown(&text[at..marked_end]);
    let after = shown(text[marked_end..end].trim_end());
    let range = before.len()..before.len() + marked.len();
    Excerpt { text: before + &marked + &after, marked: range, from_start: start == line_start }
}

/// The nearest character boundary at or before `at`.
fn floor_boundary(text: &str, at: usize) -> usize {
    text.floor_char_boundary(at.min(text.len()))
}

/// Line and column of byte offsets.
pub(crate) struct LineIndex<'a> {
    text: &'a str,
    starts: Vec<usize>,
}

impl<'a> LineIndex<'a> {
    pub(crate) fn new(text: &'a str) -> Self {
        let newlines = memchr::memchr_iter(b'\n', text.as_bytes()).map(|at| at + 1);
        Self { text, starts: std::iter::once(0).chain(newlines).collect() }
    }

    /// Line of a byte offset, from 1.
    pub(super) fn line(&self, at: usize) -> usize {
        self.starts.partition_point(|start| *start <= at)
    }

    /// Line and column in characters, both from 1; a byte-order mark has no column.
    pub(super) fn position(&self, at: usize) -> (usize, usize) {
        let at = floor_boundary(self.text, at);
        let line = self.line(at);
        let before = &self.text[self.starts[line - 1]..at];
        (line, before.strip_prefix('\u{feff}').unwrap_or(before).chars().count() + 1)
    }

    /// Bytes of a line (from 1), its newline included.
    pub(super) fn span(&self, line: usize) -> Range<usize> {
        let end = self.starts.get(line).copied().unwrap_or(self.text.len());
        self.starts.get(line - 1).copied().unwrap_or(end)..end
    }

    /// Number of lines.
    pub(super) fn len(&self) -> usize {
        self.starts.len()
    }

    pub(super) fn fault(&self, span: Range<usize>, message: String, suggestion: Option<String>) -> Fault {
        let (line, column) = self.position(span.start);
        Fault { line, column, span, message, suggestion }
    }
}
