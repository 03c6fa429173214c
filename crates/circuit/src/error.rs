//! What can go wrong between a stage and its operating point.

use deadstage_netlist::Span;
use thiserror::Error;

/// A part that has no meaning as a network.
#[derive(Clone, Debug, Error, PartialEq)]
#[non_exhaustive]
pub enum CompileError {
    /// Its type is in no table, or is of the wrong kind for its statement.
    #[error("{part}: no data for type `{kind}`")]
    UnknownType {
        /// Designator.
        part: String,
        /// The type.
        kind: String,
        /// The statement.
        span: Span,
    },
    /// An electrode that its law needs is not wired.
    #[error("{part}: its {electrode} is not wired")]
    MissingElectrode {
        /// Designator.
        part: String,
        /// Which.
        electrode: &'static str,
        /// The statement.
        span: Span,
    },
}

impl CompileError {
    /// The statement at fault.
    pub fn span(&self) -> Span {
        match self {
            Self::UnknownType { span, .. } | Self::MissingElectrode { span, .. } => *span,
        }
    }
}

/// A law with another number of ports than its device is wired with.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
#[error("{part} is wired at {wired} ports, and the law given has {has}")]
pub struct LawMismatch {
    /// Designator.
    pub part: String,
    /// Ports of the device.
    pub wired: usize,
    /// Ports of the law.
    pub has: usize,
}

/// One way in which an operating point was sought, in vain.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Attempt {
    /// What was done.
    pub what: String,
    /// Steps of Newton's method, those of its last run.
    pub steps: usize,
    /// The node that would have moved most when it was given up.
    pub node: Option<String>,
}

impl std::fmt::Display for Attempt {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: stuck after {} steps", self.what, self.steps)?;
        match &self.node {
            Some(node) => write!(f, ", at {node}"),
            None => Ok(()),
        }
    }
}

/// No operating point was found, or what was found is none.
#[derive(Clone, Debug, Error, PartialEq)]
#[non_exhaustive]
pub enum SolveError {
    /// Two sources hold one node at two voltages, or a loop of wire has no resistance.
    #[error("the equations have no one solution at {}", nodes.join(", "))]
    Singular {
        /// Names of nodes at which they fail.
        nodes: Vec<String>,
    },
    /// Nothing that was tried came to an operating point.
    #[error("no operating point found; the voltages that would not settle: {}", nodes.join(", "))]
    NotConverged {
        /// Names of the nodes that would not settle, that of the last attempt first.
        nodes: Vec<String>,
        /// What was tried, in its order, and how far each got.
        attempts: Vec<Attempt>,
    },
    /// The equations have more entries than this library will factor.
    #[error(
        "the network is too closely meshed to be solved: {nodes} nodes and {elements} paths between them"
    )]
    TooMeshed {
        /// Nodes.
        nodes: usize,
        /// Paths.
        elements: usize,
    },
    /// A relay or regulator that has no state agreeing with its own current.
    #[error("{part} has no steady state: it would keep going on and off")]
    NoSteadyState {
        /// Designator.
        part: String,
    },
    /// A current is left over at a node: the numbers can't be trusted.
    #[error("{amps:.3e} A is left over at {node}")]
    Residual {
        /// The node.
        node: String,
        /// What is left over, A.
        amps: f64,
    },
}

impl SolveError {
    pub(crate) fn not_converged(attempts: Vec<Attempt>) -> Self {
        let mut nodes: Vec<String> = Vec::new();
        for node in attempts
            .iter()
            .rev()
            .filter_map(|attempt| attempt.node.as_ref())
        {
            if !nodes.contains(node) {
                nodes.push(node.clone());
            }
        }
        Self::NotConverged { nodes, attempts }
    }
}
