//! What the tests share: circuits from text, looked up by name.

use deadstage_circuit::{
    Base, DeviceId, ElementId, Network, OperatingPoint, Scratch, Situation, tube_names,
};
use deadstage_netlist::{PartId, SettingId, Severity, Stage, parse_stage};
use deadstage_parts::LawForm;
use proptest::test_runner::{Config, RngSeed};

/// How random tests are run: always the same cases, so that a run of the
/// suite says something about the change it is run for. A number in
/// `DEADSTAGE_RANDOM_CASES` runs that many new ones instead.
pub(crate) fn config(cases: u32) -> Config {
    let wanted = std::env::var("DEADSTAGE_RANDOM_CASES").ok();
    let wanted = wanted.and_then(|number| number.parse().ok());
    Config {
        cases: wanted.unwrap_or(cases),
        rng_seed: match wanted {
            Some(_) => RngSeed::Random,
            None => RngSeed::Fixed(1937),
        },
        failure_persistence: None,
        max_shrink_iters: 400,
        ..Config::default()
    }
}

/// A stage and its network.
pub(crate) struct Circuit {
    pub(crate) stage: Stage,
    pub(crate) network: Network,
}

impl Circuit {
    #[track_caller]
    pub(crate) fn new(text: &str) -> Self {
        Self::following(text, LawForm::default())
    }

    #[track_caller]
    pub(crate) fn following(text: &str, form: LawForm) -> Self {
        let text = format!("stage \"Under test\"\n{text}");
        let parsed = parse_stage("test.stage", &text, &tube_names(), &mut |_, path| {
            Err(format!("there is no {path}"))
        });
        let errors: Vec<_> = parsed
            .diagnostics
            .iter()
            .filter(|d| d.severity == Severity::Error)
            .collect();
        assert!(errors.is_empty(), "{errors:#?}\n{text}");
        let network = Network::compile(&parsed.value, form).expect("every type is known");
        Self {
            stage: parsed.value,
            network,
        }
    }

    #[track_caller]
    pub(crate) fn node(&self, name: &str) -> usize {
        self.network
            .node_names
            .iter()
            .position(|known| known == name)
            .unwrap_or_else(|| panic!("there is no node {name}"))
    }

    #[track_caller]
    pub(crate) fn part(&self, name: &str) -> PartId {
        self.stage
            .parts_named(name)
            .next()
            .unwrap_or_else(|| panic!("there is no part {name}"))
    }

    #[track_caller]
    pub(crate) fn element(&self, name: &str) -> ElementId {
        self.network.part(self.part(name)).elements[0]
    }

    #[track_caller]
    pub(crate) fn device(&self, name: &str) -> DeviceId {
        self.network
            .part(self.part(name))
            .device
            .unwrap_or_else(|| panic!("{name} is no device"))
    }

    #[track_caller]
    pub(crate) fn setting(&self, name: &str) -> Option<SettingId> {
        let at = self.stage.settings.iter().position(|s| s == name);
        let at = at.unwrap_or_else(|| panic!("there is no setting {name}"));
        u32::try_from(at).ok().map(SettingId)
    }

    /// Solves the healthy network with the power on.
    #[track_caller]
    pub(crate) fn running(&self) -> Base<'_> {
        self.in_situation(&Situation::running(None))
    }

    #[track_caller]
    pub(crate) fn in_situation(&self, situation: &Situation) -> Base<'_> {
        Base::new(&self.network, situation, &mut Scratch::default())
            .unwrap_or_else(|error| panic!("{error}: {error:?}"))
    }

    /// Voltage of a node of the healthy network, power on.
    #[track_caller]
    pub(crate) fn volts(&self, node: &str) -> f64 {
        let base = self.running();
        healthy(&base).node_volts(self.node(node))
    }

    /// Current through a part of the healthy network, power on.
    #[track_caller]
    pub(crate) fn amps(&self, part: &str) -> f64 {
        let base = self.running();
        healthy(&base).element_amps(self.element(part))
    }
}

#[track_caller]
pub(crate) fn healthy<'a>(base: &'a Base<'_>) -> OperatingPoint<'a> {
    let point = base
        .solve(&[], None, &mut Scratch::default())
        .expect("the healthy state was found before");
    kirchhoff_holds(&point);
    point
}

/// What flows into a node flows out of it.
#[track_caller]
pub(crate) fn kirchhoff_holds(point: &OperatingPoint<'_>) {
    let (node, left, through) = point.kirchhoff();
    assert!(
        left <= 1e-9 + 1e-9 * through,
        "{left:e} A of {through:e} A is left over at node {node}"
    );
}

#[track_caller]
pub(crate) fn near(found: f64, expected: f64, within: f64) {
    assert!(
        (found - expected).abs() <= within,
        "{found} where {expected} ± {within} is right"
    );
}
