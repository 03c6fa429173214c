//! The base of a tube from below, as the person with the soldering iron sees it.

use deadstage_parts::{Base, Electrode, Pin, TubeType};
use std::collections::BTreeMap;
use std::f64::consts::PI;

/// Half the width of the circle of pins, columns, and half its height, lines: a
/// character is about twice as high as it is wide.
const ACROSS: f64 = 10.0;
const UP: f64 = 4.6;
/// Points of the outline.
const OUTLINE: usize = 44;

/// What each pin is, in words.
pub(super) fn labels(tube: &TubeType) -> BTreeMap<Pin, String> {
    let mut labels: BTreeMap<Pin, Vec<String>> = BTreeMap::new();
    let mut add = |pin: Pin, said: String| {
        let words = labels.entry(pin).or_default();
        if !words.contains(&said) {
            words.push(said);
        }
    };
    if let Some(heater) = &tube.heater {
        for (index, pin) in heater.pins.iter().enumerate() {
            let what = if index < 2 { "heater" } else { "heater tap" };
            add(*pin, what.to_owned());
        }
    }
    let mut owners: BTreeMap<(Electrode, Pin), Vec<usize>> = BTreeMap::new();
    for (number, unit) in tube.units.iter().enumerate() {
        for (electrode, pins) in &unit.pins {
            for pin in pins {
                owners
                    .entry((*electrode, *pin))
                    .or_default()
                    .push(number + 1);
            }
        }
    }
    let sections = tube.units.len();
    for ((electrode, pin), of) in owners {
        let nobodys = matches!(electrode, Electrode::Shell | Electrode::Shield);
        if sections == 1 || nobodys || of.len() == sections {
            add(pin, electrode.name().to_owned());
        } else {
            let of: Vec<String> = of.iter().map(ToString::to_string).collect();
            add(pin, format!("{} ({})", electrode.name(), of.join(", ")));
        }
    }
    labels
        .into_iter()
        .map(|(pin, words)| (pin, words.join(", ")))
        .collect()
}

/// Lines of the drawing; none where the pins do not stand in one ring.
pub(super) fn drawing(tube: &TubeType) -> Vec<String> {
    let Some(mark) = tube.base.counted_from() else {
        return Vec::new();
    };
    let labels = labels(tube);
    let label = |number: u8| labels.get(&Pin::Number(number)).map_or("", String::as_str);
    let widest = (1..=tube.base.pins())
        .map(|number| label(number).chars().count())
        .max()
        .unwrap_or(0);
    let middle = (widest as f64) + 3.0 + ACROSS;
    let mut canvas = Canvas::new(2 * middle as usize + 1, 2 * UP.ceil() as usize + 3);
    let (cx, cy) = (middle, UP.ceil() + 1.0);
    let place = |turned: f64| (cx + ACROSS * turned.cos(), cy - UP * turned.sin());
    for step in 0..OUTLINE {
        let (x, y) = place(2.0 * PI * step as f64 / OUTLINE as f64);
        canvas.put(x, y, "·");
    }
    for number in 1..=tube.base.pins() {
        let turned = angle(tube.base, number);
        let (x, y) = place(turned);
        let figure = number.to_string();
        let said = label(number);
        canvas.put(x - 1.0, y, &format!(" {figure} "));
        let wide = said.chars().count() as f64;
        if turned.cos().abs() < 0.05 {
            canvas.put((x - wide / 2.0).round(), y - 1.0, said);
        } else if turned.cos() < 0.0 {
            canvas.put(x.round() - 1.0 - wide, y, said);
        } else {
            canvas.put(x.round() + figure.len() as f64 + 1.0, y, said);
        }
    }
    let word = mark.trim_start_matches("the ");
    if !word.contains("pins") {
        canvas.put((cx - word.len() as f64 / 2.0).round(), cy + UP, word);
    }
    canvas.lines()
}

/// Where a pin stands, counterclockwise from the right: pin 1 at the lower left and the
/// others clockwise, with what they are counted from at the bottom.
fn angle(base: Base, number: u8) -> f64 {
    let gap = base.counted_from() == Some("the gap");
    let (slots, behind) = if gap {
        (base.pins() + 1, f64::from(number))
    } else {
        (base.pins(), f64::from(number) - 0.5)
    };
    1.5 * PI - 2.0 * PI * behind / f64::from(slots)
}

/// Characters by column and line.
struct Canvas {
    rows: Vec<Vec<char>>,
}

impl Canvas {
    fn new(columns: usize, rows: usize) -> Self {
        Self {
            rows: vec![vec![' '; columns]; rows],
        }
    }

    /// Writes words from a place on; what would be outside is lost.
    fn put(&mut self, x: f64, y: f64, words: &str) {
        let (x, y) = (x.round().max(0.0) as usize, y.round().max(0.0) as usize);
        let Some(row) = self.rows.get_mut(y) else {
            return;
        };
        for (cell, letter) in row.iter_mut().skip(x).zip(words.chars()) {
            *cell = letter;
        }
    }

    /// The lines that hold something, without what is empty on the left of all.
    fn lines(self) -> Vec<String> {
        let lines: Vec<String> = self
            .rows
            .into_iter()
            .map(|row| row.into_iter().collect::<String>().trim_end().to_owned())
            .skip_while(String::is_empty)
            .collect();
        let margin = lines
            .iter()
            .filter(|line| !line.is_empty())
            .map(|line| line.len() - line.trim_start().len())
            .min()
            .unwrap_or(0);
        let used = lines.iter().rposition(|line| !line.is_empty());
        lines
            .iter()
            .take(used.map_or(0, |last| last + 1))
            .map(|line| format!("  {}", line.get(margin..).unwrap_or_default()))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use deadstage_parts::tube_table;

    fn drawn(name: &str) -> Vec<String> {
        tube_table().find(name).map(drawing).unwrap_or_default()
    }

    /// Line and column of a pin's figure and label.
    fn find(lines: &[String], words: &str) -> Option<(usize, usize)> {
        lines.iter().enumerate().find_map(|(row, line)| {
            let at = line.find(words)?;
            Some((row, line.get(..at)?.chars().count()))
        })
    }

    // Octal: pin 1 to the left of the key as seen from below, the others clockwise
    // (RETMA, from memory, high).
    #[test]
    fn octal_pins_go_clockwise_from_the_key() {
        let lines = drawn("6V6");
        let at = |words: &str| find(&lines, words).unwrap_or_else(|| panic!("{words}: {lines:#?}"));
        let (shell, heater, plate, screen) =
            (at("shell 1"), at("heater 2"), at("plate 3"), at("screen 4"));
        let (grid, second, cathode) = (at("5 grid"), at("7 heater"), at("8 cathode"));
        // From the bottom up on the left, from the top down on the right.
        assert!(shell.0 > heater.0 && heater.0 > plate.0 && plate.0 > screen.0);
        assert!(grid.0 == screen.0 && second.0 == heater.0 && cathode.0 == shell.0);
        assert!(grid.1 > screen.1 && cathode.1 > shell.1);
        assert!(at("key").0 >= shell.0);
    }

    // Nine pins and a gap: the fifth is opposite the gap (BS 448, from memory, high).
    #[test]
    fn the_fifth_of_nine_pins_stands_over_against_the_gap() {
        let lines = drawn("12AX7");
        let at = |words: &str| find(&lines, words).unwrap_or_else(|| panic!("{words}: {lines:#?}"));
        assert_eq!(at("heater").0, 0, "{lines:#?}");
        assert!(at("plate (1) 1").0 == at("9 heater tap").0);
        assert!(at("heater 4").0 == at("6 plate (2)").0);
        assert!(at("gap").0 > at("grid (1) 2").0);
    }

    #[test]
    fn every_pin_of_every_base_in_a_ring_is_drawn_with_its_label() {
        for tube in tube_table().types() {
            let lines = drawing(tube);
            assert_eq!(lines.is_empty(), tube.base.counted_from().is_none());
            let text = lines.join("\n");
            for (pin, label) in labels(tube) {
                let Pin::Number(number) = pin else { continue };
                if lines.is_empty() {
                    continue;
                }
                let beside = text.contains(&format!("{label} {number}"))
                    || text.contains(&format!("{number} {label}"));
                let above = lines.first().is_some_and(|first| first.trim() == label);
                assert!(
                    beside || above,
                    "{} pin {number} {label}:\n{text}",
                    tube.name
                );
            }
            assert!(
                lines.iter().all(|line| line.chars().count() <= 100),
                "{text}"
            );
        }
    }
}
