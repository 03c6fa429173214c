//! `deadstage.chart/1`.

use super::document;
use crate::numbers::rounded;
use crate::words;
use deadstage_parts::RatingSystem;
use deadstage_reason::{Chart, ChartPanel, ChartPart, ChartPoint, ChartState};
use serde::Serialize;

#[derive(Serialize)]
struct Document<'a> {
    schema: &'static str,
    stage: &'a str,
    setting: &'a str,
    line_volts: Option<f64>,
    meter: Option<&'a str>,
    notes: &'a [String],
    points: Vec<Point<'a>>,
    parts: Vec<Part<'a>>,
    panels: Vec<Panel<'a>>,
    remarks: &'a [String],
    highest_volts: Option<f64>,
    /// Where the unit may rest in several states: which this is, and all others.
    #[serde(skip_serializing_if = "Option::is_none")]
    state: Option<String>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    other_states: Vec<State<'a>>,
}

#[derive(Serialize)]
struct State<'a> {
    state: String,
    points: Vec<Point<'a>>,
    parts: Vec<Part<'a>>,
    panels: Vec<Panel<'a>>,
}

#[derive(Serialize)]
struct Point<'a> {
    point: &'a str,
    volts: Option<f64>,
    low: Option<f64>,
    high: Option<f64>,
    shown: Option<f64>,
    print: Option<f64>,
    range: Option<f64>,
    electrodes: &'a [String],
}

#[derive(Serialize)]
struct Part<'a> {
    part: &'a str,
    volts: Option<f64>,
    amps: Option<f64>,
    watts: Option<f64>,
    rating_watts: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    rating_system: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    continuous_rating_watts: Option<f64>,
}

#[derive(Serialize)]
struct Panel<'a> {
    meter: &'a str,
    reading: Option<f64>,
    unit: &'a str,
    full_scale: Option<f64>,
}

/// The voltage chart: volts, amperes and watts; `shown` is what the meter's
/// face says, `range` the range it stands on.
///
/// # Errors
/// If the document cannot be written as JSON.
pub fn chart(chart: &Chart) -> Result<String, serde_json::Error> {
    document(&Document {
        schema: "deadstage.chart/1",
        stage: &chart.stage,
        setting: &chart.setting,
        line_volts: chart.line_volts.and_then(rounded),
        meter: chart.meter.as_deref(),
        notes: &chart.notes,
        points: chart.points.iter().map(point).collect(),
        parts: chart.parts.iter().map(part).collect(),
        panels: chart.panels.iter().map(panel).collect(),
        remarks: &chart.remarks,
        highest_volts: rounded(chart.highest_volts),
        state: (!chart.other_states.is_empty()).then(|| words::state(&chart.state)),
        other_states: chart.other_states.iter().map(state).collect(),
    })
}

fn state(state: &ChartState) -> State<'_> {
    State {
        state: words::state(&state.state),
        points: state.points.iter().map(point).collect(),
        parts: state.parts.iter().map(part).collect(),
        panels: state.panels.iter().map(panel).collect(),
    }
}

fn point(point: &ChartPoint) -> Point<'_> {
    Point {
        point: &point.point,
        volts: rounded(point.volts),
        low: rounded(point.low),
        high: rounded(point.high),
        shown: rounded(point.shown),
        print: point.print.and_then(rounded),
        range: point.range.and_then(rounded),
        electrodes: &point.electrodes,
    }
}

fn part(part: &ChartPart) -> Part<'_> {
    // Where nothing is rated the system says nothing.
    let rating = part.tube_rating.filter(|_| part.rating_watts.is_some());
    Part {
        part: &part.part,
        volts: rounded(part.volts),
        amps: rounded(part.amps),
        watts: rounded(part.watts),
        rating_watts: part.rating_watts.and_then(rounded),
        rating_system: rating.and_then(|r| r.system).map(RatingSystem::name),
        continuous_rating_watts: rating.and_then(|r| r.continuous_watts).and_then(rounded),
    }
}

fn panel(panel: &ChartPanel) -> Panel<'_> {
    Panel {
        meter: &panel.meter,
        reading: rounded(panel.reading),
        unit: &panel.unit,
        full_scale: rounded(panel.full_scale),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;
    use serde_json::{Value, json};

    #[test]
    fn the_documented_keys_are_there() -> Result<(), serde_json::Error> {
        let mut sample = samples::chart();
        sample.points[0].low = f64::NAN;
        sample.parts.truncate(1);
        let found: Value = serde_json::from_str(&chart(&sample)?)?;
        assert_eq!(found["schema"], "deadstage.chart/1");
        assert_eq!(found["setting"], "receive");
        assert_eq!(
            found["points"],
            json!([{"point": "plate1", "volts": 165.2346, "low": null, "high": 181.0,
                    "shown": 163.9, "print": 165.0, "range": 250.0,
                    "electrodes": ["V1 plate", "V1 pin 6"]}])
        );
        assert_eq!(
            found["parts"],
            json!([{"part": "R3", "volts": 84.1, "amps": 0.000_841, "watts": 0.0707,
                    "rating_watts": 0.5}])
        );
        Ok(())
    }
}
