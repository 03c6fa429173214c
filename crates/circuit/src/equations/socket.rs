//! Where a device is joined to the network's equations.

use deadstage_parts::MAX_PORTS;

use super::pins::Block;

/// Where a device is joined to the network.
#[derive(Clone, Debug)]
pub(crate) struct Socket {
    pub(super) ports: usize,
    /// Of its ports, and behind them of its common terminal.
    pub(super) nodes: [u32; MAX_PORTS + 1],
    /// Of the entries between these.
    pub(super) places: [[u32; MAX_PORTS + 1]; MAX_PORTS + 1],
}

impl Socket {
    /// How many ports.
    #[inline]
    pub(crate) fn ports(&self) -> usize {
        self.ports
    }

    /// Voltages at the socket.
    #[inline]
    pub(crate) fn volts(&self, x: &[f64]) -> [f64; MAX_PORTS] {
        match self.ports {
            1 => self.volts_of::<1>(x),
            2 => self.volts_of::<2>(x),
            3 => self.volts_of::<3>(x),
            _ => self.volts_of::<MAX_PORTS>(x),
        }
    }

    /// Voltages at the socket of a device of so many ports.
    #[inline]
    pub(crate) fn volts_of<const N: usize>(&self, x: &[f64]) -> [f64; MAX_PORTS] {
        let common = x[self.nodes[N] as usize];
        let mut volts = [0.0; MAX_PORTS];
        for (v, &node) in volts.iter_mut().zip(&self.nodes[..N]) {
            *v = x[node as usize] - common;
        }
        volts
    }

    /// Ends of the path through a port.
    pub(crate) fn ends(&self, port: usize) -> [u32; 2] {
        [self.nodes[port], self.nodes[self.ports]]
    }

    /// Adds currents into the ports to what leaves the nodes.
    #[inline]
    pub(crate) fn draw(&self, amps: &[f64; MAX_PORTS], out: &mut [f64]) {
        match self.ports {
            1 => self.draw_of::<1>(amps, out),
            2 => self.draw_of::<2>(amps, out),
            3 => self.draw_of::<3>(amps, out),
            _ => self.draw_of::<MAX_PORTS>(amps, out),
        }
    }

    /// The same for a device of so many ports.
    #[inline]
    pub(crate) fn draw_of<const N: usize>(&self, amps: &[f64; MAX_PORTS], out: &mut [f64]) {
        let mut sum = 0.0;
        for (amps, &node) in amps.iter().zip(&self.nodes[..N]) {
            out[node as usize] += amps;
            sum += amps;
        }
        out[self.nodes[N] as usize] -= sum;
    }

    /// By port, what a current into another does to it, by the entries of an inverse.
    pub(crate) fn ohms(&self, inverse: &[f64]) -> Block {
        let entry = |row: usize, column: usize| inverse[self.places[row][column] as usize];
        let common = self.ports;
        let mut block = Block::default();
        for (p, row) in block.iter_mut().enumerate().take(self.ports) {
            for (q, ohms) in row.iter_mut().enumerate().take(self.ports) {
                *ohms = entry(p, q) - entry(p, common) - entry(common, q) + entry(common, common);
            }
        }
        block
    }

    /// Adds what changes slopes `from` to `to` to the entries of a matrix.
    pub(crate) fn turn(&self, to: &Block, from: &Block, matrix: &mut [f64]) {
        match self.ports {
            1 => self.turn_of::<1>(to, from, matrix),
            2 => self.turn_of::<2>(to, from, matrix),
            3 => self.turn_of::<3>(to, from, matrix),
            _ => self.turn_of::<MAX_PORTS>(to, from, matrix),
        }
    }

    #[inline]
    fn turn_of<const N: usize>(&self, to: &Block, from: &Block, matrix: &mut [f64]) {
        let mut columns = [0.0; MAX_PORTS + 1];
        for p in 0..N {
            let mut sum = 0.0;
            for q in 0..N {
                let step = to[p][q] - from[p][q];
                matrix[self.places[p][q] as usize] += step;
                sum += step;
                columns[q] += step;
            }
            matrix[self.places[p][N] as usize] -= sum;
            columns[N] -= sum;
        }
        for (column, &place) in columns.iter().zip(&self.places[N]).take(N + 1) {
            matrix[place as usize] -= column;
        }
    }
}
