//! The stage under both tube laws, in every situation that was read in.

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
}

impl Networks {
    pub(crate) fn new(stage: &Stage) -> Result<Self, Error> {
        let list = LawForm::ALL
            .into_iter()
            .map(|form| Network::compile(stage, form))
            .collect::<Result<Vec<_>, _>>()
            .map_err(Error::Compile)?;
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
        Ok(Self { list, sigma })
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
        let parameters = self.networks.sigma.len();
        let mut forecast = Forecast {
            mean: vec![0.0; observations.len()],
            scatter: DMatrix::zeros(parameters, with_scatter),
        };
        let bases = &self.bases[law];
        starts.resize(bases.len(), None);
        let mut overlay = Overlay::new();
        let mut gradient = Vec::new();
        for (situation, base) in bases.iter().enumerate() {
            if !observations.iter().any(|o| o.situation == situation) {
                continue;
            }
            overlay.clear();
            for (failure, u) in held {
                failure.lay(*u, base, &mut overlay);
            }
            let start = starts[situation].as_ref();
            let mut read_all = |point: &Point<'_>, scratch: &mut Scratch| -> Option<PortState> {
                for (index, observation) in observations.iter().enumerate() {
                    if observation.situation != situation {
                        continue;
                    }
                    let wanted = (index < with_scatter).then_some(&mut gradient);
                    let value = point.read(&observation.probe, scratch, wanted)?;
                    let mut factor = observation.slope(value);
                    let mut reading = observation.factor * value;
                    if let Some(meter) = observation.panel {
                        let ratio: f64 =
                            held.iter().map(|(f, u)| f.indication(*u, meter)).product();
                        factor *= ratio;
                        reading *= ratio;
                    }
                    forecast.mean[index] = observation.compared(reading + observation.offset);
                    if index < with_scatter {
                        let mut column = forecast.scatter.column_mut(index);
                        for ((entry, change), sigma) in
                            column.iter_mut().zip(&gradient).zip(&self.networks.sigma)
                        {
                            *entry = change * sigma * factor;
                        }
                    }
                }
                Some(point.state().clone())
            };
            let near = base.solve_near(&overlay, start, scratch);
            let ended = match near.and_then(|near| read_all(&Point::Near(near), scratch)) {
                Some(ended) => ended,
                None => {
                    let point = Point::Exact(base.solve(&overlay, start, scratch)?);
                    match read_all(&point, scratch) {
                        Some(ended) => ended,
                        None => continue,
                    }
                }
            };
            starts[situation] = Some(ended);
        }
        Ok(forecast)
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
    fn read(
        &self,
        probe: &Probe,
        scratch: &mut Scratch,
        gradient: Option<&mut Vec<f64>>,
    ) -> Option<f64> {
        match self {
            Self::Near(point) => point.read(probe, scratch, gradient),
            Self::Exact(point) => Some(point.read(probe, scratch, gradient)),
        }
    }

    fn state(&self) -> &PortState {
        match self {
            Self::Near(point) => point.state(),
            Self::Exact(point) => point.state(),
        }
    }
}
