//! The ideal observer: the same reasoner, told the truth about how units are drawn.
//!
//! It has the units' own tube law in the place of its two, the spreads that
//! [`scatter`](super::draw::scatter) draws with, and how often
//! [`fault`](super::draw::fault) draws what; no allowance for a law that does
//! not fit. What it can't do, no reasoning about these readings is asked to do.
//!
//! Where it is still less than ideal: the share of contact potential that a unit's
//! law believes in is even from none to all, for which the law at three shares
//! stands, each as likely; what is even within limits is taken as Gaussian; a
//! tube's poor contact is drawn at the cathode pin, and looked for at every pin;
//! a failure's rarity is that of being drawn, not of being drawn and kept because it
//! shows; and the number of failures is not told.

use std::collections::BTreeMap;
use std::sync::Arc;

use deadstage_circuit::{ElementRole, Network, ParameterKind, class_of};
use deadstage_netlist::{PartId, PartKind, Stage};
use deadstage_parts::{Device, LawForm, Mode, RateProfile, Trait, default_tolerance, rate};
use deadstage_reason::{Ablation, Assumptions};

use super::draw::{first_point, shares, swing};
use super::law::{Specimen, ToldLaw, UnitTube};

/// It looks at so many times as many sets as the program does.
const BREADTH: usize = 3;

/// Middles of three even stretches of the contact share.
const CONTACT_SHARES: [f64; 3] = [1.0 / 6.0, 0.5, 5.0 / 6.0];

/// What a reasoner must assume to know all that can be known of a unit before it is read.
///
/// # Errors
/// A stage that has no network, or a tube that the bench has no law for.
pub fn assumptions(stage: &Stage) -> Result<Assumptions, String> {
    let networks = CONTACT_SHARES
        .into_iter()
        .map(|share| network(stage, share))
        .collect::<Result<_, _>>()?;
    Ok(Assumptions {
        networks,
        failures: Some(failures(stage)),
        breadth: BREADTH,
        without: Ablation {
            misfit: true,
            ..Ablation::default()
        },
    })
}

fn network(stage: &Stage, contact_share: f64) -> Result<Network, String> {
    let mut network = Network::compile(stage, LawForm::TwoPitch).map_err(|errors| {
        let list: Vec<String> = errors.iter().map(ToString::to_string).collect();
        list.join("; ")
    })?;
    for (id, part) in (0u32..).map(PartId).zip(&stage.parts) {
        let PartKind::Tube {
            tube_type, unit, ..
        } = &part.kind
        else {
            continue;
        };
        let device = network.part(id).device.ok_or("no device")?;
        let (kind, point, mu) = first_point(stage, tube_type, *unit).ok_or("no published point")?;
        let Some(kind) = kind else { continue };
        let mut tube = UnitTube::new(kind, &point, mu, &Specimen::nominal(contact_share));
        tube.swing = swing(&network.device(device).law);
        let law = ToldLaw {
            tube,
            ports: network.device(device).ports.len(),
        };
        network
            .set_law(device, Device::Own(Arc::new(law)))
            .map_err(|e| e.to_string())?;
    }
    let sigmas: Vec<f64> = network
        .parameters
        .iter()
        .map(|parameter| {
            let tolerance = parameter.part.map_or(0.0, |id| {
                let part = stage.part(id);
                part.tolerance
                    .unwrap_or_else(|| default_tolerance(class_of(&part.kind)))
            });
            match &parameter.kind {
                // The sheet states the mains, and it is what is stated.
                ParameterKind::Line | ParameterKind::Wiper(..) => 0.0,
                ParameterKind::Ohms(elements)
                    if network.element(elements[0]).role == ElementRole::Leakage =>
                {
                    tolerance / 3f64.sqrt()
                }
                ParameterKind::Ohms(_) | ParameterKind::Emf(_) => parameter.sigma,
                ParameterKind::Device(id, of) => {
                    let slot = network.device(*id);
                    match (&slot.law, of) {
                        (Device::Own(_), _) => parameter.sigma,
                        (_, Trait::Volts) if slot.follows_line => 0.03 * tolerance / 3f64.sqrt(),
                        _ => 0.0,
                    }
                }
            }
        })
        .collect();
    for (parameter, sigma) in network.parameters.iter_mut().zip(sigmas) {
        parameter.sigma = sigma;
    }
    Ok(network)
}

/// The shares that failures are drawn with, as many in all as the program's rates expect.
fn failures(stage: &Stage) -> BTreeMap<(PartId, Mode), f64> {
    let drawn: Vec<(PartId, Vec<(Mode, f64)>)> = (0u32..)
        .map(PartId)
        .zip(&stage.parts)
        .map(|(id, part)| (id, shares(&part.kind)))
        .filter(|(_, shares)| !shares.is_empty())
        .collect();
    let expected: f64 = stage
        .parts
        .iter()
        .map(|part| rate(class_of(&part.kind), RateProfile::DecadesOld))
        .sum();
    let each = expected / drawn.len().max(1) as f64;
    drawn
        .into_iter()
        .flat_map(|(id, shares)| {
            shares
                .into_iter()
                .map(move |(mode, share)| ((id, mode), each * share))
        })
        .collect()
}
