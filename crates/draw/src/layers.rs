//! What is laid over a schematic: plain facts, given by whoever has them.

use deadstage_netlist::{NodeId, PartId};

/// What to show besides the print.
#[derive(Clone, Debug, Default, PartialEq)]
#[non_exhaustive]
pub struct Layers {
    /// Healthy voltage at nodes, as it is to be printed: `165 V`.
    pub volts: Vec<(NodeId, String)>,
    /// What was read at nodes, and whether it is off.
    pub readings: Vec<ReadingMark>,
    /// Parts that may have failed, the likeliest first.
    pub suspects: Vec<SuspectMark>,
    /// Current through parts from their first node to their second, as printed: `1.2 mA`.
    pub currents: Vec<(PartId, String)>,
    /// Parts of which no reading tells anything.
    pub unseen: Vec<PartId>,
    /// Where to measure next.
    pub next: Option<NextMark>,
}

/// A reading at a node.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadingMark {
    /// Where.
    pub node: NodeId,
    /// As it is to be printed: `248 V`.
    pub text: String,
    /// Whether no healthy unit would read so.
    pub off: bool,
}

/// A suspect.
#[derive(Clone, Debug, PartialEq)]
pub struct SuspectMark {
    /// The part; a set of several has one mark each, with one rank.
    pub part: PartId,
    /// Its place in the list, from 1.
    pub rank: u32,
    /// What to say of it below the drawing: `C3 leaky, about 2.4 MΩ: 86 %`.
    pub text: String,
}

/// Where the next measurement is taken.
#[derive(Clone, Debug, PartialEq)]
pub struct NextMark {
    /// The node, or the part across which it is.
    pub place: NextPlace,
    /// What to say of it below the drawing: `volts grid2`.
    pub text: String,
}

/// What the next measurement is taken at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NextPlace {
    /// A node, against common.
    Node(NodeId),
    /// Across or through a part.
    Part(PartId),
}
