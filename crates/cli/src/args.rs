//! What may be typed: words only, given their meaning elsewhere.

use clap::{Args as ClapArgs, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Finds failed parts in vintage tube equipment from meter readings.
///
/// Exit status: 0 all well, 1 the answer is no (a netlist does not solve, a
/// value of its print is missed), 2 bad input.
#[derive(Debug, Parser)]
#[command(name = "deadstage", version, max_term_width = 100)]
pub(crate) struct Args {
    #[command(subcommand)]
    pub(crate) command: Command,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Solve netlists in every setting and hold them against their prints.
    Check(CheckArgs),
    /// Print the voltage chart of a stage, or its resistance chart.
    Chart(ChartArgs),
    /// Draw the schematic of a stage as SVG, with suspects, voltages or currents on it if asked.
    Draw(DrawArgs),
    /// Rank the parts that may have failed by the readings taken, and say what to measure next.
    Suspect(SuspectArgs),
    /// Work out a meter's shunt or multiplier, or try the one fitted by a known current.
    Shunt(ShuntArgs),
    /// List the tubes known, or show one type's data, pins and curves.
    Tubes(TubesArgs),
}

impl Args {
    /// Whether the answer is wanted as JSON.
    pub(crate) fn json(&self) -> bool {
        match &self.command {
            Command::Check(check) => check.format == CheckFormat::Json,
            // A drawing has one form.
            Command::Draw(_) => false,
            Command::Chart(ChartArgs { format, .. })
            | Command::Suspect(SuspectArgs { format, .. }) => *format == PageFormat::Json,
            Command::Shunt(ShuntArgs { format, .. }) | Command::Tubes(TubesArgs { format, .. }) => {
                *format == Format::Json
            }
        }
    }
}

/// How an answer is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    /// For people.
    Text,
    /// For programs; the key `schema` names the document and its version.
    Json,
}

/// How an answer that has a drawing is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum PageFormat {
    /// For people.
    Text,
    /// For programs; the key `schema` names the document and its version.
    Json,
    /// A page for a browser or a printer, in one file: the drawing, plots and tables.
    Html,
}

/// How the answer of a check is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum CheckFormat {
    /// For people.
    Text,
    /// For programs; the key `schema` names the document and its version.
    Json,
    /// JUnit XML, for continuous integration.
    Junit,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct CheckArgs {
    /// Stage files, or folders to look through for files that end in .stage.
    #[arg(required = true, value_name = "PATH")]
    pub(crate) paths: Vec<PathBuf>,
    #[command(flatten)]
    pub(crate) includes: Includes,
    /// How to write the answer.
    #[arg(long, value_enum, default_value_t = CheckFormat::Text)]
    pub(crate) format: CheckFormat,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct ChartArgs {
    /// The stage file; - reads it from standard input.
    pub(crate) file: PathBuf,
    /// Resistances with the power off instead of voltages.
    #[arg(long, conflicts_with_all = ["meter", "line"])]
    pub(crate) ohms: bool,
    #[command(flatten)]
    pub(crate) includes: Includes,
    #[command(flatten)]
    pub(crate) conditions: Conditions,
    /// How to write the answer.
    #[arg(long, value_enum, default_value_t = PageFormat::Text)]
    pub(crate) format: PageFormat,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct SuspectArgs {
    /// The stage file, as the unit left the maker; - reads it from standard input.
    pub(crate) file: PathBuf,
    #[command(flatten)]
    pub(crate) includes: Includes,
    /// A readings sheet; several in the order in which they were taken.
    #[arg(long, value_name = "SHEET", required_unless_present = "read")]
    pub(crate) readings: Vec<PathBuf>,
    /// One more voltage reading, such as plate1=248V or "V1 pin 3=0.05V"; may be repeated.
    #[arg(long, value_name = "POINT=VALUE", allow_hyphen_values = true)]
    pub(crate) read: Vec<String>,
    #[command(flatten)]
    pub(crate) conditions: Conditions,
    /// Suspects to list; the probability of the others is given as a sum.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=10_000))]
    pub(crate) most: Option<u32>,
    /// Plan the readings to come, one after another: what each would tell, up to the repair.
    #[arg(long)]
    pub(crate) plan: bool,
    /// Rates of failure to start from: in-service (tubes fail first), decades-old (capacitors and resistors do), or a rates file.
    #[arg(long, value_name = "NAME|FILE", default_value = "decades-old")]
    pub(crate) rates: PathBuf,
    /// How to write the answer.
    #[arg(long, value_enum, default_value_t = PageFormat::Text)]
    pub(crate) format: PageFormat,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct DrawArgs {
    /// The stage file; - reads it from standard input.
    pub(crate) file: PathBuf,
    /// Where to write the drawing; standard output if left out.
    #[arg(long, value_name = "SVG")]
    pub(crate) out: Option<PathBuf>,
    /// Draw one section, by its name in the stage file; wires that leave it end in their names.
    #[arg(long, value_name = "NAME")]
    pub(crate) section: Option<String>,
    /// Draw each section by itself, into a folder that is there: one file a section.
    #[arg(long, value_name = "FOLDER", conflicts_with_all = ["out", "section"])]
    pub(crate) sections: Option<PathBuf>,
    /// How resistors are drawn.
    #[arg(long, value_enum, default_value_t = Resistors::Box)]
    pub(crate) resistors: Resistors,
    /// Write the voltages of a healthy unit beside the nodes.
    #[arg(long)]
    pub(crate) volts: bool,
    /// Write the currents of a healthy unit beside the parts.
    #[arg(long)]
    pub(crate) currents: bool,
    #[command(flatten)]
    pub(crate) includes: Includes,
    /// A readings sheet: its readings and suspects are laid over the drawing; several in the order in which they were taken.
    #[arg(long, value_name = "SHEET")]
    pub(crate) readings: Vec<PathBuf>,
    /// One more voltage reading, such as plate1=248V; may be repeated.
    #[arg(long, value_name = "POINT=VALUE", allow_hyphen_values = true)]
    pub(crate) read: Vec<String>,
    #[command(flatten)]
    pub(crate) conditions: Conditions,
    /// Rates of failure to start from: in-service, decades-old, or a rates file.
    #[arg(long, value_name = "NAME|FILE", default_value = "decades-old")]
    pub(crate) rates: PathBuf,
}

/// How a resistor is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Resistors {
    /// As a box (IEC 60617).
    Box,
    /// As a zig-zag, as most prints of the time have it.
    ZigZag,
}

/// From where a stage file may include others.
#[derive(Clone, Debug, ClapArgs)]
pub(crate) struct Includes {
    /// One more folder from which files may be included; the stage file's own is always one. May be repeated.
    #[arg(long = "include-from", value_name = "FOLDER")]
    pub(crate) further: Vec<PathBuf>,
}

/// What holds for the readings of a command; a sheet's own statements come first.
#[derive(Clone, Debug, ClapArgs)]
pub(crate) struct Conditions {
    /// The meter, such as 20k/V, 11M or "10M 0.8% + 0.02V".
    #[arg(long)]
    pub(crate) meter: Option<String>,
    /// The mains voltage, such as 121V.
    #[arg(long, value_name = "VOLTS")]
    pub(crate) line: Option<String>,
    /// The control setting, by its name in the stage file.
    #[arg(long, value_name = "NAME")]
    pub(crate) setting: Option<String>,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct TubesArgs {
    /// A type, such as 12AX7; all types known if left out.
    #[arg(value_name = "TYPE")]
    pub(crate) tube: Option<String>,
    /// What goes into its socket in its place, and what would differ.
    #[arg(long, requires = "tube", conflicts_with = "used_in")]
    pub(crate) like: bool,
    /// The stages in these folders or files that use it, or any type if none is given.
    #[arg(long, value_name = "PATH")]
    pub(crate) used_in: Vec<PathBuf>,
    #[command(flatten)]
    pub(crate) includes: Includes,
    /// How to write the answer.
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub(crate) format: Format,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct ShuntArgs {
    /// The movement's full scale by itself, such as 1mA, or the voltage across it then, such as 75mV.
    #[arg(long, value_name = "VALUE")]
    pub(crate) movement: String,
    /// The resistance of its coil, with any resistor that stays in series with it.
    #[arg(long, value_name = "OHMS")]
    pub(crate) coil: String,
    /// The full scale wanted: a current asks for a shunt, a voltage for a multiplier.
    #[arg(long, value_name = "VALUE")]
    pub(crate) full_scale: String,
    /// Which preferred values (IEC 60063) to choose from.
    #[arg(long, value_enum, default_value_t = PreferredSeries::E24)]
    pub(crate) series: PreferredSeries,
    /// A current or voltage known by another meter, put through the panel on the bench.
    #[arg(long, value_name = "VALUE", requires = "shows")]
    pub(crate) known: Option<String>,
    /// What the panel shows of it, on the scale wanted.
    #[arg(long, value_name = "VALUE", requires = "known")]
    pub(crate) shows: Option<String>,
    /// How to write the answer.
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub(crate) format: Format,
}

/// Values that resistors are sold in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum PreferredSeries {
    /// Twelve a decade.
    E12,
    /// Twenty-four a decade.
    E24,
}
