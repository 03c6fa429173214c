//! Terminal text: what a technician reads at the bench.
//!
//! Every function gives a page of at most 100 columns, ANSI styles included
//! for a caller to keep or strip.

pub(crate) mod chart;
mod check;
pub(crate) mod ohms;
mod plan;
mod shunt;
pub(crate) mod suspects;
mod tubes;

pub use chart::chart;
pub use check::check;
pub use ohms::ohms;
pub use shunt::{BenchReading, shunt};
pub use suspects::{Listing, suspects};
pub(crate) use tubes::kinds;
pub use tubes::{tube, tube_list, tube_uses};

use crate::cautions::cautions;
use crate::layout::{CAUTION, Page};

/// The cautions at the foot of a page that speaks of dangerous voltages.
fn caution_foot(page: &mut Page, highest_volts: f64) {
    let said = cautions(highest_volts);
    if said.is_empty() {
        return;
    }
    page.heading("Caution");
    for caution in said {
        page.hung_in("  ! ", "    ", &caution, Some(CAUTION));
    }
}

/// Remarks as a list.
fn remarks(page: &mut Page, remarks: &[String]) {
    if remarks.is_empty() {
        return;
    }
    page.heading("To know");
    for remark in remarks {
        page.hung("  - ", "    ", remark);
    }
}
