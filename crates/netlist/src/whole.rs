//! Statements about the unit as a whole: its settings, its notes, its mains.

use crate::cursor::Outcome;
use crate::diagnostic::Diagnostic;
use crate::limits;
use crate::reader::Reader;
use crate::units::Volts;

pub(crate) fn settings(reader: &mut Reader<'_, '_, '_, '_>) -> Outcome<()> {
    let mut named = vec![reader.cursor.name("a setting")?];
    while !reader.cursor.is_done() {
        named.push(reader.cursor.name("a setting")?);
    }
    if let Some(reserved) = named.iter().find(|t| matches!(t.text, "from" | "to")) {
        return Err(Diagnostic::error(
            "bad-name",
            reserved.span,
            format!(
                "`{}` can't name a setting: it says how a part is wired",
                reserved.text
            ),
        )
        .label("not a setting's name")
        .into());
    }
    for token in named {
        reader.builder.declare_setting(token)?;
    }
    Ok(())
}

pub(crate) fn notes(reader: &mut Reader<'_, '_, '_, '_>) -> Outcome<()> {
    let text = reader.cursor.text("the note")?;
    reader.cursor.finish()?;
    reader.builder.stage.notes.push(text);
    Ok(())
}

pub(crate) fn line(reader: &mut Reader<'_, '_, '_, '_>, outermost: bool) -> Outcome<()> {
    let volts = Volts(reader.cursor.value(&limits::LINE)?);
    reader.cursor.finish()?;
    let span = reader.cursor.span;
    match (reader.builder.stage.line, reader.builder.line_span) {
        (Some(first), Some(earlier)) if first != volts => {
            if outermost && earlier.file == span.file {
                return Err(Diagnostic::error(
                    "repeated-statement",
                    span,
                    "a stage assumes one mains voltage",
                )
                .label("second `line`")
                .related(earlier, "first `line`")
                .into());
            }
            reader.cursor.notes.push(
                Diagnostic::warning(
                    "line-differs",
                    span,
                    format!(
                        "this file assumes a mains voltage of {volts}, but {first} is in force"
                    ),
                )
                .label("has no effect")
                .related(earlier, "in force")
                .help("give the values of both files for one mains voltage"),
            );
        }
        _ => {
            reader.builder.stage.line.get_or_insert(volts);
            reader.builder.line_span.get_or_insert(span);
        }
    }
    Ok(())
}
