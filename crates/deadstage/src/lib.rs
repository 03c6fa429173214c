//! Finds failed parts in vintage tube equipment from meter readings.
//!
//! A stage and a sheet of readings are text; [`diagnose`] ranks the failures
//! that would give such readings:
//!
//! ```
//! use deadstage::{Options, diagnose, parse_readings, parse_stage, tube_names};
//!
//! let names = tube_names();
//! let text = include_str!("../../../netlists/audio/self-biased-output.stage");
//! let stage = parse_stage("stage", text, &names, &mut |_, path| Err(format!("no {path} here")));
//! let text = include_str!("../../../netlists/audio/self-biased-output-coupling.readings");
//! let sheet = parse_readings("sheet", text, &stage.value, &names);
//! let answer = diagnose(&stage.value, &[sheet.value], &Options::default())?;
//! let first = &answer.suspects[0];
//! println!("{} {}: {:.2}", first.faults[0].part, first.faults[0].mode, first.probability);
//! # assert_eq!((first.faults[0].part.as_str(), first.faults[0].mode), ("C3", "leaky"));
//! # Ok::<(), deadstage::Error>(())
//! ```
//!
//! Reading text never fails: what is wrong with it comes as
//! [`Parsed::diagnostics`], and [`render`] shows one with its line. [`chart`]
//! and [`check`] compute what a healthy unit shows. The modules give access to
//! the layers beneath: [`netlist`] knows the text, [`parts`] what each part does,
//! [`circuit`] solves, [`reason`] weighs, [`report`] shows, [`draw`] draws the schematic.
//!
//! Equipment of this kind holds voltages that kill. Nothing computed here makes a
//! set safe; see [`report::cautions`].
#![forbid(unsafe_code)]

pub use deadstage_circuit as circuit;
pub use deadstage_draw as draw;
pub use deadstage_netlist as netlist;
pub use deadstage_parts as parts;
pub use deadstage_reason as reason;
pub use deadstage_report as report;

pub use deadstage_circuit::{check_connections, tube_names};
pub use deadstage_netlist::{
    Diagnostic, Parsed, Readings, Stage, TubeNames, parse_readings, parse_stage, render,
};
pub use deadstage_reason::{
    Chart, ChartOptions, Check, Diagnosis, Error, Options, Rates, Suspect, chart, check, diagnose,
    ohms_chart, parse_rates,
};
