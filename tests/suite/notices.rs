//! The licences of what is linked into the program are kept, and none is forgotten.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::process::Command;

use serde_json::Value;

/// What cargo knows of the packages for this system.
fn metadata() -> Value {
    let compiler = Command::new("rustc").arg("-vV").output().expect("rustc runs");
    let compiler = String::from_utf8(compiler.stdout).expect("UTF-8");
    let host = compiler.lines().find_map(|line| line.strip_prefix("host: ")).expect("the host");
    // Packages for other systems need not be there.
    let metadata = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--offline", "--filter-platform", host])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .expect("cargo runs");
    serde_json::from_slice(&metadata.stdout).expect("cargo answers in JSON")
}

fn list<'v>(value: &'v Value, key: &str) -> &'v [Value] {
    value[key].as_array().map(Vec::as_slice).unwrap_or_default()
}

fn text<'v>(value: &'v Value, key: &str) -> &'v str {
    value[key].as_str().unwrap_or_default()
}

/// Names and versions of all that is linked into the program: no macros, nothing of tests or of the build.
fn linked(metadata: &Value) -> BTreeSet<String> {
    let packages: BTreeMap<&str, &Value> =
        list(metadata, "packages").iter().map(|package| (text(package, "id"), package)).collect();
    let nodes: BTreeMap<&str, &Value> =
        list(&metadata["resolve"], "nodes").iter().map(|node| (text(node, "id"), node)).collect();
    let is_macro = |id: &str| {
        let targets = list(packages[id], "targets");
        targets.iter().any(|target| list(target, "kind").iter().any(|kind| kind == "proc-macro"))
    };
    let root = text(&metadata["resolve"], "root");
    let (mut open, mut seen) = (vec![root], BTreeSet::from([root]));
    while let Some(id) = open.pop() {
        for dep in list(nodes[id], "deps") {
            let pkg = text(dep, "pkg");
            let is_normal = list(dep, "dep_kinds").iter().any(|kind| kind["kind"].is_null());
            if is_normal && !is_macro(pkg) && seen.insert(pkg) {
                open.push(pkg);
            }
        }
    }
    seen.remove(root);
    seen.into_iter().map(|id| format!("{} {}", text(packages[id], "name"), text(packages[id], "version"))).collect()
}

#[test]
fn every_linked_package_is_in_the_notices() {
    let notices = fs::read_to_string(".ci/NOTICES.md").expect("the notices");
    let named: BTreeSet<&str> = notices.lines().filter_map(|line| line.strip_prefix("- ")).collect();
    let linked = linked(&metadata());
    assert!(linked.len() > 50 && linked.iter().any(|package| package.starts_with("blake3 ")), "{linked:?}");
    let forgotten: Vec<_> = linked.iter().filter(|package| !named.contains(package.as_str())).collect();
    assert!(forgotten.is_empty(), "write the notices anew with .ci/notices: {forgotten:?}");
    let chart = fs::read_to_string("src/show/page/kept/uPlot.LICENSE").expect("kept beside the library");
    assert!(notices.contains(chart.trim()), "the licence of the chart library is missing");
}
