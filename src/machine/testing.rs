//! Machines that tests share.

use super::Machine;

/// Sheet of an invented machine that starts from rest at every corner, so that closed forms hold.
const SHEET: &str = r#"
name = "Bench (invented)"
[travel]
x = [0, 300]
y = [0, 300]
z = [0, 300]
[motion]
feed_rate_limit_mm_s = { x = 1e9, y = 1e9, z = 1e9, e = 1e9 }
acceleration_limit_mm_s2 = { x = 1e9, y = 1e9, z = 1e9, e = 1e9 }
acceleration_mm_s2 = { printing = 1000, travel = 1000, retraction = 1000 }
corner = { jerk_mm_s = { x = 0, y = 0, z = 0, e = 0 } }
[[tool]]
filament_diameter_mm = 1.75
"#;

/// The machine of that sheet.
pub(crate) fn bench() -> Machine {
    Machine::parse("bench.toml", SHEET).expect("the sheet above is valid")
}

/// The machine with one piece of its sheet replaced.
pub(crate) fn bench_with(from: &str, to: &str) -> Machine {
    assert!(SHEET.contains(from), "{from}");
    Machine::parse("bench.toml", &SHEET.replace(from, to)).unwrap_or_else(|faults| panic!("{faults}"))
}

/// The bench with more in the table of its tool.
pub(crate) fn bench_with_in_tool(more: &str) -> Machine {
    Machine::parse("bench.toml", &format!("{SHEET}{more}\n")).unwrap_or_else(|faults| panic!("{faults}"))
}

/// A machine of the corpus.
pub(crate) fn of_corpus(name: &str) -> Machine {
    let path = format!("{}/corpus/machines/{name}.toml", env!("CARGO_MANIFEST_DIR"));
    Machine::load(path.as_ref()).expect("a corpus sheet is valid")
}
