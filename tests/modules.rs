//! No circle of modules: whoever reads a file may trust that what it imports does not import it back.
//!
//! A parent and its own children may name each other, for a parent hands on what its children make.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use petgraph::algo::tarjan_scc;
use petgraph::graph::DiGraph;
use syn::visit::Visit;

/// Crates without a circle.
const CRATES: [&str; 2] = ["circuit", "draw"];

/// A module by its path from the crate's root.
type Module = Vec<String>;

/// Paths that one module names, as written.
#[derive(Default)]
struct Named {
    paths: Vec<Vec<String>>,
}

/// Whether an item is there for tests alone.
fn is_of_tests(attributes: &[syn::Attribute]) -> bool {
    attributes.iter().any(|attribute| {
        let is_test = |list: &syn::MetaList| list.tokens.to_string() == "test";
        attribute.path().is_ident("cfg") && attribute.meta.require_list().is_ok_and(is_test)
    })
}

fn spread(tree: &syn::UseTree, before: &[String], paths: &mut Vec<Vec<String>>) {
    let with = |name: &syn::Ident| [before, &[name.to_string()]].concat();
    match tree {
        syn::UseTree::Path(path) => spread(&path.tree, &with(&path.ident), paths),
        syn::UseTree::Name(name) => paths.push(with(&name.ident)),
        syn::UseTree::Rename(name) => paths.push(with(&name.ident)),
        syn::UseTree::Glob(_) => paths.push(before.to_vec()),
        syn::UseTree::Group(group) => {
            group
                .items
                .iter()
                .for_each(|tree| spread(tree, before, paths));
        }
    }
}

impl<'ast> Visit<'ast> for Named {
    fn visit_item_mod(&mut self, module: &'ast syn::ItemMod) {
        if !is_of_tests(&module.attrs) {
            syn::visit::visit_item_mod(self, module);
        }
    }

    fn visit_item_use(&mut self, used: &'ast syn::ItemUse) {
        if !is_of_tests(&used.attrs) {
            spread(&used.tree, &[], &mut self.paths);
        }
    }

    fn visit_path(&mut self, path: &'ast syn::Path) {
        let segments = path
            .segments
            .iter()
            .map(|segment| segment.ident.to_string());
        self.paths.push(segments.collect());
        syn::visit::visit_path(self, path);
    }
}

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).expect("the crate has sources") {
        let path = entry.expect("it can be read").path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|end| end == "rs") {
            found.push(path);
        }
    }
}

/// Every module of a crate, tests aside, with the paths that it names.
fn modules(root: &Path) -> BTreeMap<Module, Vec<Vec<String>>> {
    let mut files = Vec::new();
    sources(root, &mut files);
    let mut modules = BTreeMap::new();
    for file in files {
        let within = file
            .strip_prefix(root)
            .expect("it is within")
            .with_extension("");
        let mut module: Module = within
            .iter()
            .map(|name| name.to_string_lossy().into_owned())
            .collect();
        if module.iter().any(|name| name == "tests") {
            continue;
        }
        if ["mod", "lib", "main"].contains(&module[module.len() - 1].as_str()) {
            module.pop();
        }
        let text = std::fs::read_to_string(&file).expect("a source is text");
        let tree = syn::parse_file(&text).expect("it compiles");
        let mut named = Named::default();
        named.visit_file(&tree);
        modules.insert(module, named.paths);
    }
    modules
}

/// The module that a path leads into, named in `from`; `None` where it leads out of the crate.
fn leads_to(
    path: &[String],
    from: &Module,
    modules: &BTreeMap<Module, Vec<Vec<String>>>,
) -> Option<Module> {
    let (first, rest) = path.split_first()?;
    let mut full = match first.as_str() {
        "crate" => rest.to_vec(),
        "self" => [from.as_slice(), rest].concat(),
        "super" => {
            let up = path.iter().take_while(|step| *step == "super").count();
            let above = from.get(..from.len().checked_sub(up)?)?;
            [above, &path[up..]].concat()
        }
        child if modules.contains_key(&[from.as_slice(), &[child.to_owned()]].concat()) => {
            [from.as_slice(), path].concat()
        }
        _ => return None,
    };
    while !modules.contains_key(&full) {
        full.pop()?;
    }
    Some(full)
}

/// Circles of modules, each with the ties in it.
fn circles(root: &Path) -> Vec<String> {
    let modules = modules(root);
    let mut graph = DiGraph::new();
    let nodes: BTreeMap<&Module, _> = modules.keys().map(|m| (m, graph.add_node(m))).collect();
    for (from, paths) in &modules {
        for path in paths {
            let Some(to) = leads_to(path, from, &modules) else {
                continue;
            };
            // The root hands on what all make; a parent and its children name each other.
            if to.is_empty() || from.starts_with(&to) || to.starts_with(from) {
                continue;
            }
            graph.update_edge(nodes[from], nodes[&to], ());
        }
    }
    let circles = tarjan_scc(&graph)
        .into_iter()
        .filter(|circle| circle.len() > 1);
    circles
        .map(|circle| {
            let names = circle.iter().map(|node| graph[*node].join("::"));
            names.collect::<Vec<_>>().join(", ")
        })
        .collect()
}

#[test]
fn no_modules_import_one_another_in_a_circle() {
    let crates = Path::new(env!("CARGO_MANIFEST_DIR")).join("../crates");
    for name in CRATES {
        let found = circles(&crates.join(name).join("src"));
        assert!(found.is_empty(), "{name}: {found:#?}");
    }
}

#[test]
fn a_circle_is_seen() {
    let folder = std::env::temp_dir().join(format!("deadstage-modules-{}", std::process::id()));
    std::fs::create_dir_all(folder.join("a")).expect("a folder can be made");
    let write = |name: &str, text: &str| {
        std::fs::write(folder.join(name), text).expect("a file can be written");
    };
    write("lib.rs", "mod a; mod b; mod c; pub use a::{inner::X, Y};");
    write(
        "a/mod.rs",
        "mod inner; use crate::{b::{B as Other, C}, c}; pub struct Y;",
    );
    write("a/inner.rs", "use super::Y; use crate::b::B; pub struct X;");
    write("b.rs", "pub struct B; fn f() { let _ = super::c::new(); }");
    write("c.rs", "#[cfg(test)] mod tests { use crate::a::Y; }");
    assert_eq!(circles(&folder), Vec::<String>::new());
    write("c.rs", "pub fn new() -> crate::a::inner::X { loop {} }");
    let found = circles(&folder);
    std::fs::remove_dir_all(&folder).expect("a folder can be taken away");
    let [circle] = found.as_slice() else {
        panic!("{found:?}");
    };
    for module in ["a::inner", "b", "c"] {
        assert!(circle.split(", ").any(|name| name == module), "{circle}");
    }
}
