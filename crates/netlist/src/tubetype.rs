//! `tubetype`: a tube from one operating point of its data sheet.

use crate::cursor::Outcome;
use crate::diagnostic::Diagnostic;
use crate::lex::Token;
use crate::limits;
use crate::properties::{Takes, once, tail};
use crate::reader::Reader;
use crate::stage::{TubeKind, TubeTypeDefinition};
use crate::units::{Amps, Siemens, Volts};

/// `tubetype NAME triode mu M plate V grid V current I gm S`, pentodes with
/// `screen V I`.
pub(crate) fn tube_type(reader: &mut Reader<'_, '_, '_, '_>) -> Outcome<()> {
    let cursor = &mut *reader.cursor;
    let name = cursor.name("a name for the tube type")?;
    let kind = cursor.choice(
        "the kind of tube",
        &[
            ("triode", TubeKind::Triode),
            ("pentode", TubeKind::Pentode),
            ("beam", TubeKind::BeamTetrode),
        ],
    )?;
    let takes = Takes {
        words: &["mu", "plate", "grid", "current", "gm", "screen"],
        ..Takes::default()
    };
    let (mut mu, mut plate, mut grid, mut current, mut gm, mut screen) =
        (None, None, None, None, None, None);
    tail(cursor, takes, &mut |cursor, token| {
        match token.text {
            "mu" => once(&mut mu, cursor.value(&limits::MU)?, token)?,
            "plate" => once(&mut plate, cursor.value(&limits::PLATE_VOLTS)?, token)?,
            "grid" => once(&mut grid, cursor.value(&limits::GRID_VOLTS)?, token)?,
            "current" => once(&mut current, cursor.value(&limits::TUBE_AMPS)?, token)?,
            "gm" => once(&mut gm, cursor.value(&limits::GM)?, token)?,
            "screen" => {
                let volts = cursor.value(&limits::PLATE_VOLTS)?;
                let amps = cursor.value(&limits::TUBE_AMPS)?;
                once(&mut screen, (Volts(volts), Amps(amps)), token)?;
            }
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    let missing = |what: &str, example: &str| {
        Diagnostic::error(
            "missing-property",
            name.span,
            format!("tube type `{}` does not give {what}", name.text),
        )
        .label(format!("{what} is missing"))
        .help(format!("add it from the data sheet: `{example}`"))
    };
    let definition = TubeTypeDefinition {
        name: name.text.to_owned(),
        kind,
        mu: mu.ok_or_else(|| missing("its amplification factor", "mu 100"))?,
        plate_volts: Volts(plate.ok_or_else(|| missing("its plate voltage", "plate 250V"))?),
        grid_volts: Volts(grid.ok_or_else(|| missing("its grid voltage", "grid -2V"))?),
        plate_amps: Amps(current.ok_or_else(|| missing("its plate current", "current 1.2mA"))?),
        gm: Siemens(gm.ok_or_else(|| missing("its transconductance", "gm 1.6mS"))?),
        screen_volts: screen.map(|(volts, _)| volts),
        screen_amps: screen.map(|(_, amps)| amps),
        span: cursor.span,
    };
    match (kind, screen) {
        (TubeKind::Triode, Some(_)) => {
            return Err(Diagnostic::error(
                "no-such-electrode",
                name.span,
                format!("tube type `{}` is a triode and has no screen", name.text),
            )
            .label("a triode")
            .into());
        }
        (TubeKind::Pentode | TubeKind::BeamTetrode, None) => {
            return Err(missing("its screen's voltage and current", "screen 100V 0.6mA").into());
        }
        _ => {}
    }
    define(reader, name, definition)
}

fn define(
    reader: &mut Reader<'_, '_, '_, '_>,
    name: Token<'_>,
    definition: TubeTypeDefinition,
) -> Outcome<()> {
    if let Some(earlier) = reader.builder.defined_type(name.text) {
        // Two files of one chassis may each bring the same type along.
        if *earlier == definition {
            return Ok(());
        }
        return Err(Diagnostic::error(
            "duplicate-tube-type",
            name.span,
            format!("tube type `{}` is defined differently above", name.text),
        )
        .label("second definition")
        .related(earlier.span, "first definition")
        .into());
    }
    // A version that the table has no row for may well be defined here.
    if reader.builder.names.named(name.text).is_some() {
        return Err(Diagnostic::error(
            "duplicate-tube-type",
            name.span,
            format!("tube type `{}` is in the table already", name.text),
        )
        .label("known type")
        .help("give your own type a name of its own")
        .into());
    }
    reader.builder.define_type(definition)
}
