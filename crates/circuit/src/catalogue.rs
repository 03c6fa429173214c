//! Where the names of the text meet the data of the parts.

use deadstage_netlist::{
    Electrode, FilterInput, RectifierConnection, Stage, TubeKind as WrittenKind, TubeName,
    TubeNames, TubeRole, TubeTypeDefinition,
};
use deadstage_parts::{
    self as parts, Device, LawForm, OperatingPoint, Pin, TubeKind, TubeLaw, UnitKind, tube_table,
};

/// Every tube type, electrode and pin that a stage file may name.
pub fn tube_names() -> TubeNames {
    let mut types = Vec::new();
    for tube in tube_table().types() {
        let role = match tube.units.first().map(|unit| unit.kind) {
            Some(UnitKind::Rectifier | UnitKind::MercuryRectifier) => TubeRole::Rectifier,
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
    TubeNames { types }
}

fn electrode_written(electrode: parts::Electrode) -> Option<Electrode> {
    match electrode {
        parts::Electrode::Plate => Some(Electrode::Plate),
        parts::Electrode::Grid => Some(Electrode::Grid),
        parts::Electrode::Screen => Some(Electrode::Screen),
        parts::Electrode::Suppressor => Some(Electrode::Suppressor),
        parts::Electrode::Grid3 => Some(Electrode::Grid3),
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

pub(crate) fn diode_law(_: &str) -> Option<Device> {
    None
}
pub(crate) fn regulator_law(_: &str) -> Option<Device> {
    None
}
pub(crate) fn transistor_law(_: &str) -> Option<Device> {
    None
}
pub(crate) fn rectifier_law(
    _: &str,
    _: RectifierConnection,
    _: f64,
    _: f64,
    _: FilterInput,
) -> Option<Device> {
    None
}
