//! The rules of the house that the compiler does not hold: which crate may
//! know which, where `anyhow` may be used, and that no crate allows `unsafe`.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What each crate may use of the others, nearest the text and the physics first.
/// A crate that is new finds its place here.
const ARROWS: [(&str, &[&str]); 10] = [
    ("netlist", &[]),
    // A drawing knows the print alone; what is laid over it are plain facts that its caller brings.
    ("draw", &["netlist"]),
    ("parts", &[]),
    ("circuit", &["netlist", "parts"]),
    ("reason", &["netlist", "parts", "circuit"]),
    ("exercise", &["netlist", "parts", "circuit", "reason"]),
    (
        "report",
        &["netlist", "draw", "parts", "circuit", "reason", "exercise"],
    ),
    (
        "deadstage",
        &[
            "netlist", "draw", "parts", "circuit", "reason", "exercise", "report",
        ],
    ),
    (
        "page",
        &[
            "netlist",
            "draw",
            "parts",
            "circuit",
            "reason",
            "exercise",
            "report",
            "deadstage",
        ],
    ),
    (
        "cli",
        &[
            "netlist",
            "draw",
            "parts",
            "circuit",
            "reason",
            "exercise",
            "report",
            "deadstage",
            "page",
        ],
    ),
];

/// Programs: the only crates that may answer with untyped errors.
const PROGRAMS: [&str; 1] = ["cli"];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn text(path: &Path) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn manifest(folder: &Path) -> toml::Table {
    let path = folder.join("Cargo.toml");
    text(&path)
        .parse()
        .unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// The folders of `crates/` by name.
fn crates() -> BTreeMap<String, PathBuf> {
    let folder = root().join("crates");
    let entries =
        std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let found: BTreeMap<String, PathBuf> = entries
        .flatten()
        .filter(|entry| entry.path().join("Cargo.toml").is_file())
        .map(|entry| {
            (
                entry.file_name().to_string_lossy().into_owned(),
                entry.path(),
            )
        })
        .collect();
    assert!(found.len() >= 7, "{found:?}");
    found
}

/// Every table of dependencies of a manifest, those of targets too: table name, dependency, its entry.
fn dependencies(manifest: &toml::Table) -> Vec<(String, String, toml::Value)> {
    let mut found = Vec::new();
    let mut take = |table: &toml::Table| {
        for name in ["dependencies", "dev-dependencies", "build-dependencies"] {
            if let Some(list) = table.get(name).and_then(toml::Value::as_table) {
                for (dependency, entry) in list {
                    found.push((name.to_owned(), dependency.clone(), entry.clone()));
                }
            }
        }
    };
    take(manifest);
    if let Some(targets) = manifest.get("target").and_then(toml::Value::as_table) {
        for target in targets.values().filter_map(toml::Value::as_table) {
            take(target);
        }
    }
    found
}

/// Every Rust file below a folder.
fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let Ok(entries) = std::fs::read_dir(folder) else {
        return found;
    };
    for path in entries.flatten().map(|entry| entry.path()) {
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|end| end == "rs") {
            found.push(path);
        }
    }
    found
}

#[test]
fn no_arrow_runs_back() {
    let mut wrong = Vec::new();
    for (name, folder) in crates() {
        let Some((_, allowed)) = ARROWS.iter().find(|(known, _)| *known == name) else {
            wrong.push(format!("{name} has no place among the crates"));
            continue;
        };
        for (table, dependency, _) in dependencies(&manifest(&folder)) {
            let own = match dependency.strip_prefix("deadstage-") {
                Some(rest) => rest,
                None if dependency == "deadstage" => "deadstage",
                None => continue,
            };
            if !allowed.contains(&own) {
                wrong.push(format!("{name} uses {own} ({table})"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_arrows_have_no_ring() {
    for (index, (name, allowed)) in ARROWS.iter().enumerate() {
        for other in *allowed {
            let below = ARROWS.iter().position(|(known, _)| known == other);
            assert!(
                below.is_some_and(|below| below < index),
                "{name} uses {other}, which does not stand below it"
            );
        }
    }
}

#[test]
fn untyped_errors_stay_in_programs() {
    let mut wrong = Vec::new();
    for (name, folder) in crates() {
        if PROGRAMS.contains(&name.as_str()) {
            continue;
        }
        for (table, dependency, _) in dependencies(&manifest(&folder)) {
            if dependency == "anyhow" {
                wrong.push(format!("{name} ({table})"));
            }
        }
        for file in sources(&folder) {
            if text(&file).contains("anyhow::") {
                wrong.push(file.display().to_string());
            }
        }
    }
    assert!(wrong.is_empty(), "anyhow in {}", wrong.join(", "));
}

#[test]
fn no_crate_allows_unsafe_code() {
    let mut roots = vec![root().join("tests/lib.rs")];
    for (name, folder) in crates() {
        let own: Vec<PathBuf> = ["src/lib.rs", "src/main.rs"]
            .iter()
            .map(|file| folder.join(file))
            .filter(|file| file.is_file())
            .collect();
        assert!(!own.is_empty(), "{name} has no root");
        roots.extend(own);
    }
    for file in roots {
        assert!(
            text(&file)
                .lines()
                .any(|line| line.trim() == "#![forbid(unsafe_code)]"),
            "{}",
            file.display()
        );
    }
}

#[test]
fn lints_and_versions_are_those_of_the_workspace() {
    let mut folders = crates();
    folders.insert("tests".to_owned(), root().join("tests"));
    for (name, folder) in folders {
        let manifest = manifest(&folder);
        let inherits = |entry: &toml::Value| {
            entry
                .get("workspace")
                .and_then(toml::Value::as_bool)
                .unwrap_or(false)
        };
        assert!(
            manifest.get("lints").is_some_and(inherits),
            "{name} has lints of its own"
        );
        for (table, dependency, entry) in dependencies(&manifest) {
            assert!(
                inherits(&entry),
                "{name}: {dependency} ({table}) has a version of its own"
            );
        }
    }
}
