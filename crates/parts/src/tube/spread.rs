//! How far healthy specimens of a type lie from its published points.
//!
//! Common practice, no source, for the figures as such; they are judged from
//! the ±12 % between three measured specimens of one type (Dempwolf & Zölzer,
//! DAFx-11, 2011, table 1), the usual ±20 to 30 % of a purchase
//! specification on plate current at fixed bias, and the misfit of a law away
//! from its fitted points. A used tube that a technician would leave in its
//! socket counts as healthy.

use super::kind::TubeKind;
use crate::device::{Spread, Trait};

/// One standard deviation by trait for one kind of tube.
struct KindSpread {
    kind: TubeKind,
    /// Logarithmic.
    perveance: f64,
    /// Volts, whatever the tube's bias.
    contact_volts: f64,
    /// Further contact volts per volt of cutoff bias: grid pitch and spacing.
    contact_per_bias: f64,
    /// Logarithmic.
    mu: f64,
    /// Logarithmic.
    screen_share: f64,
    /// Logarithmic.
    grid_current: f64,
    /// Logarithmic.
    knee: f64,
    /// Logarithmic. Two laws fitted to the same points differ this much in how the last current fades.
    tail: f64,
    /// Of the current at zero bias. With a shorted screen capacitor one tube passes a twentieth of its
    /// current and another next to none (common practice, no source); no data sheet says.
    plate_pull: f64,
}

#[rustfmt::skip]
const SPREADS: [KindSpread; 5] = [
    KindSpread { kind: TubeKind::Triode,        perveance: 0.16, contact_volts: 0.15, contact_per_bias: 0.03, mu: 0.06, screen_share: 0.0,  grid_current: 0.9, knee: 0.35, tail: 0.6, plate_pull: 0.0 },
    KindSpread { kind: TubeKind::Pentode,       perveance: 0.17, contact_volts: 0.15, contact_per_bias: 0.04, mu: 0.06, screen_share: 0.25, grid_current: 0.9, knee: 0.35, tail: 0.6, plate_pull: 0.04 },
    KindSpread { kind: TubeKind::RemotePentode, perveance: 0.17, contact_volts: 0.18, contact_per_bias: 0.04, mu: 0.06, screen_share: 0.25, grid_current: 0.9, knee: 0.35, tail: 0.6, plate_pull: 0.04 },
    KindSpread { kind: TubeKind::Beam,          perveance: 0.17, contact_volts: 0.15, contact_per_bias: 0.04, mu: 0.06, screen_share: 0.30, grid_current: 0.9, knee: 0.35, tail: 0.6, plate_pull: 0.04 },
    KindSpread { kind: TubeKind::Heptode,       perveance: 0.20, contact_volts: 0.20, contact_per_bias: 0.04, mu: 0.08, screen_share: 0.25, grid_current: 0.9, knee: 0.35, tail: 0.6, plate_pull: 0.04 },
];

/// The spreads of a kind, for a tube that cuts off at about `bias_scale` volts.
pub(crate) fn of(kind: TubeKind, bias_scale: f64) -> Vec<Spread> {
    let mut out = Vec::with_capacity(8);
    for row in SPREADS.iter().filter(|row| row.kind == kind) {
        let contact = row.contact_volts + row.contact_per_bias * bias_scale;
        let traits = [
            (Trait::Perveance, row.perveance),
            (Trait::ContactVolts, contact),
            (Trait::Mu, row.mu),
            (Trait::ScreenShare, row.screen_share),
            (Trait::GridCurrent, row.grid_current),
            (Trait::Knee, row.knee),
            (Trait::Tail, row.tail),
            (Trait::PlatePull, row.plate_pull),
        ];
        out.extend(
            traits
                .into_iter()
                .filter(|(_, sigma)| *sigma > 0.0)
                .map(|(of, sigma)| Spread { of, sigma }),
        );
    }
    out
}
