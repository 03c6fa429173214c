//! The stage under both tube laws, in every situation that was read in.

use std::borrow::Cow;

use deadstage_circuit::{
    Base, ElementRole, NearPoint, Network, OperatingPoint, Overlay, ParameterKind, PortState,
    Probe, Scratch, Situation, SolveError,
};
use deadstage_netlist::Stage;
use deadstage_parts::LawForm;
use nalgebra::DMatrix;

use crate::error::Error;
use crate::failure::Failure;
use crate::observe::Observation;

/// Further spread of the mains where the sheet does not state it, as a fraction.
const UNSTATED_LINE_SIGMA: f64 = 0.03;

/// The networks of a stage, one for each tube law.
pub(crate) struct Networks {
    pub(crate) list: Vec<Network>,
    /// One standard deviation of every parameter.
    pub(crate) sigma: Vec<f64>,
    /// Whether the laws are this library's own.
    pub(crate) are_own: bool,
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
        Self {
            list,
            sigma,
            are_own,
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
    /// By law, then by situation.
    pub(crate) bases: Vec<Vec<Base<'a>>>,
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
    /// By reading, its change with one standard deviation of every parameter.
    pub(crate) scatter: DMatrix<f64>,
}

impl Forecast {
    /// The forecast of the first `count` readings.
    pub(crate) fn first(mut self, count: usize) -> Self {
        self.mean.truncate(count);
        if self.scatter.ncols() > count {
            self.scatter = self.scatter.columns(0, count).into_owned();
        }
        self
    }
}

/// Where solving started and ended, by situation.
pub(crate) type Starts = Vec<Option<PortState>>;

impl<'a> Model<'a> {
    pub(crate) fn new(
        stage: &'a Stage,
        networks: &'a Networks,
        situations: &[Situation],
        scratch: &mut Scratch,
    ) -> Result<Self, Error> {
        let mut bases = Vec::new();
        for network in &networks.list {
            let mut by_situation = Vec::new();
            for situation in situations {
                let base =
                    Base::new(network, situation, scratch).map_err(|source| Error::Healthy {
                        setting: situation
                            .setting
                            .and_then(|s| stage.settings.get(s.0 as usize).cloned()),
                        source,
                    })?;
                by_situation.push(base);
            }
            bases.push(by_situation);
        }
        Ok(Self {
            stage,
            networks,
            bases,
        })
    }

    pub(crate) fn laws(&self) -> usize {
        self.bases.len()
    }

    /// What `observations` should read with these failures, under one law;
    /// the scatter of the first `with_scatter` of them.
    ///
    /// `starts` holds a start by situation and receives where the solution ended.
    pub(crate) fn forecast(
        &self,
        law: usize,
        held: &[Held<'_>],
        observations: &[Observation],
        with_scatter: usize,
        starts: &mut Starts,
        scratch: &mut Scratch,
    ) -> Result<Forecast, SolveError> {
        let mut reading = Reading::new(self, held, observations, with_scatter);
        self.each_point(
            law,
            held,
            observations,
            starts,
            scratch,
            |at, point, scratch| reading.take(at, &point, with_scatter, scratch),
        )?;
        Ok(reading.forecast)
    }

    /// As [`forecast`](Self::forecast), with the scatter worked out only if
    /// the means are `worth` it; else it has no columns.
    #[allow(
        clippy::too_many_arguments,
        reason = "those of a forecast, and one more"
    )]
    pub(crate) fn forecast_if(
        &self,
        law: usize,
        held: &[Held<'_>],
        observations: &[Observation],
        with_scatter: usize,
        worth: impl FnOnce(&[f64]) -> bool,
        starts: &mut Starts,
        scratch: &mut Scratch,
    ) -> Result<Forecast, SolveError> {
        let mut reading = Reading::new(self, held, observations, 0);
        let mut points = Vec::new();
        self.each_point(
            law,
            held,
            observations,
            starts,
            scratch,
            |at, point, scratch| {
                let taken = reading.take(at, &point, 0, scratch);
                points.push((at, point));
                taken
            },
        )?;
        if worth(&reading.forecast.mean) {
            reading.sigma = self.sigma_beside(held);
            reading.forecast.scatter = DMatrix::zeros(self.networks.sigma.len(), with_scatter);
            for (at, point) in points {
                if reading.take(at, &point, with_scatter, scratch).is_none() {
                    return self.forecast(law, held, observations, with_scatter, starts, scratch);
                }
            }
        }
        Ok(reading.forecast)
    }

    /// One standard deviation of every parameter, of which failures leave some settled.
    fn sigma_beside(&self, held: &[Held<'_>]) -> Cow<'a, [f64]> {
        let mut sigma = Cow::Borrowed(self.networks.sigma.as_slice());
        for (index, parameter) in self.networks.list[0].parameters.iter().enumerate() {
            if held.iter().any(|(f, _)| f.settles(&parameter.kind)) {
                sigma.to_mut()[index] = 0.0;
            }
        }
        sigma
    }

    /// Finds the operating point of every situation that is read in. Where
    /// one found near the healthy state can't be `taken` (`None`), it is solved in full.
    fn each_point<'m>(
        &'m self,
        law: usize,
        held: &[Held<'_>],
        observations: &[Observation],
        starts: &mut Starts,
        scratch: &mut Scratch,
        mut taken: impl FnMut(usize, Point<'m>, &mut Scratch) -> Option<()>,
    ) -> Result<(), SolveError> {
        let bases = &self.bases[law];
        starts.resize(bases.len(), None);
        let mut overlay = Overlay::new();
        for (situation, base) in bases.iter().enumerate() {
            if !observations.iter().any(|o| o.situation == situation) {
                continue;
            }
            overlay.clear();
            for (failure, u) in held {
                failure.lay(*u, base, &mut overlay);
            }
            let start = starts[situation].as_ref();
            if let Some(near) = base.solve_near(&overlay, start, scratch) {
                let ended = near.state().clone();
                if taken(situation, Point::Near(near), scratch).is_some() {
                    starts[situation] = Some(ended);
                    continue;
                }
            }
            let point = base.solve(&overlay, start, scratch)?;
            let ended = point.state().clone();
            taken(situation, Point::Exact(point), scratch);
            starts[situation] = Some(ended);
        }
        Ok(())
    }
}

/// A forecast being made.
struct Reading<'r> {
    held: &'r [Held<'r>],
    observations: &'r [Observation],
    sigma: Cow<'r, [f64]>,
    forecast: Forecast,
    gradient: Vec<f64>,
}

impl<'r> Reading<'r> {
    fn new(
        model: &'r Model<'_>,
        held: &'r [Held<'r>],
        observations: &'r [Observation],
        with_scatter: usize,
    ) -> Self {
        let sigma = if with_scatter > 0 {
            model.sigma_beside(held)
        } else {
            Cow::Borrowed(model.networks.sigma.as_slice())
        };
        Self {
            held,
            observations,
            sigma,
            forecast: Forecast {
                mean: vec![0.0; observations.len()],
                scatter: DMatrix::zeros(model.networks.sigma.len(), with_scatter),
            },
            gradient: Vec::new(),
        }
    }

    /// Reads everything that is read in one situation, and the scatter of the
    /// first `with_scatter` observations.
    fn take(
        &mut self,
        situation: usize,
        point: &Point<'_>,
        with_scatter: usize,
        scratch: &mut Scratch,
    ) -> Option<()> {
        for (index, observation) in self.observations.iter().enumerate() {
            if observation.situation != situation {
                continue;
            }
            let wanted = (index < with_scatter).then_some(&mut self.gradient);
            let within = WITHIN_METER * observation.sigma / observation.factor.abs();
            let value = point.read(within, &observation.probe, scratch, wanted)?;
            let mut factor = observation.slope(value);
            let mut reading = observation.factor * value;
            if let Some(meter) = observation.panel {
                let ratio: f64 = self
                    .held
                    .iter()
                    .map(|(f, u)| f.indication(*u, meter))
                    .product();
                factor *= ratio;
                reading *= ratio;
            }
            self.forecast.mean[index] = observation.compared(reading + observation.offset);
            if index < with_scatter {
                let mut column = self.forecast.scatter.column_mut(index);
                for ((entry, change), sigma) in
                    column.iter_mut().zip(&self.gradient).zip(self.sigma.iter())
                {
                    *entry = change * sigma * factor;
                }
            }
        }
        Some(())
    }
}

/// An operating point, found in either way.
enum Point<'a> {
    /// From the healthy state, in a few steps.
    Near(NearPoint<'a>),
    /// By solving all ports.
    Exact(OperatingPoint<'a>),
}

impl Point<'_> {
    /// What `probe` reads; `within` volts of what it reads at a healthy unit, by proportion.
    fn read(
        &self,
        within: f64,
        probe: &Probe,
        scratch: &mut Scratch,
        gradient: Option<&mut Vec<f64>>,
    ) -> Option<f64> {
        match self {
            Self::Near(point) => point.read_to_within(within, probe, scratch, gradient),
            Self::Exact(point) => Some(point.read(probe, scratch, gradient)),
        }
    }
}
