use crate::fixtures::Circuit;
use deadstage_circuit::*;
#[test]
fn zz() {
    let text = std::fs::read_to_string("/tmp/w_string_of_gas_regulators_33.stage").unwrap();
    let text = text.split_once('\n').unwrap().1;
    let c = Circuit::new(text);
    let mut s = Scratch::default();
    let base = c.running();
    let p = base.solve(&[], None, &mut s).unwrap();
    println!("{:?}", p.kirchhoff());
    for (i, slot) in c.network.devices.iter().enumerate() {
        let id = DeviceId(i as u32);
        let v = p.device_volts(id)[0];
        let by_nodes = p.node_volts(slot.ports[0]) - p.node_volts(slot.common);
        let law = p
            .values()
            .device_currents(&c.network, i, &[v, 0.0, 0.0, 0.0]);
        let law2 = p
            .values()
            .device_currents(&c.network, i, &[by_nodes, 0.0, 0.0, 0.0]);
        println!(
            "{} {:e} {:e} {:e} {:e} {:e}",
            v,
            v - by_nodes,
            p.device_amps(id)[0],
            law.amps[0] - p.device_amps(id)[0],
            law2.amps[0] - p.device_amps(id)[0],
            law.siemens[0][0]
        );
    }
}
