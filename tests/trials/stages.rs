//! The shipped stages, read from their files.

use std::path::{Path, PathBuf};

use deadstage_netlist::{Stage, parse_stage};

/// The folder of the shipped stages.
#[must_use]
pub fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../netlists")
}

/// Reads one stage file, includes and all.
///
/// # Errors
/// The first thing wrong with it, as text.
pub fn read(path: &Path) -> Result<Stage, String> {
    let text = std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()))?;
    let base = path.parent().map(Path::to_path_buf).unwrap_or_default();
    let mut load = |_: &str, written: &str| {
        let file = base.join(written);
        std::fs::read_to_string(&file)
            .map(|text| (file.display().to_string(), text))
            .map_err(|e| e.to_string())
    };
    let parsed = parse_stage(
        &path.display().to_string(),
        &text,
        &deadstage_circuit::tube_names(),
        &mut load,
    );
    if let Some(error) = parsed.errors().next() {
        return Err(format!("{}: {}", path.display(), error.message));
    }
    Ok(parsed.value)
}

/// For stages of any number of parts.
pub const ANY: usize = usize::MAX;

/// Every stage of the shipped folder with at most `most_parts` parts, by file name.
///
/// # Errors
/// The first file that does not read.
pub fn shipped(most_parts: usize) -> Result<Vec<(String, Stage)>, String> {
    let mut files = Vec::new();
    collect(&folder(), &mut files)?;
    files.sort();
    let mut stages = Vec::new();
    for file in files {
        let stage = read(&file)?;
        if stage.parts.len() <= most_parts {
            let name = file
                .file_stem()
                .map(|s| s.to_string_lossy().into_owned())
                .unwrap_or_default();
            stages.push((name, stage));
        }
    }
    Ok(stages)
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) -> Result<(), String> {
    for entry in std::fs::read_dir(folder).map_err(|e| format!("{}: {e}", folder.display()))? {
        let path = entry.map_err(|e| e.to_string())?.path();
        if path.is_dir() {
            // Sections of a chassis are not stages of their own.
            if path.file_name().is_some_and(|n| n != "sections") {
                collect(&path, files)?;
            }
        } else if path.extension().is_some_and(|e| e == "stage") {
            files.push(path);
        }
    }
    Ok(())
}
