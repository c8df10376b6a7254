//! The licences of what is linked into the program are kept, and none is forgotten.

use std::collections::BTreeSet;
use std::fs;
use std::process::Command;

/// Names and versions of all that is linked into the program: no macros, nothing of tests or of the build.
fn linked() -> BTreeSet<String> {
    // Not the metadata: there, features that only tests want count too.
    let tree = Command::new(env!("CARGO"))
        .args([
            "tree",
            "--locked",
            "--offline",
            "--edges",
            "normal,no-proc-macro",
            "--prefix",
            "none",
            "--format",
            "{p}",
        ])
        .output()
        .expect("cargo is there: it runs this test");
    assert!(tree.status.success(), "{}", String::from_utf8_lossy(&tree.stderr));
    let packages = String::from_utf8_lossy(&tree.stdout).into_owned();
    // `name v1.2.3`, the package itself first.
    packages
        .lines()
        .skip(1)
        .filter_map(|line| line.split_once(" v"))
        .map(|(name, version)| {
            let version = version.split(' ').next().unwrap_or_default();
            format!("{name} {version}")
        })
        .collect()
}

#[test]
fn every_linked_package_is_in_the_notices() {
    let notices = fs::read_to_string(".ci/NOTICES.md").expect("the notices");
    let named: BTreeSet<&str> = notices.lines().filter_map(|line| line.strip_prefix("- ")).collect();
    let linked = linked();
    assert!(linked.len() > 50 && linked.iter().any(|package| package.starts_with("blake3 ")), "{linked:?}");
    let forgotten: Vec<_> = linked.iter().filter(|package| !named.contains(package.as_str())).collect();
    assert!(forgotten.is_empty(), "write the notices anew with .ci/notices: {forgotten:?}");
    let chart = fs::read_to_string("src/show/page/kept/uPlot.LICENSE").expect("kept beside the library");
    assert!(notices.contains(chart.trim()), "the licence of the chart library is missing");
}
