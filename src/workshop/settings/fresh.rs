//! Settings → a new sheet: what the text gives, and every required key that it does not give, to be filled in.

use super::merge::lacking;
use super::{Fate, Row, Settings};
use crate::machine::keys::{self, Key, Kind, Preset, TOOLS_MAX};

/// A new sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Fresh {
    /// Text of the sheet. Without what is missing it has faults that say so.
    pub text: String,
    /// The rows of the settings, with what became of each.
    pub rows: Vec<Row>,
    /// Paths of the required keys that are there as comments, to be filled in.
    pub missing: Vec<String>,
}

const HEAD: &str = "\
# A machine sheet from settings that the machine printed. Only as good as they are: check every value against the maker's
# documents before you trust a verdict, and before you heat or move anything.
# Lines that start with `# fill in:` say what is still missing, those with `# not checked without it:` what a verdict does
# not cover until they are filled in too. `gonogo sheet schema` has all other keys.
";

/// Keys without which a grave check cannot run; no settings give them.
const COVERING: [&str; 5] = [
    "tool[].temperature_c.limit",
    "tool[].temperature_c.extrude_min",
    "tool[].melt_rate_mm3_s.sustained",
    "tool[].melt_rate_mm3_s.peak",
    "bed.temperature_limit_c",
];

/// Makes a new sheet of what the settings give.
pub fn fresh(settings: &Settings) -> Fresh {
    let mut rows = settings.rows.clone();
    // Half a list of numbers can be neither written nor left to be filled in.
    let lacking = lacking("probe", |place| settings.row(place).is_some());
    for row in rows.iter_mut().filter(|row| row.fate == Fate::Read) {
        let is_probe = row.key.as_deref().is_some_and(|place| place.starts_with("probe."));
        (row.fate, row.note) = match is_probe && !lacking.is_empty() {
            true => (Fate::NotKept, format!("a new [probe] also takes {}", lacking.join(", "))),
            false => (Fate::New, std::mem::take(&mut row.note)),
        };
    }
    let tools = 1 + settings.values().iter().filter_map(|(place, _)| tool_number(place)).max().unwrap_or(0);
    let mut writer = Writer { rows: &rows, tools: tools.min(TOOLS_MAX), text: HEAD.to_owned(), missing: Vec::new() };
    writer.table("", "", true);
    if let (false, Some(key)) = (writer.is_given("bed"), keys::find("bed.temperature_limit_c")) {
        writer.text.push_str(&format!("\n# [bed]\n{}", not_covered(key, key.name())));
    }
    let Writer { text, missing, .. } = writer;
    Fresh { text, rows, missing }
}

fn tool_number(place: &str) -> Option<usize> {
    place.strip_prefix("tool[")?.split_once(']')?.0.parse().ok()
}

struct Writer<'r> {
    rows: &'r [Row],
    tools: usize,
    text: String,
    missing: Vec<String>,
}

impl Writer<'_> {
    fn row(&self, place: &str) -> Option<&Row> {
        self.rows.iter().find(|row| row.fate == Fate::New && row.key.as_deref() == Some(place))
    }

    /// True when something inside a table was read.
    fn is_given(&self, path: &str) -> bool {
        let inside = |row: &Row| {
            let rest = row.key.as_deref().and_then(|place| place.strip_prefix(path));
            rest.is_some_and(|rest| rest.starts_with('.'))
        };
        self.rows.iter().any(|row| row.fate == Fate::New && inside(row))
    }

    /// Writes a table: `template` is its path in the list of keys, `path` its path with indices.
    fn table(&mut self, template: &str, path: &str, first: bool) {
        let (tables, plain): (Vec<&Key>, Vec<&Key>) = keys::children(template).partition(|key| key.is_table());
        let mut body = String::new();
        for key in plain {
            let place = if path.is_empty() { key.path.to_owned() } else { format!("{path}.{}", key.name()) };
            let required = key.preset == Preset::Required || key.preset == Preset::RequiredInFirst && first;
            match self.value(key, &place) {
                Some(line) => body.push_str(&line),
                None if required => body.push_str(&self.fill_in(key, place)),
                None => {}
            }
        }
        if template == "motion.corner" && !self.is_given(path) {
            let rule = keys::find(template).map(Key::sentence).unwrap_or_default();
            body.push_str(&format!(
                "# fill in: {rule}\n# jerk_mm_s = {{ x = , y = , z = , e = }}\n# junction_deviation_mm = \n"
            ));
            self.missing.push(path.to_owned());
        }
        let is_list = template.ends_with("[]");
        if !path.is_empty() && (!body.is_empty() || is_list) {
            let name = template.replace("[]", "");
            self.text.push_str(&if is_list { format!("\n[[{name}]]\n") } else { format!("\n[{name}]\n") });
        }
        self.text.push_str(&body);
        self.covering(template);
        for key in tables {
            self.sub_table(key, path);
        }
    }

    fn sub_table(&mut self, key: &Key, path: &str) {
        let name = key.name();
        let path = if path.is_empty() { name.to_owned() } else { format!("{path}.{name}") };
        match key.kind {
            Kind::Tables { min, .. } if min > 0 => {
                for number in 0..self.tools {
                    self.table(key.path, &format!("{path}[{number}]"), number == 0);
                }
            }
            Kind::Tables { .. } | Kind::Checks => {}
            _ if key.preset == Preset::Required || self.is_given(&path) => self.table(key.path, &path, true),
            _ => {}
        }
    }

    /// `key = value  # from where`.
    fn value(&self, key: &Key, place: &str) -> Option<String> {
        let from = |row: &Row| format!("{}, line {}", row.text, row.line);
        if let Kind::Point { size, .. } = key.kind {
            let elements: Vec<Option<&Row>> =
                (0..size).map(|element| self.row(&format!("{place}[{element}]"))).collect();
            let origin = elements.iter().flatten().map(|row| from(row)).reduce(|all, one| format!("{all}; {one}"))?;
            let numbers: Vec<f64> = elements.iter().map(|row| row.and_then(|row| row.value).unwrap_or(0.0)).collect();
            return Some(format!("{} = {numbers:?} # {origin}\n", key.name()));
        }
        let row = self.row(place)?;
        let value = match key.kind {
            Kind::Integer { .. } => format!("{:.0}", row.value?),
            _ => format!("{:?}", row.value?),
        };
        Some(format!("{} = {value} # {}\n", key.name(), from(row)))
    }

    /// Writes as comments what a verdict does not cover without; dotted, so that each line can be filled in alone.
    fn covering(&mut self, template: &str) {
        let inside = |path: &str| path.strip_prefix(template).is_some_and(|rest| rest.starts_with('.'));
        let keys = COVERING.iter().filter(|path| template.ends_with("[]") && inside(path));
        for key in keys.filter_map(|path| keys::find(path)) {
            let name = &key.path[template.len() + 1..];
            self.text.push_str(&not_covered(key, name));
        }
    }

    fn fill_in(&mut self, key: &Key, place: String) -> String {
        self.missing.push(place);
        format!("# fill in: {} For example {}\n# {} = \n", key.sentence(), key.example, key.name())
    }
}

fn not_covered(key: &Key, name: &str) -> String {
    format!("# not checked without it: {} For example {}\n# {name} = \n", key.sentence(), key.example)
}
