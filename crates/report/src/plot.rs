//! Curves drawn in characters: each cell of the terminal holds two by four
//! dots (the braille patterns of Unicode, which every bench terminal has).

/// Cells across and down.
const CELLS: (usize, usize) = (66, 16);
/// Dots of a cell across and down.
const DOTS: (usize, usize) = (2, 4);
/// First of the braille patterns.
const BLANK: u32 = 0x2800;
/// Bit of each dot, by column and row within the cell.
const BITS: [[u32; 4]; 2] = [[0x01, 0x02, 0x04, 0x40], [0x08, 0x10, 0x20, 0x80]];

/// One curve: what stands at its end and its value at any abscissa.
pub(crate) struct Curve<'a> {
    /// Label at the end of the curve.
    pub(crate) label: String,
    /// The curve; non-finite values leave a gap.
    pub(crate) at: Box<dyn Fn(f64) -> f64 + 'a>,
}

/// A plot from the origin to the given ends.
pub(crate) struct Plot<'a> {
    /// Right end of the abscissa.
    pub(crate) x_end: f64,
    /// Upper end of the ordinate.
    pub(crate) y_end: f64,
    /// Unit along the abscissa.
    pub(crate) x_unit: &'a str,
    /// Unit along the ordinate.
    pub(crate) y_unit: &'a str,
    /// The curves.
    pub(crate) curves: Vec<Curve<'a>>,
}

impl Plot<'_> {
    /// The lines of the plot, axes and labels included.
    pub(crate) fn lines(&self) -> Vec<String> {
        let (width, height) = (CELLS.0 * DOTS.0, CELLS.1 * DOTS.1);
        let mut cells = vec![vec![0_u32; CELLS.0]; CELLS.1];
        let mut labels: Vec<(usize, usize, &str)> = Vec::new();
        for curve in &self.curves {
            let mut before: Option<usize> = None;
            let mut end = None;
            for column in 0..width {
                let x = self.x_end * column as f64 / (width - 1) as f64;
                let share = (curve.at)(x) / self.y_end;
                if !share.is_finite() || share > 1.0 {
                    if end.is_some() {
                        break;
                    }
                    continue;
                }
                let row = ((1.0 - share.max(0.0)) * (height - 1) as f64).round() as usize;
                // A steep curve skips dot rows between two columns.
                let (from, to) = match before {
                    Some(last) if last > row + 1 => (row, last - 1),
                    Some(last) if row > last + 1 => (last + 1, row),
                    _ => (row, row),
                };
                for dot in from..=to {
                    set(&mut cells, column, dot);
                }
                before = Some(row);
                end = Some((column / DOTS.0, row / DOTS.1));
            }
            if let Some((column, row)) = end {
                labels.push((column, row, &curve.label));
            }
        }
        let mut canvas: Vec<Vec<char>> = cells
            .iter()
            .map(|row| {
                row.iter()
                    .map(|&bits| match bits {
                        0 => ' ',
                        bits => char::from_u32(BLANK + bits).unwrap_or(' '),
                    })
                    .collect()
            })
            .collect();
        for (column, row, label) in labels {
            write_label(&mut canvas, column + 1, row, label);
        }
        self.with_axes(&canvas)
    }

    fn with_axes(&self, canvas: &[Vec<char>]) -> Vec<String> {
        let mut lines: Vec<String> = canvas
            .iter()
            .enumerate()
            .map(|(row, cells)| {
                let mark = if row % 4 == 0 {
                    format!("{:.3}", self.y_end * (1.0 - row as f64 / CELLS.1 as f64))
                        .trim_end_matches('0')
                        .trim_end_matches('.')
                        .to_owned()
                } else {
                    String::new()
                };
                let unit = if row == 0 { self.y_unit } else { "" };
                let tick = if row % 4 == 0 { '┤' } else { '│' };
                let cells: String = cells.iter().collect();
                format!(
                    "{:>9}{tick}{}",
                    format!("{mark} {unit:<2}"),
                    cells.trim_end()
                )
            })
            .collect();
        let quarter = CELLS.0 / 4;
        let mut axis = String::from("      0  └");
        let mut marks = " ".repeat(10);
        for step in 1..=4 {
            axis.push_str(&"─".repeat(quarter - 1));
            axis.push('┴');
            let value = format!("{:.0}", self.x_end * f64::from(step) / 4.0);
            let value = if step == 4 {
                format!("{value} {}", self.x_unit)
            } else {
                value
            };
            let at = 10 + quarter * usize::try_from(step).unwrap_or(0);
            let start = at.saturating_sub(value.chars().count().div_ceil(2));
            marks.push_str(&" ".repeat(start.saturating_sub(marks.chars().count())));
            marks.push_str(&value);
        }
        lines.push(axis);
        lines.push(marks);
        lines
    }
}

fn set(cells: &mut [Vec<u32>], column: usize, row: usize) {
    let bit = BITS[column % DOTS.0][row % DOTS.1];
    if let Some(cell) = cells
        .get_mut(row / DOTS.1)
        .and_then(|cells| cells.get_mut(column / DOTS.0))
    {
        *cell |= bit;
    }
}

/// Writes a label behind the end of a curve, where nothing else is written.
fn write_label(canvas: &mut [Vec<char>], column: usize, row: usize, label: &str) {
    let Some(cells) = canvas.get_mut(row) else {
        return;
    };
    let written = |c: char| c != ' ' && !('\u{2800}'..='\u{28ff}').contains(&c);
    let length = label.chars().count();
    let taken = cells.iter().skip(column).take(length).any(|&c| written(c));
    if taken {
        return;
    }
    while cells.len() < column + length {
        cells.push(' ');
    }
    for (cell, c) in cells.iter_mut().skip(column).zip(label.chars()) {
        *cell = c;
    }
}

/// The next number up in the row 1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10.
pub(crate) fn round_up(value: f64) -> f64 {
    if !(value.is_finite() && value > 0.0) {
        return 1.0;
    }
    let decade = 10f64.powf(value.log10().floor());
    for step in [1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0] {
        if value <= decade * step * (1.0 + 1e-9) {
            return decade * step;
        }
    }
    decade * 10.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_runs_from_corner_to_corner() {
        let plot = Plot {
            x_end: 400.0,
            y_end: 10.0,
            x_unit: "V",
            y_unit: "mA",
            curves: vec![Curve {
                label: "0 V".to_owned(),
                at: Box::new(|x| x / 40.0),
            }],
        };
        let lines = plot.lines();
        assert_eq!(lines.len(), CELLS.1 + 2);
        assert!(lines[0].contains("10 mA┤"), "{}", lines[0]);
        assert!(lines[0].ends_with("0 V"));
        let last = &lines[CELLS.1 - 1];
        assert!(!last.ends_with(' ') && last.chars().count() < 20, "{last}");
        assert!(lines[CELLS.1 + 1].ends_with("400 V"));
    }

    #[test]
    fn curves_off_the_paper_leave_it_blank() {
        let plot = Plot {
            x_end: 1.0,
            y_end: 1.0,
            x_unit: "V",
            y_unit: "mA",
            curves: vec![
                Curve {
                    label: "over".to_owned(),
                    at: Box::new(|_| 2.0),
                },
                Curve {
                    label: "none".to_owned(),
                    at: Box::new(|_| f64::NAN),
                },
            ],
        };
        assert!(!plot.lines().join("").contains("over"));
        assert!(!plot.lines().join("").contains("none"));
    }

    #[test]
    fn scales_end_on_round_numbers() {
        assert_eq!(round_up(3.1), 4.0);
        assert_eq!(round_up(0.021), 0.025);
        assert_eq!(round_up(100.0), 100.0);
        assert_eq!(round_up(f64::NAN), 1.0);
    }
}
