//! Dotted paths in the text of a sheet, whose comments and order stay.

use toml_edit::{DocumentMut, InlineTable, Item, Table, TableLike, Value};

/// `probe.offset_mm[2]` as path and element, `tool[0]` as name and index.
pub(crate) fn element_of(place: &str) -> (&str, Option<usize>) {
    let split = place.strip_suffix(']').and_then(|rest| rest.rsplit_once('['));
    match split.and_then(|(path, element)| Some((path, element.parse().ok()?))) {
        Some((path, element)) => (path, Some(element)),
        None => (place, None),
    }
}

/// A table of the sheet, in either form.
pub(crate) enum Place<'d> {
    Standard(&'d mut Table),
    Inline(&'d mut InlineTable),
}

impl Place<'_> {
    pub(crate) fn table(&mut self) -> &mut dyn TableLike {
        match self {
            Self::Standard(table) => *table,
            Self::Inline(table) => *table,
        }
    }

    /// Sets the blanks of an inline table right after a change of its keys, unless it holds comments.
    pub(crate) fn tidy(&mut self) {
        if let Self::Inline(table) = self
            && !table.to_string().contains('#')
        {
            let decor = table.decor().clone();
            table.fmt();
            *table.decor_mut() = decor;
        }
    }
}

/// The table at a path, if it is there.
pub(crate) fn table_at<'d>(sheet: &'d DocumentMut, path: &str) -> Option<&'d dyn TableLike> {
    let mut table: &dyn TableLike = sheet.as_table();
    for part in path.split('.') {
        table = match element_of(part) {
            (name, None) => table.get(name)?.as_table_like()?,
            (name, Some(index)) => match table.get(name)? {
                Item::ArrayOfTables(tables) => tables.get(index)?,
                Item::Value(Value::Array(tables)) => tables.get(index)?.as_inline_table()?,
                _ => return None,
            },
        };
    }
    Some(table)
}

/// The table at a path; tables on the way are made, lists of tables are not.
pub(crate) fn place_at<'d>(sheet: &'d mut DocumentMut, path: &str) -> Option<Place<'d>> {
    let mut place = Place::Standard(sheet.as_table_mut());
    for (depth, part) in path.split('.').enumerate() {
        let (name, index) = element_of(part);
        if index.is_none() {
            make_table(&mut place, name, depth == 0);
        }
        let item = match place {
            Place::Standard(table) => table.get_mut(name)?,
            Place::Inline(table) => {
                // Inside an inline table there are only values.
                place = Place::Inline(step_into(table.get_mut(name)?, index)?);
                continue;
            }
        };
        place = match (item, index) {
            (Item::Table(table), None) => Place::Standard(table),
            (Item::ArrayOfTables(tables), Some(index)) => Place::Standard(tables.get_mut(index)?),
            (Item::Value(value), index) => Place::Inline(step_into(value, index)?),
            _ => return None,
        };
    }
    Some(place)
}

fn step_into(value: &mut Value, index: Option<usize>) -> Option<&mut InlineTable> {
    match index {
        None => value.as_inline_table_mut(),
        Some(index) => value.as_array_mut()?.get_mut(index)?.as_inline_table_mut(),
    }
}

fn make_table(place: &mut Place<'_>, name: &str, at_top: bool) {
    if place.table().contains_key(name) {
        return;
    }
    let item = if at_top { Item::Table(Table::new()) } else { Item::Value(Value::InlineTable(InlineTable::new())) };
    place.table().insert(name, item);
    place.tidy();
}
