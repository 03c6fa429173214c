//! Plots: where values lie in their bands, how odds moved, and a tube's operating point on its curves.
//!
//! Each is an SVG document of its own, in the style of the schematics: marks differ in shape and lines in
//! their dashes, never in hue alone.

use crate::svg::number;
use crate::text::width_px;
use quick_xml::escape::escape;
use std::fmt::Write as _;

/// Words in plots, pixels.
const WORDS_PX: f64 = 11.0;
const TITLE_PX: f64 = 13.0;
const MARGIN_PX: f64 = 12.0;
/// From row to row of a strip.
const ROW_PX: f64 = 18.0;
/// Width of the field in which marks lie.
const FIELD_PX: f64 = 260.0;
/// Half widths of the band that fit beside its middle.
const REACH: f64 = 4.0;

const STYLE: &str = "\
.plot{font-family:'Liberation Sans',Arial,Helvetica,sans-serif}\
.plot .paper{fill:#fff}\
.plot text{fill:#111;stroke:none}\
.plot path{fill:none;stroke:#111;stroke-width:1.4}\
.plot .axis{stroke:#777;stroke-width:1}\
.plot .band{fill:#d9dde2;stroke:none}\
.plot .dot{fill:#111;stroke:none}\
.plot .off{font-weight:bold}\
.plot .hollow{fill:#fff;stroke:#111;stroke-width:1.3}\
.plot .curve{stroke:#555;stroke-width:1}\
@media (prefers-color-scheme:dark){\
.plot .paper{fill:#16181b}.plot text{fill:#f2f2f2}.plot path{stroke:#e8e8e8}\
.plot .axis{stroke:#8a8f96}.plot .band{fill:#3a4048}.plot .dot{fill:#f2f2f2}\
.plot .hollow{fill:#16181b;stroke:#f2f2f2}.plot .curve{stroke:#a8adb3}}";

/// A row of a strip: a band, and marks in it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StripRow {
    /// What it is of: `plate1`.
    pub label: String,
    /// Ends of what a healthy unit has.
    pub low: f64,
    /// The high one.
    pub high: f64,
    /// The filled mark: what was read or computed.
    pub value: f64,
    /// The hollow mark: the print's value, or what a suspect would give.
    pub beside: Option<f64>,
    /// What stands at the right: the values in words.
    pub words: String,
}

fn head(wide: f64, high: f64, title: &str, about: &str) -> String {
    let (wide, high) = (wide.ceil(), high.ceil());
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"plot\" role=\"graphics-document document\" viewBox=\"0 0 {wide} {high}\" width=\"{wide}\" height=\"{high}\">\n\
         <title>{}</title>\n<desc>{}</desc>\n<style>{STYLE}</style>\n\
         <rect class=\"paper\" width=\"{wide}\" height=\"{high}\"/>\n{}",
        escape(title),
        escape(about),
        words(
            title,
            MARGIN_PX,
            MARGIN_PX + TITLE_PX * 0.8,
            TITLE_PX,
            "start",
            " font-weight=\"bold\""
        ),
    )
}

fn words(text: &str, x: f64, y: f64, size: f64, anchor: &str, more: &str) -> String {
    format!(
        "<text x=\"{}\" y=\"{}\" font-size=\"{size}\" text-anchor=\"{anchor}\"{more}>{}</text>\n",
        number(x),
        number(y),
        escape(text)
    )
}

/// Bands with marks, one row a point, each in its own scale: the band of every row is as wide as the others'.
///
/// A value outside the field is an arrowhead at its edge. `filled` and `hollow` say what the marks are.
#[must_use]
pub fn strip(title: &str, filled: &str, hollow: &str, rows: &[StripRow]) -> String {
    let widest = |of: &dyn Fn(&StripRow) -> f64| rows.iter().map(of).fold(0.0, f64::max);
    let labels = widest(&|row| width_px(&row.label, WORDS_PX)) + 10.0;
    let right = widest(&|row| width_px(&row.words, WORDS_PX)) + 10.0;
    let key = key(filled, hollow);
    let wide = (labels + FIELD_PX + right)
        .max(width_px(title, TITLE_PX) * 1.1)
        .max(width_px(&key, WORDS_PX) + 20.0)
        + 2.0 * MARGIN_PX;
    let top = MARGIN_PX + TITLE_PX + 10.0;
    let high = top + ROW_PX * (rows.len() as f64 + 1.2) + MARGIN_PX;
    let about = format!("{} rows. {key}", rows.len());
    let mut svg = head(wide, high, title, &about);
    let left = MARGIN_PX + labels;
    let middle = left + FIELD_PX / 2.0;
    let unit = FIELD_PX / 2.0 / REACH;
    let foot = top + ROW_PX * rows.len() as f64;
    let _ = writeln!(
        svg,
        "<rect class=\"band\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/>",
        number(middle - unit),
        number(top),
        number(2.0 * unit),
        number(foot - top)
    );
    for (index, row) in rows.iter().enumerate() {
        let y = top + ROW_PX * (index as f64 + 0.5);
        let foot = y + WORDS_PX * 0.35;
        let half = ((row.high - row.low) / 2.0).abs().max(f64::MIN_POSITIVE);
        let centre = (row.high + row.low) / 2.0;
        let place = |value: f64| (value - centre) / half;
        let outside = place(row.value).abs() > 1.0;
        let more = if outside { " class=\"off\"" } else { "" };
        let _ = write!(
            svg,
            "<g data-row=\"{}\">",
            escape(&row.label).replace('\n', " ")
        );
        svg.push_str(&words(&row.label, left - 8.0, foot, WORDS_PX, "end", more));
        let _ = writeln!(
            svg,
            "<path class=\"axis\" d=\"M{} {}H{}\"/>",
            number(left),
            number(y),
            number(left + FIELD_PX)
        );
        if let Some(beside) = row.beside {
            mark(&mut svg, place(beside), (middle, y, unit), "hollow");
        }
        mark(&mut svg, place(row.value), (middle, y, unit), "dot");
        let at = left + FIELD_PX + 8.0;
        svg.push_str(&words(&row.words, at, foot, WORDS_PX, "start", more));
        svg.push_str("</g>\n");
    }
    svg.push_str(&words(
        &key,
        MARGIN_PX,
        foot + ROW_PX,
        WORDS_PX,
        "start",
        "",
    ));
    svg.push_str("</svg>\n");
    svg
}

fn key(filled: &str, hollow: &str) -> String {
    let second = if hollow.is_empty() {
        String::new()
    } else {
        format!(", ◇ {hollow}")
    };
    format!("Grey: where 19 of 20 healthy units lie. ● {filled}{second}.")
}

/// A round mark or a diamond; an arrowhead where it lies outside.
fn mark(svg: &mut String, place: f64, (middle, y, unit): (f64, f64, f64), class: &str) {
    if !place.is_finite() {
        return;
    }
    let x = middle + place.clamp(-REACH, REACH) * unit;
    let r = 4.0;
    let shape = if place.abs() > REACH {
        let tip = r * place.signum();
        format!(
            "M{0} {1}L{2} {3}L{2} {4}Z",
            number(x + tip),
            number(y),
            number(x - tip),
            number(y - r),
            number(y + r)
        )
    } else if class == "dot" {
        let _ = writeln!(
            svg,
            "<circle class=\"dot\" cx=\"{}\" cy=\"{}\" r=\"3.6\"/>",
            number(x),
            number(y)
        );
        return;
    } else {
        let r = 5.0;
        format!(
            "M{} {y1}L{x1} {}L{x1} {}Z M{x1} {}L{} {y1}L{x1} {}",
            number(x - r),
            number(y - r),
            number(y + r),
            number(y - r),
            number(x + r),
            number(y + r),
            x1 = number(x),
            y1 = number(y),
        )
    };
    let _ = writeln!(svg, "<path class=\"{class}\" d=\"{shape}\"/>");
}

/// How the odds of answers moved, reading by reading.
///
/// `after` names the readings; each line of `answers` has a probability before the first and after each.
#[must_use]
pub fn odds(title: &str, after: &[String], answers: &[(String, Vec<f64>)]) -> String {
    const HIGH: f64 = 170.0;
    const DASHES: [&str; 6] = ["", "7 3", "2 3", "9 3 2 3", "1 5", "12 4"];
    let step: f64 = (420.0 / after.len().max(1) as f64).clamp(22.0, 70.0);
    let left = MARGIN_PX + 40.0;
    let field = step * after.len() as f64;
    let top = MARGIN_PX + TITLE_PX + 14.0;
    let names = answers
        .iter()
        .map(|(name, _)| width_px(name, WORDS_PX))
        .fold(0.0, f64::max);
    let tags = after
        .iter()
        .map(|name| width_px(name, WORDS_PX))
        .fold(0.0, f64::max);
    let wide = (left + field + names + 34.0 + MARGIN_PX)
        .max(width_px(title, TITLE_PX) * 1.1 + 2.0 * MARGIN_PX);
    // The readings' names stand slanted under the axis.
    let high = top + HIGH + tags * 0.75 + 30.0;
    let about = answers
        .iter()
        .filter_map(|(name, odds)| Some(format!("{name}: {:.0} %", odds.last()? * 100.0)))
        .collect::<Vec<_>>()
        .join("; ");
    let mut svg = head(wide, high, title, &about);
    let y = |odds: f64| top + HIGH * (1.0 - odds.clamp(0.0, 1.0));
    for share in [0.0, 0.25, 0.5, 0.75, 1.0] {
        let _ = writeln!(
            svg,
            "<path class=\"axis\" d=\"M{} {}H{}\"/>",
            number(left),
            number(y(share)),
            number(left + field)
        );
        let label = format!("{:.0} %", share * 100.0);
        svg.push_str(&words(
            &label,
            left - 6.0,
            y(share) + 4.0,
            WORDS_PX,
            "end",
            "",
        ));
    }
    for (index, name) in after.iter().enumerate() {
        let x = left + step * (index as f64 + 1.0) + 4.0;
        let foot = top + HIGH + 14.0;
        let turn = format!(" transform=\"rotate(-40 {} {})\"", number(x), number(foot));
        svg.push_str(&words(name, x, foot, WORDS_PX, "end", &turn));
    }
    let mut ends: Vec<(f64, usize)> = answers
        .iter()
        .enumerate()
        .map(|(index, (_, odds))| (y(odds.last().copied().unwrap_or(0.0)), index))
        .collect();
    ends.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut least = f64::MIN;
    for (end, index) in ends {
        let (name, odds) = &answers[index];
        let dash = DASHES[index % DASHES.len()];
        let mut d = String::new();
        for (place, &share) in odds.iter().enumerate() {
            let command = if place == 0 { 'M' } else { 'L' };
            let x = left + step * place as f64;
            let _ = write!(d, "{command}{} {}", number(x), number(y(share)));
        }
        let _ = writeln!(svg, "<path stroke-dasharray=\"{dash}\" d=\"{d}\"/>");
        let at = end.max(least + 13.0);
        least = at;
        let x = left + field;
        let _ = writeln!(
            svg,
            "<path class=\"axis\" d=\"M{} {}L{} {}\"/>",
            number(x),
            number(end),
            number(x + 12.0),
            number(at)
        );
        svg.push_str(&words(name, x + 15.0, at + 4.0, WORDS_PX, "start", ""));
    }
    svg.push_str("</svg>\n");
    svg
}

/// Plate curves of a tube with its load line and where it works.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PlatePlot {
    /// `V1, 12AX7`.
    pub title: String,
    /// Ends of the axes, volts and milliamperes.
    pub ends: (f64, f64),
    /// Each curve's name and its points, volts and milliamperes.
    pub curves: Vec<(String, Vec<(f64, f64)>)>,
    /// The load line, from one end to the other; none where the load is no resistance.
    pub load: Option<[(f64, f64); 2]>,
    /// Where a healthy one works.
    pub point: (f64, f64),
    /// What the load and the point are, in words.
    pub words: String,
}

/// Draws plate curves.
#[must_use]
pub fn plate(plot: &PlatePlot) -> String {
    const WIDE: f64 = 340.0;
    const HIGH: f64 = 220.0;
    let left = MARGIN_PX + 42.0;
    let top = MARGIN_PX + TITLE_PX + 12.0;
    let wide = (left + WIDE + 60.0)
        .max(width_px(&plot.words, WORDS_PX) + 2.0 * MARGIN_PX + 10.0)
        .max(width_px(&plot.title, TITLE_PX) * 1.1 + 2.0 * MARGIN_PX);
    let mut svg = head(wide, top + HIGH + 56.0, &plot.title, &plot.words);
    let (volts, milliamps) = (plot.ends.0.max(1e-9), plot.ends.1.max(1e-9));
    let x = |v: f64| left + WIDE * v / volts;
    let y = |ma: f64| top + HIGH * (1.0 - ma / milliamps);
    let _ = writeln!(
        svg,
        "<path class=\"axis\" d=\"M{l} {t}V{f}H{r}\"/>",
        l = number(left),
        t = number(top),
        f = number(top + HIGH),
        r = number(left + WIDE)
    );
    for quarter in 0..=4 {
        let share = f64::from(quarter) / 4.0;
        let (v, ma) = (volts * share, milliamps * share);
        svg.push_str(&words(
            &format!("{} V", number(v)),
            x(v),
            top + HIGH + 14.0,
            WORDS_PX,
            "middle",
            "",
        ));
        if quarter > 0 {
            let label = if quarter == 4 {
                format!("{} mA", number(ma))
            } else {
                number(ma)
            };
            svg.push_str(&words(&label, left - 5.0, y(ma) + 4.0, WORDS_PX, "end", ""));
        }
    }
    for (name, points) in &plot.curves {
        let inside: Vec<_> = points
            .iter()
            .filter(|(v, ma)| *v <= volts && *ma <= milliamps)
            .collect();
        let mut d = String::new();
        for (index, (v, ma)) in inside.iter().enumerate() {
            let command = if index == 0 { 'M' } else { 'L' };
            let _ = write!(d, "{command}{} {}", number(x(*v)), number(y(*ma)));
        }
        let _ = writeln!(svg, "<path class=\"curve\" d=\"{d}\"/>");
        if let Some((v, ma)) = inside.last() {
            svg.push_str(&words(name, x(*v) + 3.0, y(*ma) + 3.0, 9.0, "start", ""));
        }
    }
    if let Some([(v0, ma0), (v1, ma1)]) = plot.load {
        let clipped = clip((v0, ma0), (v1, ma1), (volts, milliamps));
        let _ = writeln!(
            svg,
            "<path class=\"load\" stroke-width=\"2\" d=\"M{} {}L{} {}\"/>",
            number(x(clipped.0.0)),
            number(y(clipped.0.1)),
            number(x(clipped.1.0)),
            number(y(clipped.1.1))
        );
    }
    let _ = writeln!(
        svg,
        "<circle class=\"dot\" cx=\"{}\" cy=\"{}\" r=\"4.5\"/>",
        number(x(plot.point.0.clamp(0.0, volts))),
        number(y(plot.point.1.clamp(0.0, milliamps)))
    );
    svg.push_str(&words(
        &plot.words,
        MARGIN_PX,
        top + HIGH + 38.0,
        WORDS_PX,
        "start",
        "",
    ));
    svg.push_str("</svg>\n");
    svg
}

/// A falling line cut at the ends of the axes.
fn clip(a: (f64, f64), b: (f64, f64), ends: (f64, f64)) -> ((f64, f64), (f64, f64)) {
    let at = |t: f64| (a.0 + (b.0 - a.0) * t, a.1 + (b.1 - a.1) * t);
    let mut from = 0.0f64;
    let mut to = 1.0f64;
    if a.1 > ends.1 && a.1 != b.1 {
        from = from.max((a.1 - ends.1) / (a.1 - b.1));
    }
    if b.0 > ends.0 && a.0 != b.0 {
        to = to.min((ends.0 - a.0) / (b.0 - a.0));
    }
    (at(from), at(to))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(value: f64) -> StripRow {
        StripRow {
            label: "plate1".to_owned(),
            low: 90.0,
            high: 110.0,
            value,
            beside: Some(100.0),
            words: "x < y & z".to_owned(),
        }
    }

    #[test]
    fn a_value_lies_where_its_band_puts_it() {
        let svg = strip("Points", "read", "print", &[row(105.0)]);
        // Half of the half width of the band right of the middle: 260 / 2 / 4 / 2.
        let centre = |svg: &str| {
            let at = svg
                .split("cx=\"")
                .nth(1)
                .and_then(|rest| rest.split('"').next());
            at.and_then(|x| x.parse::<f64>().ok()).unwrap_or(f64::NAN)
        };
        let middle = centre(&strip("Points", "read", "print", &[row(100.0)]));
        assert!((centre(&svg) - middle - 16.25).abs() < 0.02, "{svg}");
        assert!(svg.contains("x &lt; y &amp; z"));
        assert!(!svg.contains("class=\"off\""));
        assert!(strip("Points", "read", "", &[row(140.0)]).contains("class=\"off\""));
        // Far outside there is no round mark, but an arrowhead.
        assert!(!strip("Points", "read", "", &[row(400.0)]).contains("<circle"));
    }

    #[test]
    fn a_load_line_ends_at_the_axes() {
        let cut = clip((0.0, 10.0), (300.0, 0.0), (150.0, 8.0));
        assert_eq!(cut, ((60.0, 8.0), (150.0, 5.0)));
        assert_eq!(
            clip((0.0, 5.0), (100.0, 0.0), (150.0, 8.0)),
            ((0.0, 5.0), (100.0, 0.0))
        );
    }

    #[test]
    fn odds_end_with_their_names_apart() {
        let answers = vec![
            ("C3 leaky".to_owned(), vec![0.1, 0.5, 0.9]),
            ("V2 gassy".to_owned(), vec![0.1, 0.1, 0.05]),
            ("R4 open".to_owned(), vec![0.1, 0.1, 0.05]),
        ];
        let after = ["grid2".to_owned(), "cathode2".to_owned()];
        let svg = odds("Odds", &after, &answers);
        let feet: Vec<f64> = answers
            .iter()
            .filter_map(|(name, _)| {
                let before = svg.split(&format!(">{name}<")).next()?;
                let y = before.rsplit("y=\"").next()?.split('"').next()?;
                y.parse().ok()
            })
            .collect();
        assert!((feet[1] - feet[2]).abs() > 12.0, "{feet:?}");
        assert!(svg.contains("C3 leaky: 90 %"));
    }
}
