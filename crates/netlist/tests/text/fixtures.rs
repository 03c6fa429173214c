//! What the tests share: a small tube table, and parsing that must succeed.

use deadstage_netlist::{
    Electrode, Parsed, Readings, Stage, TubeName, TubeNames, TubeRole, parse_readings, parse_stage,
};

use proptest::test_runner::{Config as ProptestConfig, RngSeed};

/// How random tests are run: always the same cases, so that a run of the
/// suite says something about the change it is run for. A number in
/// `DEADSTAGE_RANDOM_CASES` runs that many new ones instead.
pub(crate) fn config(cases: u32) -> ProptestConfig {
    let wanted = std::env::var("DEADSTAGE_RANDOM_CASES").ok();
    let wanted = wanted.and_then(|number| number.parse().ok());
    ProptestConfig {
        cases: wanted.unwrap_or(cases),
        rng_seed: match wanted {
            Some(_) => RngSeed::Random,
            None => RngSeed::Fixed(1935),
        },
        failure_persistence: None,
        max_shrink_iters: 4000,
        ..ProptestConfig::default()
    }
}

/// A table of a few types. Pins follow the usual basings (from memory); the
/// tests check that they are looked up, not that they are right.
pub(crate) fn names() -> TubeNames {
    use Electrode::{Cathode, Grid, Plate, Screen, Suppressor};
    let tube = |name: &str, role, units: &[&[(Electrode, u8)]]| TubeName {
        name: name.to_owned(),
        role,
        units: units.iter().map(|unit| unit.to_vec()).collect(),
    };
    TubeNames {
        look_up: None,
        types: vec![
            tube("0A2", TubeRole::Regulator, &[&[(Plate, 1), (Cathode, 2)]]),
            tube(
                "12AX7",
                TubeRole::Amplifier,
                &[
                    &[(Plate, 1), (Grid, 2), (Cathode, 3)],
                    &[(Plate, 6), (Grid, 7), (Cathode, 8)],
                ],
            ),
            tube("5Y3", TubeRole::Rectifier, &[&[(Plate, 4), (Cathode, 8)]]),
            // A plate on the top cap has no pin.
            tube(
                "6AX9",
                TubeRole::Amplifier,
                &[&[(Plate, 0), (Grid, 5), (Screen, 4), (Cathode, 8)]],
            ),
            tube(
                "6C4",
                TubeRole::Amplifier,
                &[&[(Plate, 1), (Grid, 6), (Cathode, 7)]],
            ),
            tube(
                "6AT6",
                TubeRole::Amplifier,
                &[
                    &[(Plate, 7), (Grid, 1), (Cathode, 2)],
                    &[(Plate, 5), (Cathode, 2)],
                    &[(Plate, 6), (Cathode, 2)],
                ],
            ),
            tube(
                "6SJ7",
                TubeRole::Amplifier,
                &[&[
                    (Plate, 8),
                    (Grid, 4),
                    (Screen, 6),
                    (Suppressor, 3),
                    (Cathode, 5),
                ]],
            ),
        ],
    }
}

pub(crate) fn parse(text: &str) -> Parsed<Stage> {
    parse_stage("test.stage", text, &names(), &mut |_, path| {
        Err(format!("there is no {path}"))
    })
}

/// The stage of a text that must have no findings at all.
#[track_caller]
pub(crate) fn clean(text: &str) -> Stage {
    let parsed = parse(text);
    assert!(parsed.diagnostics.is_empty(), "{:#?}", parsed.diagnostics);
    parsed.value
}

/// The readings of a sheet that must have no findings at all.
#[track_caller]
pub(crate) fn clean_sheet(text: &str, stage: &Stage) -> Readings {
    let parsed = parse_readings("test.readings", text, stage, &names());
    assert!(parsed.diagnostics.is_empty(), "{:#?}", parsed.diagnostics);
    parsed.value
}

/// A phonograph preamplifier that uses most of a small stage's statements.
pub(crate) const PREAMPLIFIER: &str = r#"
stage "Phono preamplifier, left channel"
notes "Voltages on the print: no signal, 117 V line, 20 kΩ/V meter"
common chassis                              # the 0 V node
line 117V
settings receive transmit

section "Supply"
supply   B1   250V ±5%  source 1.2k   from bplus to chassis   follows line
resistor R9   22k 10% 1W              from bplus to bplus2
capacitor C5  20u 450V electrolytic   from bplus2 to chassis

section "First stage"
resistor R1   1M                      from grid1 to chassis
resistor R2   1k5 10% 0.5W            from cathode1 to chassis
capacitor C1  25u 25V electrolytic    from cathode1 to chassis
resistor R3   100k 10% 1/2W           from bplus2 to plate1
tube     V1   12AX7 section 1         plate=plate1 grid=grid1 cathode=cathode1
capacitor C2  20n 400V paper          from plate1 to grid2

section "Second stage"
resistor R4   470k from grid2 to chassis
resistor R5   1.5k film 5% from cathode2 to chassis
resistor R6   100k
              10% 0.5W
              from bplus2 to plate2
tube V1 12AX7 section 2 plate = plate2 grid=GRID2 cathode=cathode2
switch S1 from plate2 to out closed in transmit

expect plate1 165V ±15%
expect cathode1 1.3V +-20% with 20k/V 3%
expect V1 section 2 plate 165V ±2V in transmit
expect through R9 1.9mA 30%
testpoint plate1
testpoint V1 pin 8 awkward
testpoint across R9 hazard
"#;

/// Every statement that [`PREAMPLIFIER`] does not use.
pub(crate) const REST: &str = r#"
stage "Everything else"
common ground
settings receive transmit tune
defaults resistor 10% 0.5W wirewound
defaults capacitor 400V
tubetype 6XX5 pentode mu 20 plate 250V grid -8.5V current 32mA gm 4.5mS screen 250V 5mA
tubetype MINE triode mu 100 plate 250V grid -2V current 1.2mA gm 1600umho
transformer T1
winding T1P 250 30H of T1 from bplus to plate
winding T1S 0.5 of T1 from tap to ground
rectifier V3 5Y3 full-wave 350V winding 60 input capacitor from raw to ground
rectifier D9 silicon doubler 120V winding 5 input capacitor from raw2 to ground
choke L1 200 10H from raw to bplus
fuse F1 from raw2 to fused
fuse F2 0.5 from fused to bridged
link J1 from bridged to linked
lamp P1 47 6.3V from linked to ground
thermistor TH1 100 20% from linked to warm
resistor R1 10k from warm to node5
resistor R2 2.2k 5% film 2W from node5 to ground
potentiometer VR1 500k at 30% from node5 to ground wiper grid
potentiometer VR2 10k at ? from node5 to ground wiper node5
tube V4 6XX5 plate=plate grid=grid screen=bplus cathode=ground suppressor=ground drive 25V peak
tube V5 mine plate=p5 grid=grid cathode=ground drive 2mA grid
resistor R3 100k from bplus to p5
diode D1 selenium from grid to ground
diode D2 5y3 from grid to ground
regulator V6 0A2 from reg to ground
resistor R4 5k 10W from bplus to reg
transistor Q1 germanium pnp emitter=ground base=grid collector=coll
resistor R5 4.7k from bias to coll
supply C 12V from ground to bias
relay K1 5k pulls-in 8mA from reg to kbot
contact K1 from kbot to ground normally closed
contact K1b of K1 from tap to ground normally open
meter M1 1mA 100 scale "0-500 mA" from m1 to m2
resistor R6 0.2 from m1 to m2
resistor R7 1k from reg to m1
resistor R8 1k from m2 to ground
meter M2 75mV 0.5 from ground to m2
switch S1 from tap to kbot closed in transmit tune
expect panel M1 95mA
expect V4 screen 250
expect Q1 base 0V
expect VR1 wiper 12V in receive
"#;
