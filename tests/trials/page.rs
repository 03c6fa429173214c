//! The page of figures, `docs/trials.md`: everything the bench measures, in one run.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use deadstage_netlist::Stage;
use deadstage_reason::Assumptions;
use rayon::prelude::*;

use super::ablate::{Variant, variants, with_slip};
use super::follow::{Way, Ways, follow};
use super::run::{Drawn, OUTSIDE, Probed, ask, both, draw, seed};
use super::score::{Mark, Pair, Tally, mark};
use super::show::Kinds;
use super::{draw as drawing, ideal, stages, whole};

/// How much to run.
#[derive(Clone, Copy, Debug)]
pub struct Size {
    /// Units drawn for each small stage and number of failures.
    pub cases: u64,
    /// First seed.
    pub seed: u64,
    /// Units drawn for each complete set and number of failures; none leaves what the page says of them.
    pub whole: u64,
}

impl Default for Size {
    fn default() -> Self {
        Self {
            cases: 24,
            seed: 1,
            whole: 0,
        }
    }
}

/// The command that writes the page.
pub const COMMAND: &str = "cargo run --release -p deadstage-tests --bin trials -- page";

/// Headings of the page, in order.
pub const HEADINGS: [&str; 7] = [
    "## Failures named",
    whole::HEADING,
    "## By kind of failure",
    "## Healthy units, and what is not in the netlist",
    "## Readings needed",
    "## What each step is worth",
    "## Against the aims",
];

/// Stages of more parts are drawn half as often; complete sets have a section of their own.
const SMALL: usize = 40;

/// Where the page is.
#[must_use]
pub fn path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/trials.md")
}

/// The stages that the bench can build, by name.
type Shipped = Vec<(String, Stage)>;

/// Runs everything; `told` hears how far it has come.
///
/// # Errors
/// A stage that does not read or can't be built.
pub fn page(size: Size, told: &mut dyn FnMut(String)) -> Result<String, String> {
    let shipped: Shipped = stages::shipped(stages::ANY)?
        .into_iter()
        .filter(|(_, stage)| drawing::is_built(stage) && !whole::is_whole(stage))
        .collect();
    let sets = if size.whole > 0 {
        whole::section(size.whole, size.seed, told)?
    } else {
        let page = std::fs::read_to_string(path()).unwrap_or_default();
        whole::section_of(&page).to_owned()
    };
    let mut bench = Bench {
        assumptions: shipped
            .iter()
            .map(|(_, stage)| ideal::assumptions(stage))
            .collect::<Result<_, _>>()?,
        shipped,
        size,
        sets,
        kinds: Kinds::default(),
    };
    let counts: Vec<(usize, Vec<Marks>)> = [0, 1, 2, 3, OUTSIDE]
        .into_iter()
        .map(|count| {
            let marks = bench.marks(count, Probed::Everywhere);
            told(format!("{count} failures: {}", pair_of(&marks).line()));
            (count, marks)
        })
        .collect();
    let tested = [1, 2, 3].map(|count| {
        let marks = bench.marks(count, Probed::TestPoints);
        told(format!(
            "{count}, at test points: {}",
            pair_of(&marks).line()
        ));
        marks
    });
    let ways = bench.ways();
    for (way, ended) in &ways {
        told(format!("{}: {}", way.name(), way_cells(ended)));
    }
    let ablation = bench.ablation();
    for row in &ablation {
        told(ablation_row(row));
    }
    Ok(bench.written(&counts, &tested, &ways, &ablation))
}

/// One unit's marks: the stage, the program's and the ideal observer's.
type Marks = (usize, Mark, Mark);

/// One variant's marks of units with no failure, one, two, and one beside a slip.
struct Ablated {
    name: &'static str,
    healthy: Tally,
    single: Tally,
    pair: Tally,
    slip: Tally,
}

struct Bench {
    shipped: Shipped,
    assumptions: Vec<Assumptions>,
    size: Size,
    /// The section of complete sets.
    sets: String,
    kinds: Kinds,
}

impl Bench {
    fn cases(&self, stage: &Stage) -> u64 {
        match stage.parts.len() {
            0..=SMALL => self.size.cases,
            _ => self.size.cases.div_ceil(2),
        }
    }

    /// Units with so many failures, of stages of at most so many parts; `share` of the usual number.
    fn units(
        &self,
        count: usize,
        probed: Probed,
        most_parts: usize,
        share: f64,
    ) -> Vec<(usize, Drawn, u64)> {
        let list: Vec<(usize, u64)> = self
            .shipped
            .iter()
            .enumerate()
            .filter(|(_, (_, stage))| stage.parts.len() <= most_parts)
            .flat_map(|(index, (_, stage))| {
                let cases = (self.cases(stage) as f64 * share).ceil() as u64;
                (0..cases).map(move |case| (index, case))
            })
            .collect();
        list.into_par_iter()
            .filter_map(|(index, case)| {
                let (name, stage) = &self.shipped[index];
                let seed = seed(self.size.seed, case, count);
                Some((index, draw(name, stage, count, seed, probed)?, seed))
            })
            .collect()
    }

    fn marks(&mut self, count: usize, probed: Probed) -> Vec<Marks> {
        let units = self.units(count, probed, usize::MAX, 1.0);
        let asked: Vec<_> = units
            .par_iter()
            .filter_map(|(index, drawn, _)| {
                let stage = &self.shipped[*index].1;
                Some((*index, both(stage, drawn, &self.assumptions[*index])?))
            })
            .collect();
        asked
            .into_iter()
            .map(|(index, (own, ideal))| {
                let stage = &self.shipped[index].1;
                if count == 1 && probed == Probed::Everywhere {
                    self.kinds.add(stage, &own, &ideal);
                }
                (index, mark(stage, &own), mark(stage, &ideal))
            })
            .collect()
    }

    fn ways(&self) -> Vec<(Way, Ways)> {
        let units = self.units(1, Probed::TestPoints, SMALL, 0.5);
        Way::ALL
            .into_iter()
            .map(|way| {
                let ended = units
                    .par_iter()
                    .filter_map(|(index, drawn, seed)| {
                        follow(&self.shipped[*index].1, drawn, way, *seed)
                    })
                    .collect();
                (way, Ways { ended })
            })
            .collect()
    }

    fn ablation(&self) -> Vec<Ablated> {
        let healthy = self.units(0, Probed::TestPoints, SMALL, 0.25);
        let single = self.units(1, Probed::TestPoints, SMALL, 0.25);
        let pair = self.units(2, Probed::TestPoints, SMALL, 0.25);
        let slip: Vec<_> = single
            .iter()
            .filter_map(|(index, drawn, seed)| Some((*index, with_slip(drawn, *seed)?, *seed)))
            .collect();
        variants()
            .iter()
            .map(|variant| Ablated {
                name: variant.name,
                healthy: self.under(variant, &healthy),
                single: self.under(variant, &single),
                pair: self.under(variant, &pair),
                slip: self.under(variant, &slip),
            })
            .collect()
    }

    fn under(&self, variant: &Variant, units: &[(usize, Drawn, u64)]) -> Tally {
        let marks: Vec<Mark> = units
            .par_iter()
            .filter_map(|(index, drawn, _)| {
                let stage = &self.shipped[*index].1;
                let trial = ask(stage, drawn, &variant.options, &variant.assumed)?;
                Some(mark(stage, &trial))
            })
            .collect();
        let mut tally = Tally::default();
        for mark in marks {
            tally.add_mark(mark);
        }
        tally
    }

    fn written(
        &self,
        counts: &[(usize, Vec<Marks>)],
        tested: &[Vec<Marks>; 3],
        ways: &[(Way, Ways)],
        ablation: &[Ablated],
    ) -> String {
        let mut out = String::new();
        let of = |wanted: usize| {
            counts
                .iter()
                .find(|(count, _)| *count == wanted)
                .map_or(&[][..], |(_, marks)| marks.as_slice())
        };
        let drawn = counts.iter().map(|(_, marks)| marks).chain(tested);
        let total: usize = drawn.map(Vec::len).sum();
        // A page of text can't fail to be written to.
        let _ = write!(out, "{}", head(self, total));

        let _ = write!(out, "{}\n\n{NAMED}", HEADINGS[0]);
        let _ = write!(out, "{}", named_rows([1, 2, 3].map(of)));
        let _ = write!(out, "{TESTED}{NAMED}");
        let _ = write!(
            out,
            "{}",
            named_rows([0, 1, 2].map(|i| tested[i].as_slice()))
        );
        let _ = write!(out, "{CLAIMS}{}", claim_rows(counts));
        let _ = write!(out, "\nSingle failures, by stage:\n\n{BY_STAGE}");
        for (index, (name, stage)) in self.shipped.iter().enumerate() {
            let own: Vec<Marks> = of(1).iter().copied().filter(|m| m.0 == index).collect();
            if own.is_empty() {
                continue;
            }
            let pair = pair_of(&own);
            let _ = writeln!(
                out,
                "| {name} | {} | {} | {} | {} |",
                stage.parts.len(),
                own.len(),
                percent(pair.own.rate()),
                percent(pair.ideal.rate()),
            );
        }

        let _ = write!(out, "\n{}\n", self.sets.trim_end());

        let _ = write!(out, "\n{}\n\n{KINDS}{}", HEADINGS[2], self.kinds.rows());

        let (healthy, outside) = (pair_of(of(0)), pair_of(of(OUTSIDE)));
        let _ = write!(out, "\n{}\n\n{ASIDE}", HEADINGS[3]);
        for (what, pair) in [("healthy", &healthy), ("not in the netlist", &outside)] {
            let _ = writeln!(
                out,
                "| {what} | {} | {} | {} | {} |",
                pair.own.claims.len(),
                percent(pair.own.rate()),
                percent(pair.ideal.rate()),
                percent(pair.own.claimed()),
            );
        }

        let _ = write!(out, "\n{}\n\n{WAYS}", HEADINGS[4]);
        for (way, ended) in ways {
            let _ = writeln!(out, "| {} | {} |", way.name(), way_cells(ended));
        }

        let _ = write!(out, "\n{}\n\n{ABLATION}", HEADINGS[5]);
        for row in ablation {
            let _ = writeln!(out, "{}", ablation_row(row));
        }

        let _ = write!(
            out,
            "\n{}\n\n{}",
            HEADINGS[6],
            aims(
                &[of(1), of(2), of(3)].map(pair_of),
                &healthy,
                &outside,
                ways
            )
        );
        out
    }
}

fn head(bench: &Bench, total: usize) -> String {
    let Size { cases, seed, .. } = bench.size;
    format!(
        "# Trials\n\n\
         Written by `{COMMAND} {cases} {seed}`: {total} units of {} shipped stages, none of which the reasoning has seen.\n\
         Each is drawn with every part somewhere within its tolerance, tubes of a law that is not the program's, and failures that each move some point\n\
         by four spreads of a healthy unit; a meter that loads and errs reads\n\
         every node once, and what is a test point across a part.\n\n\
         The *ideal observer* is the same reasoner told the truth: the units' own tube law, the spreads they are drawn with, how often each failure is drawn,\n\
         and no allowance for a law that does not fit (`tests/trials/ideal.rs` says where even that is less than ideal).\n\
         What it misses can hardly be told from these readings; it is the measure for the rest.\n\
         *First group* means that the group of suspects named first holds exactly the parts that failed. Suspects in one group are those that\n\
         nothing in reach would tell apart; a reasoner that is surer of its law makes smaller groups, so that the column of the *first suspect* is given too.\n\
         A rate over n units is uncertain by up to 0.5 / √n: by five in a hundred over a hundred units, and by seven over fifty.\n\n",
        bench
            .shipped
            .iter()
            .filter(|(_, stage)| bench.cases(stage) > 0)
            .count(),
    )
}

const NAMED: &str = "\
| failures | units | first group | ideal | ratio | first suspect | ideal | at least one true part first | claimed | calibration error | ideal | right when claiming 80 % or more |
| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |
";

const TESTED: &str = "
Other units, read only at the nodes among the stage's own test points. Some failures show there and can't be told apart, so that the ideal observer loses too:

";

const CLAIMS: &str = "
How many parts failed is not known beforehand: whether a claim can be trusted shows when units are sorted by what was claimed, not by what was
true. All units read at every node, healthy ones and those of something outside the netlist among them, each kind as often as the next:

| claimed first | units | claimed | right | calibration error |
| --- | --- | --- | --- | --- |
";

const BY_STAGE: &str = "\
| stage | parts | units | first group | ideal |
| --- | --- | --- | --- | --- |
";

const KINDS: &str = "\
Single failures. *Sure and wrong*: claimed with 80 % or more. *Instead*: what was said where it was wrong.

| kind | units | first group | ideal | sure and wrong | instead |
| --- | --- | --- | --- | --- | --- |
";

const ASIDE: &str = "\
What is not in the netlist: a path of 10 Ω to 300 kΩ between two nodes that no part joins. Right is the verdict *unexplained*.

| units | drawn | called so | ideal | claimed |
| --- | --- | --- | --- | --- |
";

const WAYS: &str = "\
Units with one failure that shows at a test point, of stages of up to 40 parts. Two readings are on the sheet (the stage's first two points); further ones are taken one by one until
a group of suspects holds 90 %. The same reasoner judges all of them; what differs is who chooses the next point. The program may ask for
ohms and for volts across a part, the others go from point to point, as a person with a voltage chart does. Readings are counted with the opening two.

| next point | units | median readings | came to 90 % | right at the end | right of those that came to 90 % |
| --- | --- | --- | --- | --- | --- |
";

const ABLATION: &str = "\
The same units each time, of stages of up to 40 parts, read at their test points, with one step of the reasoning left out. First group, in brackets what was claimed.
*With a slip*: one reading of a unit with one failure is that of another point.

| left out | healthy | one failure | calibration error | two failures | calibration error | one, with a slip |
| --- | --- | --- | --- | --- | --- | --- |
";

fn pair_of(marks: &[Marks]) -> Pair {
    let mut pair = Pair::default();
    for (_, own, ideal) in marks {
        pair.add((*own, *ideal));
    }
    pair
}

fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

/// Rows of one, two and three failures, and of all of them.
fn named_rows(marks: [&[Marks]; 3]) -> String {
    let mut rows = String::new();
    for (words, marks) in ["one", "two", "three"].iter().zip(marks) {
        rows += &named_row(words, &pair_of(marks));
        rows.push('\n');
    }
    rows + &named_row("any of these", &pair_of(&marks.concat())) + "\n"
}

fn named_row(words: &str, pair: &Pair) -> String {
    let (sure, often) = pair.own.when_sure();
    format!(
        "| {words} | {} | {} | {} | {:.2} | {} | {} | {} | {} | {:.3} | {:.3} | {} of {often} |",
        pair.own.claims.len(),
        percent(pair.own.rate()),
        percent(pair.ideal.rate()),
        ratio(pair),
        percent(pair.own.first_rate()),
        percent(pair.ideal.first_rate()),
        percent(pair.own.partly_rate()),
        percent(pair.own.claimed()),
        pair.own.calibration_error(),
        pair.ideal.calibration_error(),
        percent(sure),
    )
}

/// How the program's claims hold, by what is claimed; and all of them.
fn claim_rows(counts: &[(usize, Vec<Marks>)]) -> String {
    let marks = || counts.iter().flat_map(|(_, marks)| marks);
    let tally = |is_of: &dyn Fn(&Mark) -> bool| {
        let mut tally = Tally::default();
        for (_, own, _) in marks().filter(|(_, own, _)| is_of(own)) {
            tally.add_mark(*own);
        }
        tally
    };
    let rows = [
        ("nothing failed", tally(&|m| m.named == Some(0))),
        ("one part", tally(&|m| m.named == Some(1))),
        ("two parts", tally(&|m| m.named == Some(2))),
        ("three or four", tally(&|m| m.named.is_some_and(|n| n > 2))),
        (
            "something not in the netlist",
            tally(&|m| m.named.is_none()),
        ),
        ("anything", tally(&|_| true)),
    ];
    rows.iter()
        .map(|(words, tally)| {
            format!(
                "| {words} | {} | {} | {} | {:.3} |\n",
                tally.claims.len(),
                percent(tally.claimed()),
                percent(tally.rate()),
                tally.calibration_error(),
            )
        })
        .collect()
}

fn ratio(pair: &Pair) -> f64 {
    pair.own.rate() / pair.ideal.rate()
}

fn way_cells(ways: &Ways) -> String {
    format!(
        "{} | {} | {} | {} | {}",
        ways.ended.len(),
        ways.median()
            .map_or_else(|| "never".to_owned(), |m| m.to_string()),
        percent(ways.arrived()),
        percent(ways.right()),
        percent(ways.right_of_arrived()),
    )
}

fn ablation_row(row: &Ablated) -> String {
    let cell = |tally: &Tally| format!("{} ({})", percent(tally.rate()), percent(tally.claimed()));
    format!(
        "| {} | {} | {} | {:.3} | {} | {:.3} | {} |",
        row.name,
        cell(&row.healthy),
        cell(&row.single),
        row.single.calibration_error(),
        cell(&row.pair),
        row.pair.calibration_error(),
        cell(&row.slip),
    )
}

/// What was aimed at, beside what was measured.
fn aims(named: &[Pair; 3], healthy: &Pair, outside: &Pair, ways: &[(Way, Ways)]) -> String {
    let mut out = String::from("| aim | measured | |\n| --- | --- | --- |\n");
    let mut row = |aim: &str, measured: String, met: bool| {
        let verdict = if met { "met" } else { "missed" };
        let _ = writeln!(out, "| {aim} | {measured} | {verdict} |");
    };
    let [one, two, three] = named;
    for (words, pair, least) in [
        ("one failure", one, 0.92),
        ("two failures", two, 0.80),
        ("three failures", three, 0.65),
    ] {
        row(
            &format!("{words}: first group at least {least:.2} of the ideal observer's"),
            format!("{:.2}", ratio(pair)),
            ratio(pair) >= least,
        );
    }
    row(
        "one failure: first group at least 90 %",
        format!("{:.1} %", 100.0 * one.own.rate()),
        one.own.rate() >= 0.90,
    );
    let mut all = Tally::default();
    for pair in named {
        all.claims.extend(&pair.own.claims);
        all.partly += pair.own.partly;
    }
    for (words, pair) in [("two", two), ("three", three)] {
        row(
            &format!("{words} failures: at least one true part first in 96 %"),
            format!("{:.1} %", 100.0 * pair.own.partly_rate()),
            pair.own.partly_rate() >= 0.96,
        );
    }
    row(
        "one to three failures: at least one true part first in 96 %",
        format!("{:.1} %", 100.0 * all.partly_rate()),
        all.partly_rate() >= 0.96,
    );
    row(
        "one to three failures: calibration error at most 0.06",
        format!("{:.3}", all.calibration_error()),
        all.calibration_error() <= 0.06,
    );
    for (words, pair) in [
        ("one failure", one),
        ("two failures", two),
        ("three failures", three),
    ] {
        let error = pair.own.calibration_error();
        row(
            &format!("{words}: calibration error at most 0.06"),
            format!("{error:.3}"),
            error <= 0.06,
        );
        let (sure, _) = pair.own.when_sure();
        row(
            &format!("{words}: right at least 80 % of the time when claiming 80 % or more"),
            format!("{:.1} %", 100.0 * sure),
            sure >= 0.80,
        );
    }
    row(
        "healthy units called healthy: at least 95 %",
        format!("{:.1} %", 100.0 * healthy.own.rate()),
        healthy.own.rate() >= 0.95,
    );
    row(
        "what is not in the netlist called unexplained: at least 70 %",
        format!("{:.1} %", 100.0 * outside.own.rate()),
        outside.own.rate() >= 0.70,
    );
    let median = |way: Way| {
        ways.iter()
            .find(|(w, _)| *w == way)
            .and_then(|(_, ended)| ended.median())
            .unwrap_or(usize::MAX)
    };
    let own = median(Way::Next);
    let least_other = Way::ALL[1..].iter().map(|&w| median(w)).min().unwrap_or(0);
    let said = |m: usize| {
        if m == usize::MAX {
            "never".to_owned()
        } else {
            m.to_string()
        }
    };
    row(
        "median readings at most 5, and fewer than each other way",
        format!("{}, the best other {}", said(own), said(least_other)),
        own <= 5 && own < least_other,
    );
    let right = ways
        .iter()
        .find(|(w, _)| *w == Way::Next)
        .map_or(0.0, |(_, ended)| ended.right_of_arrived());
    row(
        "right where 90 % was reached by what the program proposes: at least 90 %",
        format!("{:.1} %", 100.0 * right),
        right >= 0.90,
    );
    out
}
