//! `deadstage.ohms/1`.

use super::document;
use crate::numbers::rounded;
use deadstage_reason::OhmsChart;
use serde::Serialize;

#[derive(Serialize)]
struct Document<'a> {
    schema: &'static str,
    stage: &'a str,
    setting: &'a str,
    points: Vec<Row<'a>>,
    remarks: &'a [String],
}

#[derive(Serialize)]
struct Row<'a> {
    point: &'a str,
    ohms: Option<f64>,
    low: Option<f64>,
    high: Option<f64>,
}

/// The resistance chart, in ohms; no path is `null`.
///
/// # Errors
/// If the document cannot be written as JSON.
pub fn ohms(chart: &OhmsChart) -> Result<String, serde_json::Error> {
    document(&Document {
        schema: "deadstage.ohms/1",
        stage: &chart.stage,
        setting: &chart.setting,
        points: chart
            .rows
            .iter()
            .map(|row| Row {
                point: &row.point,
                ohms: rounded(row.ohms),
                low: rounded(row.low),
                high: rounded(row.high),
            })
            .collect(),
        remarks: &chart.remarks,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;
    use serde_json::{Value, json};

    #[test]
    fn no_path_is_null() -> Result<(), serde_json::Error> {
        let found: Value = serde_json::from_str(&ohms(&samples::ohms())?)?;
        assert_eq!(found["schema"], "deadstage.ohms/1");
        assert_eq!(
            found["points"][1],
            json!({"point": "plate1", "ohms": null, "low": null, "high": null})
        );
        assert_eq!(found["points"][0]["ohms"], 1e6);
        Ok(())
    }
}
