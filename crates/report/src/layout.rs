//! Lines, columns and styles of the terminal text, and the same as blocks for a page that is no terminal.

use anstyle::{AnsiColor, Style};
use comfy_table::{CellAlignment, ContentArrangement, Table, presets};

/// Columns of the text, at most.
pub(crate) const WIDTH: usize = 100;

/// Headings.
pub(crate) const HEADING: Style = Style::new().bold();
/// What matters most on the page.
pub(crate) const STRONG: Style = Style::new().bold();
/// What is off or over.
pub(crate) const ALARM: Style = Style::new()
    .bold()
    .fg_color(Some(anstyle::Color::Ansi(AnsiColor::Red)));
/// Cautions.
pub(crate) const CAUTION: Style =
    Style::new().fg_color(Some(anstyle::Color::Ansi(AnsiColor::Yellow)));
/// What is well.
pub(crate) const WELL: Style = Style::new().fg_color(Some(anstyle::Color::Ansi(AnsiColor::Green)));

/// `text` in `style`.
pub(crate) fn styled(text: &str, style: Style) -> String {
    format!("{style}{text}{style:#}")
}

/// A piece of a page.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Block {
    Heading(String),
    /// What hangs before the words (`- `, `Note: `), the words, and how deep they stand.
    Paragraph {
        mark: String,
        words: String,
        depth: usize,
        style: Option<Style>,
    },
    Table(Columns),
    /// A line whose blanks matter.
    Line(String),
}

/// A page that grows paragraph by paragraph.
#[derive(Default)]
pub(crate) struct Page {
    text: String,
    blocks: Vec<Block>,
}

impl Page {
    /// A line as it is.
    pub(crate) fn line(&mut self, line: &str) {
        self.blocks.push(Block::Line(line.trim_end().to_owned()));
        self.put(line);
    }

    fn put(&mut self, line: &str) {
        self.text.push_str(line.trim_end());
        self.text.push('\n');
    }

    /// An empty line, unless one stands there or nothing does.
    pub(crate) fn gap(&mut self) {
        if !self.text.is_empty() && !self.text.ends_with("\n\n") {
            self.text.push('\n');
        }
    }

    /// A heading over what follows.
    pub(crate) fn heading(&mut self, words: &str) {
        self.gap();
        self.blocks.push(Block::Heading(words.to_owned()));
        self.put(&styled(words, HEADING));
    }

    /// A paragraph, wrapped, every line indented by `indent`.
    pub(crate) fn paragraph(&mut self, indent: &str, words: &str) {
        self.hung(indent, indent, words);
    }

    /// A paragraph whose first line begins with `first` and the others with `rest`.
    pub(crate) fn hung(&mut self, first: &str, rest: &str, words: &str) {
        self.hung_in(first, rest, words, None);
    }

    /// The same with every line in a style.
    pub(crate) fn hung_in(&mut self, first: &str, rest: &str, words: &str, style: Option<Style>) {
        let options = textwrap::Options::new(WIDTH)
            .initial_indent(first)
            .subsequent_indent(rest)
            .break_words(false);
        self.blocks.push(Block::Paragraph {
            mark: first.trim().to_owned(),
            words: words.to_owned(),
            depth: rest.chars().take_while(|sign| *sign == ' ').count() / 2,
            style,
        });
        for line in textwrap::wrap(words, options) {
            match style {
                Some(style) => self.put(&styled(&line, style)),
                None => self.put(&line),
            }
        }
    }

    /// A table.
    pub(crate) fn table(&mut self, columns: Columns) {
        self.blocks.push(Block::Table(columns.clone()));
        for line in columns.lines() {
            self.put(&line);
        }
    }

    /// The page in pieces.
    pub(crate) fn blocks(&self) -> &[Block] {
        &self.blocks
    }

    /// The page.
    pub(crate) fn finish(self) -> String {
        self.text
    }
}

/// Aligned columns without rules; the last one wraps where a line would be too long.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Columns {
    pub(crate) headings: Vec<String>,
    pub(crate) right: Vec<bool>,
    pub(crate) rows: Vec<(Vec<String>, Option<Style>)>,
}

/// What stands before the first column.
const MARGIN: &str = " ";
/// Least width the last column is wrapped to, however full the line.
const LEAST: usize = 16;

impl Columns {
    /// Columns headed so; a heading that starts with `>` is right-aligned.
    /// Headings that are all empty are not shown.
    pub(crate) fn new(headings: &[&str]) -> Self {
        Self {
            headings: headings
                .iter()
                .map(|heading| heading.trim_start_matches('>').to_owned())
                .collect(),
            right: headings
                .iter()
                .map(|heading| heading.starts_with('>'))
                .collect(),
            rows: Vec::new(),
        }
    }

    /// Adds a row.
    pub(crate) fn row<I, S>(&mut self, cells: I, style: Option<Style>)
    where
        I: IntoIterator<Item = S>,
        S: Into<String>,
    {
        self.rows
            .push((cells.into_iter().map(Into::into).collect(), style));
    }

    fn lines(self) -> Vec<String> {
        let last = self.headings.len().saturating_sub(1);
        let room = self.room_for_last(last);
        let mut table = Table::new();
        table.load_style(presets::NOTHING);
        table.set_content_arrangement(ContentArrangement::Disabled);
        let mut styles = Vec::new();
        if self.headings.iter().any(|heading| !heading.is_empty()) {
            table.set_header(&self.headings);
            styles.push(None);
        }
        for (mut cells, style) in self.rows {
            let wrapped = match cells.get(last) {
                Some(cell) if textwrap::core::display_width(cell) > room => {
                    textwrap::wrap(cell, room)
                        .into_iter()
                        .map(std::borrow::Cow::into_owned)
                        .collect()
                }
                _ => Vec::new(),
            };
            let mut pieces = wrapped.into_iter();
            if let (Some(piece), Some(cell)) = (pieces.next(), cells.get_mut(last)) {
                *cell = piece;
            }
            table.add_row(cells);
            styles.push(style);
            for piece in pieces {
                let mut continued = vec![String::new(); last];
                continued.push(piece);
                table.add_row(continued);
                styles.push(style);
            }
        }
        for (index, right) in self.right.iter().enumerate() {
            if let (true, Some(column)) = (*right, table.column_mut(index)) {
                column.set_cell_alignment(CellAlignment::Right);
            }
        }
        table
            .lines()
            .zip(styles)
            .map(|(line, style)| {
                let line = format!("{MARGIN}{}", line.trim_end());
                match style {
                    Some(style) => styled(&line, style),
                    None => line,
                }
            })
            .collect()
    }

    fn room_for_last(&self, last: usize) -> usize {
        let width_of = |index: usize| {
            std::iter::once(&self.headings)
                .chain(self.rows.iter().map(|(cells, _)| cells))
                .filter_map(|cells| cells.get(index))
                .map(|cell| textwrap::core::display_width(cell))
                .max()
                .unwrap_or(0)
        };
        // Each column is padded by one space on either side.
        let taken: usize = MARGIN.len() + (0..last).map(|index| width_of(index) + 2).sum::<usize>();
        WIDTH.saturating_sub(taken + 2).max(LEAST)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_line_up_and_the_last_one_wraps() {
        let mut columns = Columns::new(&["point", ">volts", "what is there"]);
        columns.row(["plate1", "165 V", "V1 plate"], None);
        columns.row(
            ["b+".to_owned(), "250 V".to_owned(), "word ".repeat(40)],
            None,
        );
        let mut page = Page::default();
        page.table(columns);
        let text = page.finish();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[0], "  point   volts  what is there");
        assert_eq!(lines[1], "  plate1  165 V  V1 plate");
        assert!(lines.len() > 4);
        assert!(lines.iter().all(|line| line.chars().count() <= WIDTH));
        assert!(lines[3].starts_with("                 word"));
    }

    #[test]
    fn gaps_do_not_pile_up() {
        let mut page = Page::default();
        page.gap();
        page.line("one");
        page.gap();
        page.gap();
        page.line("two");
        assert_eq!(page.finish(), "one\n\ntwo\n");
    }
}
