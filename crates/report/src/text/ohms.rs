//! The resistance chart.

use super::remarks;
use crate::cautions::cautions;
use crate::layout::{CAUTION, Columns, Page};
use crate::numbers;
use deadstage_reason::OhmsChart;

/// Every point to common and every part across itself, power off.
pub fn ohms(chart: &OhmsChart) -> String {
    page(chart).finish()
}

pub(crate) fn page(chart: &OhmsChart) -> Page {
    let mut page = Page::default();
    page.paragraph("", &chart.stage);
    let setting = if chart.setting.is_empty() {
        String::new()
    } else {
        format!("; set to {}", chart.setting)
    };
    page.paragraph(
        "",
        &format!(
            "Resistance chart, point to common{setting}; power off, tubes cold, capacitors discharged"
        ),
    );
    page.gap();
    let mut columns = Columns::new(&["point", ">ohms", ">low", ">high"]);
    for row in &chart.rows {
        columns.row(
            [
                row.point.clone(),
                numbers::ohms(row.ohms),
                numbers::ohms(row.low),
                numbers::ohms(row.high),
            ],
            None,
        );
    }
    page.table(columns);
    page.paragraph(
        "  ",
        "∞ is no path, or a leakage that an ordinary ohmmeter does not reach (20 MΩ). Other parts in parallel only lower a reading: one above its range is sure, one below asks for a lifted lead.",
    );
    remarks(&mut page, &chart.remarks);
    page.heading("Caution");
    // The voltages are not part of a resistance chart, so they count as dangerous.
    for caution in cautions(f64::NAN) {
        page.hung_in("  ! ", "    ", &caution, Some(CAUTION));
    }
    page
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;

    #[test]
    fn a_point_without_a_path_reads_infinite() {
        let text = samples::plain(&ohms(&samples::ohms()));
        let row = |point: &str| {
            text.lines()
                .find(|line| line.trim_start().starts_with(point))
                .unwrap_or_default()
                .to_owned()
        };
        assert!(row("grid1").contains("1 MΩ"));
        assert!(row("plate1").contains('∞'));
        assert!(text.contains("bleed every filter capacitor"));
    }
}
