//! The stage as a graph of nodes and parts, and what its wiring alone tells:
//! nodes left hanging, nodes with no way for direct current, sources in a loop.

use std::collections::BTreeMap;

use deadstage_netlist::{COMMON, Diagnostic, NodeId, PartId, PartKind, Related, Severity, Stage};
use petgraph::graph::{NodeIndex, UnGraph};
use petgraph::unionfind::UnionFind;
use petgraph::visit::EdgeRef;

use crate::shorted::{Join, path, shorted_supplies};

/// How an edge of the graph joins two nodes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Joint {
    /// Direct current passes.
    Conducts,
    /// Direct current does not pass: a capacitor, or a control grid.
    Blocks,
    /// A source without resistance: it fixes the voltage between its nodes.
    Fixes,
}

/// The graph of a stage: a node for each of its nodes (same index), an edge
/// for every way through a part.
pub fn graph(stage: &Stage) -> UnGraph<NodeId, (PartId, Joint)> {
    let mut graph = UnGraph::with_capacity(stage.nodes.len(), stage.parts.len());
    for index in (0u32..).take(stage.nodes.len()) {
        graph.add_node(NodeId(index));
    }
    let at = |node: NodeId| NodeIndex::new(node.0 as usize);
    for (id, part) in (0u32..).map(PartId).zip(&stage.parts) {
        match &part.kind {
            PartKind::Tube { electrodes, .. } => {
                let Some((_, cathode)) = electrodes
                    .iter()
                    .find(|(e, _)| *e == deadstage_netlist::Electrode::Cathode)
                else {
                    continue;
                };
                for (electrode, node) in electrodes {
                    let joint = match electrode {
                        deadstage_netlist::Electrode::Plate
                        | deadstage_netlist::Electrode::Screen
                        | deadstage_netlist::Electrode::Target => Joint::Conducts,
                        deadstage_netlist::Electrode::Cathode => continue,
                        _ => Joint::Blocks,
                    };
                    graph.add_edge(at(*node), at(*cathode), (id, joint));
                }
            }
            PartKind::Transistor {
                emitter,
                base,
                collector,
                ..
            } => {
                graph.add_edge(at(*base), at(*emitter), (id, Joint::Conducts));
                graph.add_edge(at(*collector), at(*emitter), (id, Joint::Conducts));
            }
            PartKind::Potentiometer {
                from, to, wiper, ..
            } => {
                graph.add_edge(at(*from), at(*wiper), (id, Joint::Conducts));
                graph.add_edge(at(*wiper), at(*to), (id, Joint::Conducts));
            }
            kind => {
                let Some((from, to)) = kind.ends() else {
                    continue;
                };
                let joint = match kind {
                    PartKind::Capacitor { .. } => Joint::Blocks,
                    PartKind::Supply { source: None, .. } => Joint::Fixes,
                    _ => Joint::Conducts,
                };
                graph.add_edge(at(from), at(to), (id, joint));
            }
        }
    }
    graph
}

/// What the wiring alone shows to be wrong or doubtful, in the order of the nodes.
pub fn check_connections(stage: &Stage) -> Vec<Diagnostic> {
    let graph = graph(stage);
    let mut findings = Vec::new();
    one_connection(stage, &graph, &mut findings);
    no_path_to_common(stage, &graph, &mut findings);
    source_loops(stage, &mut findings);
    shorted_supplies(stage, &mut findings);
    findings
}

fn one_connection(
    stage: &Stage,
    graph: &UnGraph<NodeId, (PartId, Joint)>,
    findings: &mut Vec<Diagnostic>,
) {
    // A tube touches its cathode by several edges and once only.
    for node in graph.node_indices().skip(1) {
        let mut touching: BTreeMap<PartId, usize> = BTreeMap::new();
        for edge in graph.edges(node) {
            *touching.entry(edge.weight().0).or_default() += 1;
        }
        let parts = touching.len();
        let tied_to_itself =
            parts == 1 && joins_two_electrodes(stage, *graph.node_weight(node).unwrap_or(&COMMON));
        if parts == 1 && !tied_to_itself {
            let id = touching.keys().next().copied().unwrap_or(PartId(0));
            let what = &stage.node(NodeId(index_of(node)));
            findings.push(Diagnostic {
                code: "one-connection",
                severity: Severity::Warning,
                message: format!(
                    "node `{}` has only one connection, {}",
                    what.name,
                    stage.part(id).name
                ),
                span: what.span,
                label: "nothing else is wired here".to_owned(),
                related: Vec::new(),
                help: Some(
                    "check the spelling against the nodes it should join, or wire a part to it"
                        .to_owned(),
                ),
            });
        }
    }
}

fn joins_two_electrodes(stage: &Stage, node: NodeId) -> bool {
    stage.parts.iter().any(|part| match &part.kind {
        PartKind::Tube { electrodes, .. } => {
            electrodes.iter().filter(|(_, n)| *n == node).count() > 1
        }
        _ => false,
    })
}

fn index_of(node: NodeIndex) -> u32 {
    u32::try_from(node.index()).unwrap_or(u32::MAX)
}

fn no_path_to_common(
    stage: &Stage,
    graph: &UnGraph<NodeId, (PartId, Joint)>,
    findings: &mut Vec<Diagnostic>,
) {
    let mut joined = UnionFind::<usize>::new(graph.node_count());
    for edge in graph.edge_references() {
        if edge.weight().1 != Joint::Blocks {
            joined.union(edge.source().index(), edge.target().index());
        }
    }
    for node in graph.node_indices().skip(1) {
        if joined.find(node.index()) != joined.find(0) && graph.edges(node).next().is_some() {
            let what = stage.node(NodeId(index_of(node)));
            findings.push(Diagnostic {
                code: "no-dc-path",
                severity: Severity::Warning,
                message: format!("node `{}` has no path for direct current to `{}`", what.name, stage.node(COMMON).name),
                span: what.span,
                label: "only capacitors or grids lead away from here".to_owned(),
                related: Vec::new(),
                help: Some("a grid needs its leak, a coupling its return: add the resistor that the print shows".to_owned()),
            });
        }
    }
}

/// Sources of one loop that are pointed at; more would fill the page.
const MOST_OF_A_LOOP: usize = 5;

fn source_loops(stage: &Stage, findings: &mut Vec<Diagnostic>) {
    let mut joined = UnionFind::<usize>::new(stage.nodes.len());
    let mut laid: Vec<Join> = Vec::new();
    for (id, part) in (0u32..).map(PartId).zip(&stage.parts) {
        let PartKind::Supply {
            source: None,
            from,
            to,
            ..
        } = &part.kind
        else {
            continue;
        };
        if joined.find(from.0 as usize) == joined.find(to.0 as usize) {
            findings.push(Diagnostic {
                code: "source-loop",
                severity: Severity::Error,
                message: format!("{} closes a loop of sources without resistance", part.name),
                span: part.span,
                label: "the voltage between these nodes is fixed already".to_owned(),
                // Those of the loop, and no others that the stage may have.
                related: path(stage.nodes.len(), &laid, *from, *to)
                    .into_iter()
                    .take(MOST_OF_A_LOOP)
                    .map(|other| Related {
                        span: stage.part(other).span,
                        label: format!("{} fixes it", stage.part(other).name),
                    })
                    .collect(),
                help: Some(
                    "give one of them its source resistance, such as `source 50`".to_owned(),
                ),
            });
        } else {
            joined.union(from.0 as usize, to.0 as usize);
            laid.push(Join {
                part: id,
                from: *from,
                to: *to,
            });
        }
    }
}
