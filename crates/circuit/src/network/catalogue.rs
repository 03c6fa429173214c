//! Where the names of the text meet the data of the parts.

use deadstage_netlist::{
    Electrode, FilterInput, RectifierConnection, Stage, TakenFor, TubeKind as WrittenKind,
    TubeName, TubeNames, TubeRole, TubeTypeDefinition,
};
use deadstage_parts::{
    self as parts, Device, LawForm, OperatingPoint, Pin, TubeKind, TubeLaw, UnitKind, tube_table,
};

/// Every tube type, electrode and pin that a stage file may name.
pub fn tube_names() -> TubeNames {
    let mut types = Vec::new();
    for tube in tube_table().types() {
        let role = match tube.units.first().map(|unit| unit.kind) {
            Some(UnitKind::Rectifier | UnitKind::GasRectifier | UnitKind::Diode) => {
                TubeRole::Rectifier
            }
            Some(UnitKind::Regulator) => TubeRole::Regulator,
            _ => TubeRole::Amplifier,
        };
        let units: Vec<Vec<(Electrode, u8)>> = tube
            .units
            .iter()
            .map(|unit| {
                unit.pins
                    .iter()
                    .flat_map(|(electrode, pins)| pins.iter().map(move |pin| (electrode, pin)))
                    .filter_map(
                        |(electrode, pin)| match (electrode_written(*electrode), pin) {
                            (Some(electrode), Pin::Number(number)) => Some((electrode, *number)),
                            (Some(electrode), Pin::Cap | Pin::Cap2) => Some((electrode, 0)),
                            _ => None,
                        },
                    )
                    .collect()
            })
            .collect();
        for name in std::iter::once(&tube.name).chain(&tube.aliases) {
            types.push(TubeName {
                name: name.clone(),
                role,
                units: units.clone(),
            });
        }
    }
    types.sort_by(|a, b| a.name.cmp(&b.name));
    TubeNames {
        types,
        look_up: Some(taken_for),
    }
}

/// The type of the table that a written name is taken for.
fn taken_for(written: &str) -> Option<TakenFor> {
    let named = tube_table().look_up(written)?;
    Some(TakenFor {
        doubt: named.doubt(),
        name: named.tube.name.clone(),
    })
}

fn electrode_written(electrode: parts::Electrode) -> Option<Electrode> {
    match electrode {
        parts::Electrode::Plate => Some(Electrode::Plate),
        parts::Electrode::Grid => Some(Electrode::Grid),
        parts::Electrode::Screen => Some(Electrode::Screen),
        parts::Electrode::Suppressor => Some(Electrode::Suppressor),
        parts::Electrode::Grid3 => Some(Electrode::Grid3),
        parts::Electrode::Target => Some(Electrode::Target),
        parts::Electrode::Cathode => Some(Electrode::Cathode),
        _ => None,
    }
}

/// The law of a `tube` statement's type: the stage's own definition first, then the table.
pub(crate) fn tube_law(
    stage: &Stage,
    tube_type: &str,
    unit: Option<u8>,
    form: LawForm,
) -> Option<Device> {
    if let Some(own) = stage
        .tube_types
        .iter()
        .find(|t| t.name.eq_ignore_ascii_case(tube_type))
    {
        return defined_law(own, form).map(Device::Tube);
    }
    let tube = tube_table().find(tube_type)?;
    tube.law(usize::from(unit.unwrap_or(1)).saturating_sub(1), form)
}

/// The law fitted to a `tubetype` statement.
pub fn defined_law(own: &TubeTypeDefinition, form: LawForm) -> Option<TubeLaw> {
    let kind = match own.kind {
        WrittenKind::Triode => TubeKind::Triode,
        WrittenKind::Pentode => TubeKind::Pentode,
        WrittenKind::BeamTetrode => TubeKind::Beam,
    };
    let point = OperatingPoint {
        plate_volts: own.plate_volts.0,
        grid_volts: own.grid_volts.0,
        screen_volts: own.screen_volts.map_or(0.0, |v| v.0),
        plate_amps: Some(own.plate_amps.0),
        screen_amps: own.screen_amps.map(|i| i.0),
        gm: Some(own.gm.0),
        mu: Some(own.mu),
        ..OperatingPoint::default()
    };
    parts::fit_points(kind, &[point], form)
        .ok()
        .map(|fit| fit.law)
}

/// The law of a tuning indicator's target, where its type has one.
pub(crate) fn target_law(tube_type: &str, unit: Option<u8>) -> Option<Device> {
    let tube = tube_table().find(tube_type)?;
    let unit = tube
        .units
        .get(usize::from(unit.unwrap_or(1)).saturating_sub(1))?;
    let drop = unit.target?;
    let law = parts::DiodeLaw::vacuum_from_drop(drop.volts, drop.amps);
    Some(Device::Diode(law))
}

/// The law of a `diode` statement's type.
pub(crate) fn diode_law(diode_type: &str) -> Option<Device> {
    let law = match diode_type.to_ascii_lowercase().as_str() {
        "silicon" => parts::DiodeLaw::silicon(),
        "germanium" => parts::DiodeLaw::germanium(),
        "selenium" => parts::DiodeLaw::selenium(),
        _ => return tube_table().find(diode_type)?.law(0, LawForm::TwoPitch),
    };
    Some(Device::Diode(law))
}

/// The law of a `regulator` statement's type.
pub(crate) fn regulator_law(tube_type: &str) -> Option<Device> {
    let law = tube_table().find(tube_type)?.law(0, LawForm::TwoPitch)?;
    matches!(law, Device::Regulator(_)).then_some(law)
}

/// The law of a `transistor` statement's type.
pub(crate) fn transistor_law(transistor_type: &str) -> Option<Device> {
    let words = transistor_type.to_ascii_lowercase();
    let polarity = if words.contains("pnp") {
        parts::Polarity::Pnp
    } else if words.contains("npn") {
        parts::Polarity::Npn
    } else {
        return None;
    };
    let law = if words.contains("germanium") {
        parts::TransistorLaw::germanium(polarity)
    } else if words.contains("silicon") {
        parts::TransistorLaw::silicon(polarity)
    } else {
        return None;
    };
    Some(Device::Transistor(law))
}

/// The law of a `rectifier` statement, a choke of so many henries at its output.
pub(crate) fn rectifier_law(
    tube_type: &str,
    connection: RectifierConnection,
    winding_volts: f64,
    winding_ohms: f64,
    filter: FilterInput,
    henries: Option<f64>,
) -> Option<parts::RectifierLaw> {
    let element = if tube_type.eq_ignore_ascii_case("silicon") {
        parts::RectifierElement::Silicon
    } else if tube_type.eq_ignore_ascii_case("selenium") {
        parts::RectifierElement::selenium_for(winding_volts)
    } else {
        parts::RectifierElement::of_type(tube_table().find(tube_type)?)?
    };
    let connection = match connection {
        RectifierConnection::FullWave => parts::Connection::FullWave,
        RectifierConnection::HalfWave => parts::Connection::HalfWave,
        RectifierConnection::Bridge => parts::Connection::Bridge,
        RectifierConnection::Doubler => parts::Connection::Doubler,
    };
    let filter = match filter {
        FilterInput::Capacitor => parts::Filter::Capacitor,
        FilterInput::Choke => parts::Filter::Choke { henries },
    };
    let law =
        parts::RectifierLaw::new(element, connection, winding_volts, winding_ohms, filter).ok()?;
    Some(match henries {
        Some(henries) => law.with_choke_behind(henries),
        None => law,
    })
}
