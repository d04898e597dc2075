//! What the program is made of: every dependency's licence is on a list, no library stands in the
//! program in two major versions without a reason, and README states the size of the tree.
//!
//! `cargo metadata` names the packages; licences are SPDX expressions, read by the `spdx` crate.
//! Checked for the platform the test runs on: packages of other platforms need not be there.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::process::Command;

use serde_json::Value;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn cargo(args: &[&str]) -> String {
    let out = Command::new(env!("CARGO")).current_dir(root()).args(args).output().unwrap();
    assert!(out.status.success(), "cargo {args:?}: {}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).unwrap()
}

fn host() -> String {
    let text = Command::new("rustc").arg("-vV").output().expect("rustc is on PATH").stdout;
    let text = String::from_utf8(text).unwrap();
    text.lines().find_map(|l| l.strip_prefix("host: ")).unwrap().to_owned()
}

/// The lines of a list beside this file, without its comments.
fn list(name: &str) -> Vec<String> {
    let path = root().join("tests/supply").join(name);
    let text = std::fs::read_to_string(&path).unwrap();
    let lines = text.lines().map(|l| l.split('#').next().unwrap().trim());
    lines.filter(|l| !l.is_empty()).map(str::to_owned).collect()
}

#[test]
fn every_dependency_comes_under_a_licence_of_the_list() {
    let allowed: Vec<spdx::Licensee> =
        list("allowed-licences.txt").iter().map(|l| spdx::Licensee::parse(l).unwrap()).collect();
    let metadata =
        cargo(&["metadata", "--format-version=1", "--locked", "--filter-platform", &host()]);
    let metadata: Value = serde_json::from_str(&metadata).unwrap();
    let used: BTreeSet<&str> = metadata["resolve"]["nodes"]
        .as_array()
        .unwrap()
        .iter()
        .map(|n| n["id"].as_str().unwrap())
        .collect();
    let mut wrong = Vec::new();
    let mut seen = 0;
    for p in metadata["packages"].as_array().unwrap() {
        if !used.contains(p["id"].as_str().unwrap()) {
            continue;
        }
        seen += 1;
        let name = format!("{} {}", p["name"].as_str().unwrap(), p["version"].as_str().unwrap());
        let Some(licence) = p["license"].as_str() else {
            wrong.push(format!("{name}: names no licence"));
            continue;
        };
        // Old packages write `MIT/Apache-2.0`.
        match spdx::Expression::parse_mode(licence, spdx::ParseMode::LAX) {
            Ok(e) if e.evaluate(|r| allowed.iter().any(|a| a.satisfies(r))) => {}
            Ok(_) => wrong.push(format!("{name}: {licence}")),
            Err(e) => wrong.push(format!("{name}: {licence}: {e}")),
        }
    }
    assert!(seen > 50, "only {seen} packages were seen");
    assert!(wrong.is_empty(), "not on tests/supply/allowed-licences.txt:\n{}", wrong.join("\n"));
}

/// The packages of the program itself: no tests, no build scripts' own.
fn tree() -> BTreeSet<(String, String)> {
    let text = cargo(&[
        "tree",
        "--locked",
        "--edges",
        "normal",
        "--prefix",
        "none",
        "--format",
        "{p}",
        "--target",
        &host(),
    ]);
    text.lines()
        .filter_map(|l| {
            let mut words = l.split(' ');
            Some((words.next()?.to_owned(), words.next()?.trim_start_matches('v').to_owned()))
        })
        .collect()
}

/// What counts as one major version under semantic versioning (semver.org 2.0.0, items 4 and 8):
/// the first number that is not 0.
fn major(version: &str) -> String {
    let parts: Vec<&str> = version.split('.').collect();
    match (parts[0], parts.get(1)) {
        ("0", Some(&"0")) => version.to_owned(),
        ("0", Some(minor)) => format!("0.{minor}"),
        (major, _) => major.to_owned(),
    }
}

#[test]
fn a_library_stands_in_two_major_versions_only_where_the_list_says_why() {
    let mut versions: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for (name, version) in tree() {
        versions.entry(name).or_default().insert(major(&version));
    }
    let twice: BTreeSet<String> =
        versions.into_iter().filter(|(_, v)| v.len() > 1).map(|(n, _)| n).collect();
    let listed: BTreeSet<String> = list("twice.txt").into_iter().collect();
    let new: Vec<_> = twice.difference(&listed).collect();
    assert!(new.is_empty(), "say in tests/supply/twice.txt why, or avoid it: {new:?}");
    let gone: Vec<_> = listed.difference(&twice).collect();
    assert!(gone.is_empty(), "stand once by now, take them off tests/supply/twice.txt: {gone:?}");
}

#[test]
fn the_readme_states_the_size_of_the_tree() {
    let names: BTreeSet<String> = tree().into_iter().map(|(n, _)| n).collect();
    let others = names.len() - 1;
    let readme = std::fs::read_to_string(root().join("README.md")).unwrap();
    let right = format!("{others} packages");
    assert!(readme.contains(&right), "README.md should say that cotside is built from {right}");
}
