//! The stage under both tube laws, in every situation that was read in.

mod joint;
mod states;

use std::borrow::Cow;
use std::sync::Arc;

use deadstage_circuit::{
    Base, ElementRole, Network, OperatingPoint, Overlay, ParameterKind, PortState, Precision,
    Scratch, Situation, SolveError,
};
use deadstage_netlist::{PartId, Stage};
use deadstage_parts::LawForm;
use nalgebra::DMatrix;

use crate::error::Error;
use crate::failure::Failure;
use crate::likelihood::Joint;
use crate::observe::Observation;
use crate::sheets::Stretch;

/// Further spread of the mains where the sheet does not state it, as a fraction.
const UNSTATED_LINE_SIGMA: f64 = 0.03;

/// The networks of a stage, one for each tube law.
pub(crate) struct Networks {
    pub(crate) list: Vec<Network>,
    /// One standard deviation of every parameter.
    pub(crate) sigma: Vec<f64>,
    /// What a repair has drawn anew, the oldest repair of each parameter first.
    pub(crate) renewed: Vec<Renewed>,
    /// Whether the laws are this library's own.
    pub(crate) are_own: bool,
    /// By element, the parameters that move it.
    of_element: Vec<Vec<usize>>,
}

/// A parameter that a repair has drawn anew.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Renewed {
    /// Index of the parameter.
    pub(crate) parameter: usize,
    /// Repairs made after this one: what was read before it is older.
    pub(crate) ago: usize,
}

impl Networks {
    pub(crate) fn new(stage: &Stage) -> Result<Self, Error> {
        LawForm::ALL
            .into_iter()
            .map(|form| Network::compile(stage, form))
            .collect::<Result<Vec<_>, _>>()
            .map(|list| Self::of(list, true))
            .map_err(Error::Compile)
    }

    /// Those of a caller, or this library's own where there are none.
    pub(crate) fn given(stage: &Stage, list: &[Network]) -> Result<Self, Error> {
        let Some(first) = list.first() else {
            return Self::new(stage);
        };
        if list.iter().any(|n| n.parameters != first.parameters) {
            return Err(Error::UnlikeNetworks);
        }
        Ok(Self::of(list.to_vec(), false))
    }

    fn of(list: Vec<Network>, are_own: bool) -> Self {
        let sigma = list[0]
            .parameters
            .iter()
            .map(|p| match &p.kind {
                ParameterKind::Ohms(elements)
                    if list[0].element(elements[0]).role == ElementRole::Leakage =>
                {
                    // Taken as linear, a leak must still reach what its upper tail really draws.
                    0.5 * ((2.0 * p.sigma).exp() - 1.0)
                }
                _ => p.sigma,
            })
            .collect();
        let mut of_element = vec![Vec::new(); list[0].elements.len()];
        for (index, parameter) in list[0].parameters.iter().enumerate() {
            let moved = match &parameter.kind {
                ParameterKind::Ohms(elements) => elements.as_slice(),
                ParameterKind::Emf(element) => std::slice::from_ref(element),
                _ => &[],
            };
            for element in moved {
                of_element[element.0 as usize].push(index);
            }
        }
        Self {
            list,
            sigma,
            renewed: Vec::new(),
            are_own,
            of_element,
        }
    }

    /// The parameters that a failure's own size stands in the place of.
    fn settled_by(&self, failure: &Failure) -> Vec<usize> {
        let parameters = &self.list[0].parameters;
        let mut settled: Vec<usize> = failure
            .elements()
            .iter()
            .flat_map(|id| self.of_element[id.0 as usize].iter().copied())
            .filter(|&index| failure.settles(&parameters[index].kind))
            .collect();
        settled.dedup();
        settled
    }

    /// Rows of a forecast's scatter: one for each parameter, and behind them one for each
    /// value that a parameter had before a repair. Some more are nought, for they are worked on four at a time.
    fn rows(&self) -> usize {
        (self.sigma.len() + self.renewed.len()).next_multiple_of(4)
    }

    /// The part that a row of scatter belongs to.
    pub(crate) fn part_of_row(&self, row: usize) -> Option<PartId> {
        let parameter = match row.checked_sub(self.sigma.len()) {
            Some(index) => self.renewed.get(index)?.parameter,
            None => row,
        };
        self.list[0].parameters.get(parameter)?.part
    }

    /// Puts the change of a reading made so many repairs ago with what a parameter was then.
    fn date(&self, column: &mut [f64], ago: usize) {
        let old = self.sigma.len();
        for (index, renewed) in self.renewed.iter().enumerate() {
            if ago > renewed.ago {
                column[old + index] = std::mem::take(&mut column[renewed.parameter]);
            }
        }
    }

    /// Widens the mains where no reading states it.
    pub(crate) fn set_line(&mut self, known: bool) {
        for (sigma, parameter) in self.sigma.iter_mut().zip(&self.list[0].parameters) {
            if parameter.kind == ParameterKind::Line && !known {
                *sigma = sigma.hypot(UNSTATED_LINE_SIGMA);
            }
        }
    }
}

/// The stage in every situation, under every law.
pub(crate) struct Model<'a> {
    pub(crate) stage: &'a Stage,
    pub(crate) networks: &'a Networks,
    /// By law, of which each state in which the stage may rest counts as one, then by situation.
    pub(crate) bases: Vec<Vec<Base<'a>>>,
    /// By which factor spreads are widened where readings are weighed together without telling their
    /// scatter one by one; `None` where that is not done.
    pub(crate) joint: Option<f64>,
}

/// A reading that a failure moves by no more than this share of what the meter
/// itself may be off counts as hardly moved.
const WITHIN_METER: f64 = 0.2;

/// One failure of a set with its parameter.
pub(crate) type Held<'a> = (&'a Failure, f64);

/// What some readings should be.
#[derive(Clone, Debug, Default)]
pub(crate) struct Forecast {
    /// Compared values.
    pub(crate) mean: Vec<f64>,
    pub(crate) scatter: Scatter,
}

/// How the first of some readings scatter about their forecast.
#[derive(Clone, Debug)]
pub(crate) enum Scatter {
    /// By reading (column), its change with one standard deviation of every parameter, now and before each repair.
    Columns(DMatrix<f64>),
    /// Not told one by one.
    Joint(Arc<Joint>),
}

impl Scatter {
    /// Reading by reading, where it is told so.
    pub(crate) fn columns(&self) -> Option<&DMatrix<f64>> {
        match self {
            Self::Columns(columns) => Some(columns),
            Self::Joint(_) => None,
        }
    }
}

impl Default for Scatter {
    fn default() -> Self {
        Self::Columns(DMatrix::default())
    }
}

/// What a forecast is wanted for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Wanted {
    /// The means alone.
    Means,
    /// How the first of the readings, so many, scatter, each for itself.
    Columns(usize),
    /// Their weights against one another: how they scatter in whichever form that takes.
    Weights(usize),
}

impl Wanted {
    fn count(self) -> usize {
        match self {
            Self::Means => 0,
            Self::Columns(count) | Self::Weights(count) => count,
        }
    }
}

impl Forecast {
    /// The forecast of the first `count` readings.
    pub(crate) fn first(mut self, count: usize) -> Self {
        self.mean.truncate(count);
        if let Scatter::Columns(columns) = &mut self.scatter
            && columns.ncols() > count
        {
            *columns = columns.columns(0, count).into_owned();
        }
        self
    }
}

/// Situations that some failures are known not to reach, and what is read in them: a healthy unit's readings.
#[derive(Clone, Copy)]
pub(crate) struct Unreached<'u> {
    /// By situation.
    pub(crate) situations: &'u [bool],
    /// Means of all that is looked at.
    pub(crate) mean: &'u [f64],
    /// Scatter of what is scattered, each for itself.
    pub(crate) scatter: &'u DMatrix<f64>,
}

impl Unreached<'_> {
    fn holds(&self, situation: usize) -> bool {
        self.situations.get(situation).is_some_and(|quiet| *quiet)
    }
}

/// Where solving started and ended, by situation; of sets that repairs have
/// changed, behind these the states before, the latest first.
pub(crate) type Starts = Vec<Option<PortState>>;

impl<'a> Model<'a> {
    /// The stage in these situations, under every law and in every state in which it may rest.
    pub(crate) fn new(
        stage: &'a Stage,
        networks: &'a Networks,
        situations: &[Situation],
        scratch: &mut Scratch,
    ) -> Result<Self, Error> {
        let mut bases = Vec::new();
        for network in &networks.list {
            bases.extend(states::in_each(stage, network, situations, scratch)?);
        }
        Ok(Self {
            stage,
            networks,
            bases,
            joint: None,
        })
    }

    /// How many ways there are to forecast: laws, and of each the states in which the stage may rest.
    pub(crate) fn laws(&self) -> usize {
        self.bases.len()
    }

    /// What `observations` should read with these failures, under one law, and how they scatter if that is wanted.
    ///
    /// `starts` holds a start by situation and receives where the solution ended.
    pub(crate) fn forecast(
        &self,
        law: usize,
        held: &[Held<'_>],
        observations: &[Observation],
        wanted: Wanted,
        starts: &mut Starts,
        scratch: &mut Scratch,
    ) -> Result<Forecast, SolveError> {
        if self.joint.is_some() && matches!(wanted, Wanted::Weights(_)) {
            let worth = |_: &[f64]| true;
            return self.forecast_if(
                law,
                held,
                observations,
                wanted,
                None,
                worth,
                starts,
                scratch,
            );
        }
        let count = wanted.count();
        let mut reading = Reading::new(self, held, observations, count);
        self.each_point(
            law,
            held,
            observations,
            |_| false,
            starts,
            scratch,
            |at, point, scratch| reading.take(at, &point, count, scratch),
        )?;
        Ok(reading.forecast())
    }

    /// As [`forecast`](Self::forecast), with the scatter worked out only if
    /// the means are `worth` it; else it has no columns. What lies in situations `unreached` is not solved.
    #[allow(
        clippy::too_many_arguments,
        reason = "those of a forecast, and one more"
    )]
    pub(crate) fn forecast_if(
        &self,
        law: usize,
        held: &[Held<'_>],
        observations: &[Observation],
        wanted: Wanted,
        unreached: Option<Unreached<'_>>,
        worth: impl FnOnce(&[f64]) -> bool,
        starts: &mut Starts,
        scratch: &mut Scratch,
    ) -> Result<Forecast, SolveError> {
        let mut reading = Reading::new(self, held, observations, 0);
        let mut points = Vec::new();
        let is_unreached = |situation: usize| unreached.is_some_and(|u| u.holds(situation));
        self.each_point(
            law,
            held,
            observations,
            is_unreached,
            starts,
            scratch,
            |at, point, scratch| {
                reading.take(at, &point, 0, scratch);
                points.push((at, point));
            },
        )?;
        let quiet = |index: usize| {
            let all = unreached?;
            all.holds(observations[index].situation).then_some(all)
        };
        for (index, mean) in reading.mean.iter_mut().enumerate() {
            if let Some(all) = quiet(index) {
                *mean = all.mean[index];
            }
        }
        if !worth(&reading.mean) {
            return Ok(reading.forecast());
        }
        let count = wanted.count();
        if let (Wanted::Weights(_), Some(widened)) = (wanted, self.joint) {
            let column = |index: usize| Some(quiet(index)?.scatter.column(index).into_owned());
            let joint = reading.joint(&points, count, widened, column, scratch);
            if let Some(joint) = joint {
                let scatter = Scatter::Joint(Arc::new(joint));
                return Ok(reading.with(scatter));
            }
        }
        reading.scatter = DMatrix::zeros(self.networks.rows(), count);
        for index in 0..count {
            if let Some(all) = quiet(index) {
                let column = all.scatter.column(index);
                reading.scatter.set_column(index, &column);
            }
        }
        for (at, point) in &points {
            reading.take(*at, point, count, scratch);
        }
        Ok(reading.forecast())
    }

    /// One standard deviation of every parameter, of which the failures of some stretch leave some settled.
    fn sigma_beside(&self, held: &[Held<'_>], stretch: Stretch) -> Cow<'a, [f64]> {
        let mut sigma = Cow::Borrowed(self.networks.sigma.as_slice());
        let present = held.iter().filter(|(f, _)| f.stretch.overlaps(stretch));
        for index in present.flat_map(|(f, _)| self.networks.settled_by(f)) {
            sigma.to_mut()[index] = 0.0;
        }
        sigma
    }

    /// Finds the operating point of every situation that is read in, before and after
    /// each repair that changed the set, and hands it on to be `taken`. Some situations may be `left` out.
    #[allow(
        clippy::too_many_arguments,
        reason = "those of a forecast, and what is done with it"
    )]
    fn each_point<'m>(
        &'m self,
        law: usize,
        held: &[Held<'_>],
        observations: &[Observation],
        left: impl Fn(usize) -> bool,
        starts: &mut Starts,
        scratch: &mut Scratch,
        mut taken: impl FnMut(When, OperatingPoint<'m>, &mut Scratch),
    ) -> Result<(), SolveError> {
        let bases = &self.bases[law];
        let stretches = unchanged(held);
        let places = bases.len() * stretches.len();
        if starts.len() < places {
            starts.resize(places, None);
        }
        let mut overlay = Overlay::new();
        for (nth, stretch) in stretches.into_iter().enumerate() {
            for (situation, base) in bases.iter().enumerate() {
                let when = When { situation, stretch };
                if left(situation) || !observations.iter().any(|o| when.is_of(o)) {
                    continue;
                }
                overlay.clear();
                for (failure, u) in held.iter().filter(|(f, _)| f.stretch.overlaps(stretch)) {
                    failure.lay(*u, base, &mut overlay);
                }
                let place = nth * bases.len() + situation;
                let start = starts[place].as_ref().or(starts[situation].as_ref());
                let point = base.solve_to(Precision::Readings, &overlay, start, scratch)?;
                let ended = point.state().clone();
                taken(when, point, scratch);
                starts[place] = Some(ended);
            }
        }
        Ok(())
    }
}

/// A situation in one stretch of the unit's history.
#[derive(Clone, Copy)]
struct When {
    situation: usize,
    stretch: Stretch,
}

impl When {
    /// Whether nothing was repaired before or after.
    fn is_always(self) -> bool {
        self.stretch == Stretch::ALWAYS
    }

    fn is_of(self, observation: &Observation) -> bool {
        observation.situation == self.situation && self.stretch.holds(observation.ago)
    }
}

/// The stretches over which the same failures of a set were present, the present one first.
fn unchanged(held: &[Held<'_>]) -> Vec<Stretch> {
    let mut begins: Vec<usize> = held
        .iter()
        .flat_map(|(f, _)| [f.stretch.to, f.stretch.from.saturating_add(1)])
        .filter(|ago| *ago != usize::MAX)
        .chain([0])
        .collect();
    begins.sort_unstable();
    begins.dedup();
    let ends = begins[1..].iter().map(|next| next - 1).chain([usize::MAX]);
    begins
        .iter()
        .zip(ends)
        .map(|(&to, from)| Stretch { from, to })
        .collect()
}

/// A forecast being made.
struct Reading<'r> {
    model: &'r Model<'r>,
    held: &'r [Held<'r>],
    observations: &'r [Observation],
    /// Spreads of the parameters in the stretch they were last asked in.
    sigma: Option<(Stretch, Cow<'r, [f64]>)>,
    mean: Vec<f64>,
    scatter: DMatrix<f64>,
    gradient: Vec<f64>,
}

impl<'r> Reading<'r> {
    fn new(
        model: &'r Model<'r>,
        held: &'r [Held<'r>],
        observations: &'r [Observation],
        with_scatter: usize,
    ) -> Self {
        Self {
            model,
            held,
            observations,
            sigma: None,
            mean: vec![0.0; observations.len()],
            scatter: DMatrix::zeros(model.networks.rows(), with_scatter),
            gradient: Vec::new(),
        }
    }

    fn forecast(self) -> Forecast {
        let scatter = Scatter::Columns(self.scatter);
        let mean = self.mean;
        Forecast { mean, scatter }
    }

    fn with(self, scatter: Scatter) -> Forecast {
        let mean = self.mean;
        Forecast { mean, scatter }
    }

    /// Reads everything that is read in one situation and stretch, and the scatter of the
    /// first `with_scatter` observations.
    fn take(
        &mut self,
        when: When,
        point: &OperatingPoint<'_>,
        with_scatter: usize,
        scratch: &mut Scratch,
    ) {
        if with_scatter > 0
            && self
                .sigma
                .as_ref()
                .is_none_or(|(at, _)| *at != when.stretch)
        {
            let sigma = self.model.sigma_beside(self.held, when.stretch);
            self.sigma = Some((when.stretch, sigma));
        }
        for (index, observation) in self.observations.iter().enumerate() {
            if !when.is_of(observation) {
                continue;
            }
            let factor = self.read(index, when, point, index < with_scatter, scratch);
            if let (true, Some((_, sigma))) = (index < with_scatter, &self.sigma) {
                let mut column = self.scatter.column_mut(index);
                let column = column.as_mut_slice();
                let changes = self.gradient.iter().zip(sigma.iter());
                for (entry, (change, sigma)) in column.iter_mut().zip(changes) {
                    *entry = change * sigma * factor;
                }
                self.model.networks.date(column, observation.ago);
            }
        }
    }

    /// Reads one observation, and its gradient if that is wanted; gives what a unit of the probe's change makes of it.
    fn read(
        &mut self,
        index: usize,
        when: When,
        point: &OperatingPoint<'_>,
        with_gradient: bool,
        scratch: &mut Scratch,
    ) -> f64 {
        let observation = &self.observations[index];
        let wanted = with_gradient.then_some(&mut self.gradient);
        let within = WITHIN_METER * observation.sigma / observation.factor.abs();
        let value = point.read_to_within(within, &observation.probe, scratch, wanted);
        let mut factor = observation.slope(value);
        let mut reading = observation.factor * value;
        if let Some(meter) = observation.panel {
            let ratio: f64 = self
                .held
                .iter()
                .filter(|(f, _)| f.stretch.overlaps(when.stretch))
                .map(|(f, u)| f.indication(*u, meter))
                .product();
            factor *= ratio;
            reading *= ratio;
        }
        self.mean[index] = observation.compared(reading + observation.offset);
        factor
    }
}
