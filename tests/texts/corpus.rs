//! The texts to start from: everything that ships, and the examples of the pages.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use deadstage_circuit::tube_names;
use deadstage_netlist::{Stage, TubeNames};
use deadstage_parts::{Mode, PartClass};

use crate::trials::stages;

/// Sound texts of each kind, and the words that they are made of.
#[derive(Debug)]
pub struct Corpus {
    /// The tube table's names.
    pub names: TubeNames,
    /// Stage files, each with what it comes to.
    pub stages: Vec<(String, Stage)>,
    /// Readings sheets, each with its stage.
    pub sheets: Vec<(usize, String)>,
    /// Rates files.
    pub rates: Vec<String>,
    /// Every word of these texts once, and words that are nowhere in them.
    pub words: Vec<String>,
}

/// Words that trip readers up, and those that no shipped text has.
const ODD_WORDS: &str = "defaults composition film wirewound paper mica ceramic oil doubler bridge \
    half-wave choke thermistor lamp transistor regulator germanium selenium pnp npn emitter base collector \
    wiper grid3 target suppressor peak drive closed normally pulls-in inf nan NaN 1e 1e9999 -1e9999 1e-9999 \
    -0 -0V 0 0.0 . - + _ .. 1/0W 1/2W 0/0W ± +- +/- % 0% 100% 1000% ±0% ? = < > \" \\ \\\" # x0 x1000 x1e9 ×3 \
    1m 5mF Ω \u{2126} µ \u{b5}F \u{3bc} é ß İ \u{212a} \u{1c4} \u{2212}5V 5,5V 1_000 0x10 4K7 R22 M1 1n5 p47 \
    section pin across through panel of in to from as include stage readings rates";

impl Corpus {
    /// Reads what the project ships.
    ///
    /// # Errors
    /// A sentence, if a file can't be read or a shipped stage has an error.
    pub fn shipped() -> Result<Self, String> {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
        let mut files = Vec::new();
        gather(&stages::folder(), &mut files)?;
        let mut corpus = Self {
            names: tube_names(),
            stages: Vec::new(),
            sheets: Vec::new(),
            rates: Vec::new(),
            words: Vec::new(),
        };
        let mut stems: Vec<(PathBuf, usize)> = Vec::new();
        for path in ending(&files, "stage") {
            stems.push((path.with_extension(""), corpus.stages.len()));
            corpus.stages.push((read(path)?, stages::read(path)?));
        }
        for path in ending(&files, "readings") {
            let name = path.with_extension("");
            let name = name.to_string_lossy();
            let of = stems
                .iter()
                .filter(|(stem, _)| name.starts_with(stem.to_string_lossy().as_ref()))
                .max_by_key(|(stem, _)| stem.as_os_str().len());
            if let Some(&(_, of)) = of {
                corpus.sheets.push((of, read(path)?));
            }
        }
        for path in ending(&files, "rates") {
            corpus.rates.push(read(path)?);
        }
        // Laid-in files are not stages of their own, but their lines are as good as any.
        let mut others = String::new();
        for path in ending(&files, "section") {
            others.push_str(&read(path)?);
        }
        for page in ["docs/stage-file.md", "docs/rates.md"] {
            others.push_str(&blocks(&read(&root.join(page))?));
        }
        corpus.words = corpus.words_of(&others);
        Ok(corpus)
    }

    fn words_of(&self, others: &str) -> Vec<String> {
        let texts = self.stages.iter().map(|(text, _)| text.as_str());
        let sheets = self.sheets.iter().map(|(_, text)| text.as_str());
        let rates = self.rates.iter().map(String::as_str);
        let mut words: BTreeSet<&str> = BTreeSet::new();
        for text in texts.chain(sheets).chain(rates).chain([others, ODD_WORDS]) {
            words.extend(text.split_whitespace().filter(|word| word.len() < 30));
        }
        words.extend(PartClass::ALL.iter().map(|class| class.name()));
        words.extend(Mode::ALL.iter().map(|mode| mode.name()));
        words.extend(self.names.types.iter().map(|tube| tube.name.as_str()));
        words.into_iter().map(str::to_owned).collect()
    }

    /// The stage of this number; numbers past the last begin anew.
    pub fn stage_of(&self, number: usize) -> &Stage {
        &self.stages[number % self.stages.len()].1
    }
}

fn read(path: &Path) -> Result<String, String> {
    std::fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))
}

/// Every file below a folder, in the order of their names.
fn gather(folder: &Path, files: &mut Vec<PathBuf>) -> Result<(), String> {
    let failed = |error: std::io::Error| format!("{}: {error}", folder.display());
    let mut entries = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(failed)? {
        entries.push(entry.map_err(failed)?.path());
    }
    entries.sort();
    for path in entries {
        if path.is_dir() {
            gather(&path, files)?;
        } else {
            files.push(path);
        }
    }
    Ok(())
}

fn ending<'f>(files: &'f [PathBuf], ending: &'static str) -> impl Iterator<Item = &'f Path> {
    let is_so = move |path: &&Path| path.extension().is_some_and(|e| e == ending);
    files.iter().map(PathBuf::as_path).filter(is_so)
}

/// What stands in the fenced blocks of a page.
fn blocks(page: &str) -> String {
    let mut inside = false;
    let mut text = String::new();
    for line in page.lines() {
        if line.starts_with("```") {
            inside = !inside;
        } else if inside {
            text.push_str(line);
            text.push('\n');
        }
    }
    text
}
