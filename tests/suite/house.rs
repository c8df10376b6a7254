//! The structure that the project holds itself to, read from its own sources.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// Most modules at the top.
const ROOMS_MAX: usize = 20;
/// Files that only tests use.
const FOR_TESTS: [&str; 3] = ["tests.rs", "testing.rs", "sample.rs"];

fn sources() -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open = vec![Path::new(env!("CARGO_MANIFEST_DIR")).join("src")];
    while let Some(directory) = open.pop() {
        for entry in fs::read_dir(directory).expect("lists") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                open.push(path);
            } else if path.extension().is_some_and(|end| end == "rs") {
                found.push(path);
            }
        }
    }
    found
}

fn room(path: &Path) -> String {
    let inside = path.strip_prefix(Path::new(env!("CARGO_MANIFEST_DIR")).join("src")).expect("a source");
    let first = inside.components().next().expect("a name").as_os_str().to_string_lossy().into_owned();
    first.trim_end_matches(".rs").to_owned()
}

/// The code of a file without comments and without the tests at its end; none for files that only tests use.
fn code(path: &Path) -> Option<String> {
    let name = path.file_name().expect("a name").to_string_lossy();
    if FOR_TESTS.contains(&&*name) {
        return None;
    }
    let text = fs::read_to_string(path).expect("reads");
    let own = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or_default();
    Some(own.lines().filter(|line| !line.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n"))
}

/// Every top-level module that a piece of code names behind `crate::`, single or first in braces.
fn named(code: &str) -> BTreeSet<String> {
    let word = |text: &str| text.chars().take_while(|c| c.is_ascii_lowercase() || *c == '_').collect::<String>();
    let mut names = BTreeSet::new();
    for rest in code.split("crate::").skip(1) {
        match rest.strip_prefix('{') {
            Some(list) => {
                names.extend(list.split('}').next().unwrap_or_default().split(',').map(|one| word(one.trim())))
            }
            None => {
                names.insert(word(rest));
            }
        }
    }
    names
}

fn rooms() -> BTreeMap<String, BTreeSet<String>> {
    let mut rooms: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for path in sources() {
        let (own, Some(code)) = (room(&path), code(&path)) else { continue };
        if !["lib", "main"].contains(&&*own) {
            rooms.entry(own).or_default().extend(named(&code));
        }
    }
    let known: BTreeSet<String> = rooms.keys().cloned().collect();
    for (own, names) in &mut rooms {
        names.retain(|name| name != own && known.contains(name));
    }
    rooms
}

#[test]
fn no_room_is_reached_from_below() {
    let mut rooms = rooms();
    assert!((15..=ROOMS_MAX).contains(&rooms.len()), "{:?}", rooms.keys());
    assert!(rooms["checks"].contains("findings") && rooms["cli"].len() > 8, "the reading of `use` lines works");
    // Takes away what imports nothing that is left; a circle stays.
    while let Some(free) = rooms.iter().find(|(_, names)| names.is_empty()).map(|(own, _)| own.clone()) {
        rooms.remove(&free);
        rooms.values_mut().for_each(|names| {
            names.remove(&free);
        });
    }
    assert!(rooms.is_empty(), "these lie in circles, or above one: {rooms:#?}");
}

#[test]
fn the_reading_of_use_lines_finds_a_circle() {
    let names =
        named("use crate::block::{Block, Column};\nuse crate::{machine, modal::Event};\nlet a = crate::text::x();");
    assert_eq!(names.into_iter().collect::<Vec<_>>(), ["block", "machine", "modal", "text"]);
}

#[test]
fn checks_alone_weigh_and_word_what_they_find() {
    for path in sources() {
        let (own, Some(code)) = (room(&path), code(&path)) else { continue };
        let shown = path.display();
        if !["checks", "findings"].contains(&&*own) {
            assert!(!code.contains("log.raise("), "{shown} raises a finding");
        }
        if ["text", "block", "modal", "motion", "physics"].contains(&&*own) {
            assert!(!code.contains("Severity"), "{shown} weighs");
        }
    }
    for check in gonogo::checks::CATALOGUE {
        let name = check.id.replace('-', "_") + ".rs";
        let code = code(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src/checks").join(name)).expect("a file");
        let judges =
            ["fn judge(", "impl Observer for", "fn build(", "log.raise("].iter().any(|part| code.contains(part));
        assert!(judges, "{} judges elsewhere", check.id);
    }
}
