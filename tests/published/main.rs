//! Published values beside what the program computes of them.
//!
//! Every row is data (`*.toml` beside this file) with its source and how sure
//! it is. One run evaluates them all and reports every miss at once; a row that
//! is known to miss says why and must go on missing, so that the list stays
//! true. The page `docs/published-checks.md` shows every number; it is
//! rewritten when `DEADSTAGE_WRITE_PAGES` is set, and must otherwise be current.

mod bench;
mod evaluate;
mod page;
mod rows;

use std::path::{Path, PathBuf};

use rows::{Band, Collection};

/// A value computed beside the one published.
pub(crate) struct Outcome<'a> {
    pub(crate) row: &'a rows::Row,
    pub(crate) quantity: &'a str,
    pub(crate) published: f64,
    pub(crate) band: Band,
    /// The value, or why there is none.
    pub(crate) computed: Result<f64, String>,
    pub(crate) known_miss: Option<&'a str>,
}

impl Outcome<'_> {
    pub(crate) fn holds(&self) -> bool {
        self.computed
            .as_ref()
            .is_ok_and(|found| self.band.holds(*found, self.published))
    }
}

/// Every quantity of every row of a collection.
fn outcomes(collection: &Collection) -> Vec<Outcome<'_>> {
    let mut all = Vec::new();
    for row in &collection.rows {
        let found = evaluate::row(row);
        for (quantity, &published) in &row.expected {
            let computed = match &found {
                Ok(values) => values
                    .get(quantity)
                    .copied()
                    .ok_or_else(|| format!("no `{quantity}` in a row of kind {:?}", row.kind)),
                Err(why) => Err(why.clone()),
            };
            let band = collection.band(row, quantity);
            let (band, computed) = match band {
                Ok(band) => (band, computed),
                Err(why) => (Band::default(), Err(why)),
            };
            all.push(Outcome {
                row,
                quantity,
                published,
                band,
                computed,
                known_miss: row.known_miss.get(quantity).map(String::as_str),
            });
        }
    }
    all
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("published")
}

fn collections() -> Vec<Collection> {
    rows::read(&folder()).unwrap_or_else(|why| panic!("{why}"))
}

#[test]
fn every_row_holds_or_is_known_to_miss() {
    let collections = collections();
    let mut wrong = Vec::new();
    let mut checked = 0;
    for collection in &collections {
        for outcome in outcomes(collection) {
            checked += 1;
            let at = format!("{} [{}]", outcome.row.id, outcome.quantity);
            match (&outcome.computed, outcome.known_miss) {
                (Err(why), _) => wrong.push(format!("{at}: {why}")),
                (Ok(found), None) if !outcome.holds() => wrong.push(format!(
                    "{at}: {} published, {} computed, {} allowed",
                    page::number(outcome.published),
                    page::number(*found),
                    outcome.band
                )),
                (Ok(found), Some(_)) if outcome.holds() => wrong.push(format!(
                    "{at}: listed as a miss, but {} computed agrees with {}",
                    page::number(*found),
                    page::number(outcome.published)
                )),
                _ => {}
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "{} of {checked} values:\n{}",
        wrong.len(),
        wrong.join("\n")
    );
    assert!(checked >= 300, "only {checked} values");
}

#[test]
fn rows_are_told_apart_and_say_what_they_are() {
    let collections = collections();
    let mut seen = std::collections::BTreeSet::new();
    for row in collections.iter().flat_map(|c| &c.rows) {
        assert!(seen.insert(row.id.as_str()), "{} stands twice", row.id);
        assert!(!row.what.is_empty() && !row.source.is_empty(), "{}", row.id);
        assert!(!row.expected.is_empty(), "{} expects nothing", row.id);
        for quantity in row.known_miss.keys().chain(row.tolerance.keys()) {
            assert!(
                row.expected.contains_key(quantity),
                "{}: nothing is expected of {quantity}",
                row.id
            );
        }
    }
}

/// A row that is wrong must be caught: the same rows with every published
/// value moved well out of its band.
#[test]
fn a_wrong_value_is_caught() {
    let collections = collections();
    let mut judged = 0;
    for outcome in collections.iter().flat_map(outcomes) {
        let (Ok(found), true) = (&outcome.computed, outcome.holds()) else {
            continue;
        };
        judged += 1;
        let away = outcome.band.well_outside(*found);
        assert!(
            !outcome.band.holds(away, outcome.published),
            "{} [{}]: {away} would pass for {}",
            outcome.row.id,
            outcome.quantity,
            outcome.published
        );
    }
    assert!(judged > 0);
}

#[test]
fn the_page_is_current() {
    let collections = collections();
    let judged: Vec<_> = collections.iter().map(|c| (c, outcomes(c))).collect();
    let wanted = page::text(&judged);
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/published-checks.md");
    if std::env::var_os("DEADSTAGE_WRITE_PAGES").is_some() {
        if let Err(error) = std::fs::write(&path, &wanted) {
            panic!("{}: {error}", path.display());
        }
        return;
    }
    let written = std::fs::read_to_string(&path).unwrap_or_default();
    if let Some((line, (is, should))) = written
        .lines()
        .zip(wanted.lines())
        .enumerate()
        .find(|(_, (is, should))| is != should)
    {
        panic!(
            "{} is stale at line {}:\n  is     {is}\n  should {should}\nrun the tests once with DEADSTAGE_WRITE_PAGES=1",
            path.display(),
            line + 1
        );
    }
    assert_eq!(
        written.lines().count(),
        wanted.lines().count(),
        "{} is stale: run the tests once with DEADSTAGE_WRITE_PAGES=1",
        path.display()
    );
}
