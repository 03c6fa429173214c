//! Hand-made results for the tests of this crate.

use deadstage_netlist::Bound;
use deadstage_reason::{
    Chart, ChartPanel, ChartPart, ChartPoint, Check, Diagnosis, ExpectCheck, FaultName,
    JudgedReading, OhmsChart, OhmsRow, Plan, PlanAnswer, PlanBranch, PlanNode, PlanStep, PlanThen,
    Prediction, Proposal, SettingCheck, Suspect,
};

/// The text without its styles.
pub(crate) fn plain(text: &str) -> String {
    let mut plain = String::new();
    let mut characters = text.chars();
    while let Some(c) = characters.next() {
        if c == '\u{1b}' {
            for inner in characters.by_ref() {
                if inner == 'm' {
                    break;
                }
            }
        } else {
            plain.push(c);
        }
    }
    plain
}

pub(crate) fn chart() -> Chart {
    Chart {
        stage: "Phono preamplifier".to_owned(),
        notes: vec!["No signal".to_owned()],
        setting: "receive".to_owned(),
        line_volts: Some(117.0),
        meter: Some("20k/V".to_owned()),
        points: vec![ChartPoint {
            point: "plate1".to_owned(),
            volts: 165.234_567_891,
            low: 150.1,
            high: 181.0,
            shown: 163.9,
            range: Some(250.0),
            print: Some(165.0),
            electrodes: vec!["V1 plate".to_owned(), "V1 pin 6".to_owned()],
        }],
        parts: vec![
            ChartPart {
                part: "R3".to_owned(),
                volts: 84.1,
                amps: 0.000_841,
                watts: 0.0707,
                rating_watts: Some(0.5),
                tube_rating: None,
            },
            ChartPart {
                part: "R9".to_owned(),
                volts: 184.1,
                amps: 0.00841,
                watts: 1.55,
                rating_watts: Some(1.0),
                tube_rating: None,
            },
        ],
        panels: vec![ChartPanel {
            meter: "M1".to_owned(),
            reading: 95.0,
            unit: "mA".to_owned(),
            full_scale: 500.0,
        }],
        remarks: vec!["V2 is outside its data.".to_owned()],
        highest_volts: 250.0,
        state: Vec::new(),
        other_states: Vec::new(),
    }
}

pub(crate) fn ohms() -> OhmsChart {
    let row = |point: &str, ohms: f64| OhmsRow {
        point: point.to_owned(),
        ohms,
        low: ohms * 0.8,
        high: ohms * 1.2,
    };
    OhmsChart {
        stage: "Phono preamplifier".to_owned(),
        setting: String::new(),
        rows: vec![row("grid1", 1e6), row("plate1", f64::INFINITY)],
        remarks: Vec::new(),
    }
}

pub(crate) fn check() -> Check {
    let expect = |point: &str, print: f64, computed: f64, pass: bool| ExpectCheck {
        point: point.to_owned(),
        kind: "volts",
        unit: "V".to_owned(),
        print,
        tolerance: 0.2,
        computed,
        pass,
    };
    Check {
        stage: "Phono preamplifier".to_owned(),
        settings: vec![
            SettingCheck {
                setting: "receive".to_owned(),
                unsolved: None,
                remarks: Vec::new(),
                overloads: Vec::new(),
                expects: vec![
                    expect("plate1", 165.0, 166.0, true),
                    expect("cathode1", 1.3, 2.1, false),
                ],
            },
            SettingCheck {
                setting: "transmit".to_owned(),
                unsolved: Some("no operating point".to_owned()),
                remarks: Vec::new(),
                overloads: Vec::new(),
                expects: Vec::new(),
            },
        ],
    }
}

pub(crate) fn diagnosis() -> Diagnosis {
    let reading = |point: &str, read: f64, healthy: f64, sigma: f64, slip: f64| JudgedReading {
        point: point.to_owned(),
        kind: "volts",
        with: None,
        read,
        bound: Bound::Exact,
        unit: "V".to_owned(),
        healthy,
        healthy_sigma: sigma,
        slip,
        range_assumed: None,
        repairs_since: 0,
        times: 1,
    };
    let fault =
        |part: &str, mode: &'static str, value: Option<f64>, unit: &'static str| FaultName {
            part: part.to_owned(),
            section: None,
            mode,
            phrase: mode,
            value,
            unit,
        };
    let suspect = |fault: FaultName, probability: f64, group: usize| Suspect {
        faults: vec![fault],
        probability,
        group,
        predicts: vec![
            Prediction {
                point: "plate1".to_owned(),
                value: 247.9,
            },
            Prediction {
                point: "grid1".to_owned(),
                value: 0.0,
            },
            Prediction {
                point: "b+".to_owned(),
                value: 249.0,
            },
        ],
        why: "No current flows in V1: 2 V across R3 where 84 V is healthy.".to_owned(),
        confirm: "Power off: across R2 1.5 kΩ if good, no reading if open.".to_owned(),
        casualties: Vec::new(),
    };
    let mut first = suspect(fault("R2", "open", None, ""), 0.71, 1);
    first.casualties = vec!["C1, 25 V rated, stands at 31 V".to_owned()];
    Diagnosis {
        stage: "Phono preamplifier".to_owned(),
        sheet: "As found".to_owned(),
        readings: vec![
            reading("plate1", 248.0, 165.2, 8.1, 0.001),
            reading("grid1", -9.0, 0.0, 0.01, 0.93),
            reading("b+", 250.0, 249.0, 6.0, 0.0),
        ],
        suspects: vec![
            first,
            suspect(fault("V1", "dead", None, ""), 0.2, 1),
            suspect(fault("R1", "high", Some(4.7e6), "Ω"), 0.03, 2),
            suspect(fault("R3", "low", Some(22_000.0), "Ω"), 0.004, 3),
            suspect(fault("R9", "low", Some(2_200.0), "Ω"), 0.003, 4),
        ],
        healthy: 0.002,
        unexplained: 0.01,
        unexplained_near: vec!["cathode1".to_owned()],
        rest: 0.041,
        next: vec![Proposal {
            point: "across R2".to_owned(),
            kind: "ohms",
            with: None,
            setting: None,
            bits: 0.812_345_678,
            why: "If R2 is open no reading, if V1 is dead about 1.5 kΩ.".to_owned(),
        }],
        invisible: vec!["C1 open".to_owned(), "C2 open".to_owned()],
        search: "All single failures and 120 pairs were tried.".to_owned(),
        stop: None,
        plan: None,
        highest_volts: 260.0,
    }
}

pub(crate) fn plan() -> Plan {
    let answer = |part: &str, mode: &'static str, probability: f64| PlanAnswer {
        faults: vec![FaultName {
            part: part.to_owned(),
            section: None,
            mode,
            phrase: mode,
            value: None,
            unit: "",
        }],
        probability,
    };
    let act = |held: Vec<PlanAnswer>, said: &str| PlanNode {
        then: PlanThen::Act {
            said: said.to_owned(),
            right: held[0].probability,
        },
        held,
    };
    let branch = |from, to, probability, node| PlanBranch {
        from,
        to,
        probability,
        node,
    };
    let step = |kind: &'static str, point: &str, unit: &str, setting: Option<&str>| PlanStep {
        point: point.to_owned(),
        kind,
        with: None,
        setting: setting.map(str::to_owned),
        unit: unit.to_owned(),
        effort: 2.0,
    };
    let open = PlanNode {
        held: vec![PlanAnswer {
            faults: Vec::new(),
            probability: 0.5,
        }],
        then: PlanThen::Open,
    };
    let second = PlanNode {
        held: vec![answer("R2", "open", 0.95)],
        then: PlanThen::Measure {
            step: step("volts", "plate1", "V", Some("transmit")),
            branches: vec![
                branch(
                    None,
                    Some(100.0),
                    0.6,
                    act(
                        vec![answer("R2", "open", 0.98)],
                        "replace R2 and measure again.",
                    ),
                ),
                branch(Some(100.0), None, 0.4, open),
            ],
        },
    };
    Plan {
        covers: 0.98,
        effort: 2.8,
        in_vain: 0.4,
        root: PlanNode {
            held: vec![answer("R2", "open", 0.71), answer("V1", "dead", 0.2)],
            then: PlanThen::Measure {
                step: step("ohms", "across R2", "Ω", None),
                branches: vec![
                    branch(
                        None,
                        Some(12_000.0),
                        0.25,
                        act(
                            vec![answer("V1", "dead", 0.9), answer("R2", "open", 0.08)],
                            "replace V1 and measure again.",
                        ),
                    ),
                    branch(Some(12_000.0), None, 0.75, second),
                ],
            },
        },
    }
}
