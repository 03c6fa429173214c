use super::*;
use crate::base::Base;
use crate::network::catalogue::tube_names;
use crate::network::{DeviceId, Network};
use crate::overlay::{Change, DeviceChange};
use crate::probe::Probe;
use crate::situation::Situation;
use deadstage_netlist::parse_stage;
use deadstage_parts::LawForm;
use nalgebra::{DMatrix, DVector};

/// Two stages on one supply that follows the mains, with a potentiometer, a pentode and a rectifier's reservoir.
const STAGES: &str = "stage \"two stages\"\n\
    line 120V\n\
    supply B1 300V source 200 from bplus to chassis follows line\n\
    resistor RD 22k from bplus to rail\n\
    capacitor CD 16u electrolytic from rail to chassis\n\
    resistor RP1 100k from rail to plate1\n\
    resistor RK1 1500 from cathode1 to chassis\n\
    resistor RG1 470k from grid1 to chassis\n\
    tube V1 12AX7 section 1 plate=plate1 grid=grid1 cathode=cathode1\n\
    capacitor CC 20n paper from plate1 to top\n\
    potentiometer P 500k from top to chassis wiper grid2 at 60%\n\
    resistor RK2 270 from cathode2 to chassis\n\
    resistor RS2 4700 from bplus to screen2\n\
    resistor RP2 3k from bplus to plate2\n\
    tube V2 6V6 plate=plate2 grid=grid2 screen=screen2 cathode=cathode2\n";

/// C by the gradients of every reading, one by one.
fn dense(
    at: &OperatingPoint<'_>,
    sigma: &[f64],
    watched: &[Watched],
    scratch: &mut Scratch,
) -> DMatrix<f64> {
    let columns: Vec<Vec<f64>> = watched
        .iter()
        .map(|w| {
            let mut gradient = Vec::new();
            let probe = Probe::Volts {
                from: w.from,
                to: w.to,
                load: None,
            };
            at.read(&probe, scratch, Some(&mut gradient));
            let all = gradient.iter().zip(sigma);
            all.map(|(change, sigma)| w.share * change * sigma)
                .collect()
        })
        .collect();
    let scatter = DMatrix::from_fn(sigma.len(), columns.len(), |i, j| columns[j][i]);
    scatter.tr_mul(&scatter)
}

fn compare(overlay: &[Change], network: &Network, base: &Base<'_>) {
    let mut scratch = Scratch::default();
    let at = base.solve(overlay, None, &mut scratch).expect("it solves");
    let sigma: Vec<f64> = network.parameters.iter().map(|p| p.sigma).collect();
    let mut watched: Vec<Watched> = (1..network.nodes)
        .map(|from| Watched {
            from,
            to: 0,
            share: 1.0 - 0.01 * (from % 4) as f64,
            variance: 0.01 + 0.1 * (from % 5) as f64,
        })
        .collect();
    let screen = network.node_names.iter().position(|n| n == "screen2");
    watched.push(Watched {
        from: 1,
        to: screen.expect("a node"),
        share: 1.0,
        variance: 0.3,
    });
    let found = at.joint_spread(&sigma, &watched).expect("it has slopes");
    let mut covariance = dense(&at, &sigma, &watched, &mut scratch);
    // What is told apart is taken out of it.
    assert!(found.apart().len() >= 2, "the mains and the wiper");
    for (_, effect) in found.apart() {
        let effect = DVector::from_column_slice(effect);
        covariance -= &effect * effect.transpose();
    }
    for (k, variance) in found.variances().iter().enumerate() {
        let expected = covariance[(k, k)];
        assert!(
            (variance - expected).abs() < 1e-8 * expected + 1e-12,
            "{k}: {variance} {expected}"
        );
    }
    for (k, w) in watched.iter().enumerate() {
        covariance[(k, k)] += w.variance;
    }
    let cholesky = covariance.clone().cholesky().expect("each has a variance");
    let inverse = cholesky.inverse();
    for (k, precision) in found.precisions().iter().enumerate() {
        let expected = inverse[(k, k)];
        assert!(
            (precision - expected).abs() < 1e-7 * expected,
            "{k}: {precision} {expected}"
        );
    }
    let expected: f64 = cholesky
        .l_dirty()
        .diagonal()
        .iter()
        .map(|d| 2.0 * d.ln())
        .sum();
    assert!(
        (found.ln_det() - expected).abs() < 1e-7,
        "{} {expected}",
        found.ln_det()
    );
    let r: Vec<f64> = (0..watched.len())
        .map(|k| ((k * 7 % 5) as f64 - 2.0) * 3.0)
        .collect();
    let weighed = found.weigh(&r);
    let expected = inverse * DVector::from_column_slice(&r);
    for (a, b) in weighed.iter().zip(expected.iter()) {
        assert!((a - b).abs() < 1e-7 * expected.amax(), "{a} {b}");
    }
}

#[test]
fn what_strays_together_is_what_gradients_say() {
    let parsed = parse_stage("test", STAGES, &tube_names(), &mut |_, path| {
        Err(path.to_owned())
    });
    let first = parsed.errors().next().map(|e| e.message.clone());
    assert!(first.is_none(), "{first:?}");
    let network = Network::compile(&parsed.value, LawForm::default()).expect("known types");
    let base = Base::new(&network, &Situation::running(None), &mut Scratch::default());
    let base = base.expect("it solves");
    compare(&[], &network, &base);
    let ohms = |k: u32, ohms: f64| Change::Ohms(ElementId(k), ohms);
    for overlay in [
        vec![ohms(3, 3e5)],
        vec![ohms(3, 1e9), ohms(5, 20.0)],
        vec![Change::Device(DeviceId(1), DeviceChange::Perveance(0.2))],
        vec![ohms(6, 1e6)],
    ] {
        compare(&overlay, &network, &base);
    }
}

/// A path between two nodes that nothing joins is not for this way, nor is a voltage there.
#[test]
fn nodes_that_nothing_joins_are_not_watched_together() {
    let parsed = parse_stage("test", STAGES, &tube_names(), &mut |_, path| {
        Err(path.to_owned())
    });
    let network = Network::compile(&parsed.value, LawForm::default()).expect("known types");
    let mut scratch = Scratch::default();
    let base = Base::new(&network, &Situation::running(None), &mut scratch).expect("it solves");
    let node = |name: &str| {
        let found = network.node_names.iter().position(|n| n == name);
        found.expect("a node")
    };
    let (from, to) = (node("grid1"), node("screen2"));
    let sigma: Vec<f64> = network.parameters.iter().map(|p| p.sigma).collect();
    let watched = [Watched {
        from,
        to,
        share: 1.0,
        variance: 0.1,
    }];
    let at = base.solve(&[], None, &mut scratch).expect("it solves");
    assert!(!at.can_watch(from, to));
    assert!(at.joint_spread(&sigma, &watched).is_none());
    let strayed = [Change::Shunt {
        from,
        to,
        ohms: 1e6,
    }];
    let at = base.solve(&strayed, None, &mut scratch).expect("it solves");
    assert!(at.joint_spread(&sigma, &[]).is_none());
}
