//! Drawings held against their netlists: read back from the picture's own geometry, and measured.

pub mod boxes;
pub mod figures;
pub mod picture;
pub mod read_back;

use deadstage_circuit::tube_names;
use deadstage_netlist::{Stage, parse_stage};
use std::path::{Path, PathBuf};

/// The netlists that ship, by their path below `netlists/`, in order.
#[must_use]
pub fn shipped() -> Vec<(String, Stage)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../netlists");
    let mut files = Vec::new();
    let mut folders = vec![root.clone()];
    while let Some(folder) = folders.pop() {
        let entries = std::fs::read_dir(&folder)
            .unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
        for path in entries.flatten().map(|entry| entry.path()) {
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|end| end == "stage") {
                files.push(path);
            }
        }
    }
    files.sort();
    files
        .into_iter()
        .map(|path| {
            let name = path
                .strip_prefix(&root)
                .map_or_else(|_| path.clone(), Path::to_path_buf);
            (
                name.with_extension("").display().to_string(),
                stage_at(&path),
            )
        })
        .collect()
}

/// A stage file with whatever it includes.
#[must_use]
pub fn stage_at(path: &Path) -> Stage {
    let text =
        std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let folder: PathBuf = path.parent().map(Path::to_path_buf).unwrap_or_default();
    let mut load = |_: &str, written: &str| {
        let path = folder.join(written);
        std::fs::read_to_string(&path)
            .map(|text| (path.display().to_string(), text))
            .map_err(|error| error.to_string())
    };
    let parsed = parse_stage(&path.display().to_string(), &text, &tube_names(), &mut load);
    assert!(!parsed.has_errors(), "{} does not read", path.display());
    parsed.value
}
