//! The failure table as it is written, and how shares come out of published splits.

use super::{BTreeMap, ClassEntry, Deserialize, FailureRow, Measure, Mode, ParameterPrior};
use super::{PartClass, Table};

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct File {
    reference_unit: BTreeMap<PartClass, f64>,
    ranges: BTreeMap<String, Range>,
    composition_drift: Drift,
    pub(super) class: Vec<Class>,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct Range {
    log_uniform: Option<(f64, f64)>,
    uniform: Option<(f64, f64)>,
    measure: Measure,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Drift {
    points: Vec<(f64, f64)>,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Class {
    pub(super) class: PartClass,
    source: String,
    confidence: String,
    pub(super) published: BTreeMap<String, f64>,
    #[serde(default)]
    pub(super) unused: Vec<String>,
    pub(super) modes: Vec<Row>,
    in_service: f64,
    in_service_source: String,
    decades_old: f64,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub(super) struct Row {
    mode: Mode,
    pub(super) range: String,
    pub(super) of: Option<String>,
    #[serde(default)]
    pub(super) part: f64,
    #[serde(default)]
    pub(super) share: f64,
    #[serde(default)]
    hidden_at_dc: bool,
    note: Option<String>,
}

impl File {
    pub(super) fn into_table(self) -> Table {
        let rate_of = |class: &PartClass| {
            self.class
                .iter()
                .find(|entry| entry.class == *class)
                .map_or(0.0, |entry| entry.in_service)
        };
        let reference_rate = self
            .reference_unit
            .iter()
            .map(|(class, count)| count * rate_of(class))
            .sum();
        let ranges = &self.ranges;
        let classes = self
            .class
            .into_iter()
            .map(|entry| {
                let rows = entry.rows(ranges);
                let class = entry.class;
                let entry = ClassEntry {
                    rows,
                    per_million_hours: entry.in_service,
                    rate_source: entry.in_service_source,
                    decades_old: entry.decades_old,
                };
                (class, entry)
            })
            .collect();
        Table {
            classes,
            reference_rate,
            drift: self.composition_drift.points,
        }
    }
}

impl Class {
    /// Rows of one mode are merged; what no row uses is scaled away.
    fn rows(&self, ranges: &BTreeMap<String, Range>) -> Vec<FailureRow> {
        let added: f64 = self.modes.iter().map(|row| row.share).sum();
        let used: f64 = self
            .published
            .iter()
            .filter(|(category, _)| !self.unused.contains(category))
            .map(|(_, share)| share)
            .sum();
        let mut rows: Vec<FailureRow> = Vec::new();
        for row in &self.modes {
            let published = row.of.as_ref().and_then(|of| self.published.get(of));
            let share = match published {
                Some(category) => category * row.part / used * (1.0 - added),
                None => row.share,
            };
            if let Some(same) = rows.iter_mut().find(|other| other.mode == row.mode) {
                same.share += share;
                same.note = match (same.note.take(), row.note.clone()) {
                    (Some(one), Some(other)) => Some(format!("{one}; {other}")),
                    (one, other) => one.or(other),
                };
                continue;
            }
            let practice = row.of.is_none() && !self.published.is_empty();
            rows.push(FailureRow {
                class: self.class,
                mode: row.mode,
                share,
                prior: ranges
                    .get(&row.range)
                    .map_or(ParameterPrior::None, Range::prior),
                shows_at_dc: !row.hidden_at_dc,
                source: if practice {
                    "common practice, no source".to_owned()
                } else {
                    self.source.clone()
                },
                confidence: if practice {
                    "no source".to_owned()
                } else {
                    self.confidence.clone()
                },
                note: row.note.clone(),
            });
        }
        rows
    }
}

impl Range {
    fn prior(&self) -> ParameterPrior {
        let measure = self.measure;
        match (self.log_uniform, self.uniform) {
            (Some((low, high)), _) => ParameterPrior::LogUniform { low, high, measure },
            (None, Some((low, high))) => ParameterPrior::Uniform { low, high, measure },
            (None, None) => ParameterPrior::None,
        }
    }

    #[cfg(test)]
    pub(super) fn is_sound(&self) -> bool {
        match self.prior() {
            ParameterPrior::None => false,
            ParameterPrior::LogUniform { low, high, .. }
            | ParameterPrior::Uniform { low, high, .. } => 0.0 < low && low < high,
        }
    }
}

#[cfg(test)]
impl File {
    pub(super) fn has_range(&self, name: &str) -> bool {
        name == "none" || self.ranges.get(name).is_some_and(Range::is_sound)
    }
}
