//! A netlist held against its own print.

use deadstage_circuit::{
    Base, CompileError, Flow, Network, OperatingPoint, Probe, Scratch, Situation,
};
use deadstage_netlist::{Expect, Meter, PartId, PartKind, Place, Quantity, SettingId, Stage};
use deadstage_parts::LawForm;

use crate::chart::View;
use crate::observe::{ends, panel_scale, shown};

/// Tolerance of a value of the print that states none: the 20 % common on
/// published charts (common practice, no source).
pub const PRINT_TOLERANCE: f64 = 0.2;

/// Whether a stage solves in every setting and keeps the values of its print.
#[derive(Clone, Debug, PartialEq)]
pub struct Check {
    /// Title of the stage.
    pub stage: String,
    /// One entry a setting, in the order of the file; a single entry with an
    /// empty name where the unit has none.
    pub settings: Vec<SettingCheck>,
}

/// One control setting of a [`Check`].
#[derive(Clone, Debug, PartialEq)]
pub struct SettingCheck {
    /// Name of the setting; empty if the unit has none.
    pub setting: String,
    /// Why no operating point was found; `None` where it solved.
    pub unsolved: Option<String>,
    /// What a person must be told beside the numbers.
    pub remarks: Vec<String>,
    /// Those of the remarks that tell of a part past its rating.
    pub overloads: Vec<String>,
    /// The values of the print that hold in this setting, in the order of the file.
    pub expects: Vec<ExpectCheck>,
}

/// One value of the print beside the computed one.
#[derive(Clone, Debug, PartialEq)]
pub struct ExpectCheck {
    /// The point as the print names it.
    pub point: String,
    /// `volts`, `ohms`, `amps`, `panel`.
    pub kind: &'static str,
    /// Unit of the numbers.
    pub unit: String,
    /// What the print says.
    pub print: f64,
    /// How far off the print allows, as a fraction of its value.
    pub tolerance: f64,
    /// What the print's meter shows on the solved circuit.
    pub computed: f64,
    /// Whether the computed value lies within the tolerance.
    pub pass: bool,
}

/// Solves `stage` in every setting and computes every value of its print.
///
/// Whether a setting solves is part of the answer, not an error.
///
/// # Errors
/// Every part that has no physics here, or no meaning as it is wired.
pub fn check(stage: &Stage) -> Result<Check, Vec<CompileError>> {
    let network = Network::compile(stage, LawForm::default())?;
    let settings: Vec<Option<SettingId>> = if stage.settings.is_empty() {
        vec![None]
    } else {
        (0u32..)
            .zip(&stage.settings)
            .map(|(index, _)| Some(SettingId(index)))
            .collect()
    };
    Ok(Check {
        stage: stage.title.clone(),
        settings: settings
            .into_iter()
            .map(|setting| check_setting(stage, &network, setting))
            .collect(),
    })
}

fn check_setting(stage: &Stage, network: &Network, setting: Option<SettingId>) -> SettingCheck {
    let name = setting
        .and_then(|id| stage.settings.get(id.0 as usize))
        .cloned()
        .unwrap_or_default();
    match expects_in(stage, network, setting) {
        Ok((expects, remarks, overloads)) => SettingCheck {
            setting: name,
            unsolved: None,
            remarks,
            overloads,
            expects,
        },
        Err(why) => SettingCheck {
            setting: name,
            unsolved: Some(why),
            remarks: Vec::new(),
            overloads: Vec::new(),
            expects: Vec::new(),
        },
    }
}

/// The values of the print, what is to be said of the state they were held
/// against, and what of that is a part past its rating.
type Held = (Vec<ExpectCheck>, Vec<String>, Vec<String>);

fn expects_in(
    stage: &Stage,
    network: &Network,
    setting: Option<SettingId>,
) -> Result<Held, String> {
    let mut scratch = Scratch::default();
    let situation = Situation::running(setting);
    let held: Vec<&Expect> = stage
        .expects
        .iter()
        .filter(|expect| {
            setting.is_none()
                || expect.setting.unwrap_or(SettingId(0)) == setting.unwrap_or(SettingId(0))
        })
        .collect();
    let cold_base;
    let cold = if held.iter().any(|e| e.quantity == Quantity::Ohms) {
        cold_base = Base::new(network, &situation.clone().power_off(), &mut scratch)
            .map_err(|error| format!("with the power off: {error}"))?;
        Some(
            cold_base
                .solve(&[], None, &mut scratch)
                .map_err(|error| format!("with the power off: {error}"))?,
        )
    } else {
        None
    };
    let bases = Base::all(network, &situation, &mut scratch).map_err(|error| error.to_string())?;
    // Of several states the print shows one: that which keeps most of it.
    let mut best: Option<(usize, Held)> = None;
    let states = bases.iter().map(|base| base.solve(&[], None, &mut scratch));
    let states: Vec<OperatingPoint<'_>> = states
        .collect::<Result<_, _>>()
        .map_err(|error| error.to_string())?;
    for (base, running) in bases.iter().zip(&states) {
        let expects: Vec<ExpectCheck> = held
            .iter()
            .map(|expect| {
                let at = match (&cold, expect.quantity) {
                    (Some(cold), Quantity::Ohms) => cold,
                    _ => running,
                };
                hold(stage, network, expect, at, &mut scratch)
            })
            .collect();
        let missed = expects.iter().filter(|expect| !expect.pass).count();
        if best.as_ref().is_some_and(|(least, ..)| *least <= missed) {
            continue;
        }
        let view = View {
            stage,
            network,
            base,
            at: running,
        };
        let parts = view.parts();
        let remarks = view.warnings(&parts, &view.panels(), &states, &mut scratch);
        best = Some((missed, (expects, remarks, view.overloads(&parts))));
    }
    best.map(|(_, held)| held)
        .ok_or_else(|| "no state was found".to_owned())
}

fn hold(
    stage: &Stage,
    network: &Network,
    expect: &Expect,
    at: &OperatingPoint<'_>,
    scratch: &mut Scratch,
) -> ExpectCheck {
    let computed = computed(stage, network, expect, at, scratch).unwrap_or(f64::NAN);
    let tolerance = expect.tolerance.unwrap_or(PRINT_TOLERANCE);
    let (kind, unit) = match expect.quantity {
        Quantity::Volts => ("volts", "V".to_owned()),
        Quantity::Ohms => ("ohms", "Ω".to_owned()),
        Quantity::Amps => ("amps", "A".to_owned()),
        Quantity::Panel => ("panel", panel_unit(stage, expect)),
        Quantity::Tester => ("tester", "%".to_owned()),
    };
    ExpectCheck {
        point: expect.point.label.clone(),
        kind,
        unit,
        print: expect.value,
        tolerance,
        computed,
        pass: (computed - expect.value).abs() <= tolerance * expect.value.abs() * (1.0 + 1e-12),
    }
}

/// What the print's meter shows; `None` where nothing can be read there.
fn computed(
    stage: &Stage,
    network: &Network,
    expect: &Expect,
    at: &OperatingPoint<'_>,
    scratch: &mut Scratch,
) -> Option<f64> {
    match expect.quantity {
        Quantity::Volts => {
            let (from, to) = ends(stage, expect.point.place);
            let meter = expect.meter.unwrap_or(Meter::IDEAL);
            Some(shown(at, &meter, (from, to), scratch).0)
        }
        Quantity::Ohms => {
            let (from, to) = ends(stage, expect.point.place);
            Some(at.read(&Probe::Ohms { from, to }, scratch, None))
        }
        Quantity::Amps => current(network, expect.point.place, at, scratch),
        Quantity::Panel => {
            let amps = current(network, expect.point.place, at, scratch)?;
            let (factor, offset, _) = panel_scale(stage, part_of(expect.point.place)?)?;
            Some(offset + factor * amps)
        }
        // A tube tester's figure is no value of a circuit.
        Quantity::Tester => None,
    }
}

fn part_of(place: Place) -> Option<PartId> {
    match place {
        Place::Through(part) | Place::Across(part) => Some(part),
        Place::Node(_) => None,
    }
}

fn current(
    network: &Network,
    place: Place,
    at: &OperatingPoint<'_>,
    scratch: &mut Scratch,
) -> Option<f64> {
    let flow = Flow::through(network, part_of(place)?)?;
    Some(at.read(&Probe::Amps(flow), scratch, None))
}

fn panel_unit(stage: &Stage, expect: &Expect) -> String {
    let scale = part_of(expect.point.place).map(|part| &stage.part(part).kind);
    match scale {
        Some(PartKind::Meter {
            scale: Some(scale), ..
        }) => scale.unit.clone(),
        _ => "A".to_owned(),
    }
}

impl Check {
    /// Whether every setting solved and every value of the print is kept.
    pub fn pass(&self) -> bool {
        self.settings.iter().all(|setting| {
            setting.unsolved.is_none() && setting.expects.iter().all(|expect| expect.pass)
        })
    }
}
