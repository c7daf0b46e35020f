//! How the modules may depend on each other: imports run one way, files of one folder form no circle, and the pure part
//! touches no file, clock, stream or environment.

mod source_tree;

use source_tree::{Segments, SourceTree};
use std::collections::{BTreeMap, BTreeSet};

/// The modules from bottom to top: each may use those before it, never those after it.
const ORDER: [&str; 24] = [
    "math",
    "geometry",
    "imaging",
    "colours",
    "photo",
    "face",
    "shaft",
    "record",
    "lens",
    "manual_points",
    "reading",
    "advice",
    "plan",
    "timeline",
    "text",
    "measure",
    "review",
    "rehearse",
    "report",
    "store",
    "server",
    "wasm",
    "cli",
    "main",
];
/// From here on files, streams and the environment may be touched.
const FIRST_OUTSIDE: &str = "store";
/// Paths that have no place in the pure part, and what each would let in.
const FORBIDDEN: [(&str, &str); 22] = [
    ("std::fs", "files"),
    ("std::net", "the network"),
    ("std::env", "the environment"),
    ("std::process", "other programs"),
    ("std::time", "the clock"),
    ("SystemTime", "the clock"),
    ("Instant::now", "the clock"),
    ("Zoned::now", "the clock"),
    ("Timestamp::now", "the clock"),
    ("println!", "printing"),
    ("print!", "printing"),
    ("eprintln!", "printing"),
    ("eprint!", "printing"),
    ("dbg!", "printing"),
    ("io::stdin", "streams"),
    ("io::stdout", "printing"),
    ("io::stderr", "printing"),
    ("HashMap", "an order that changes from run to run"),
    ("HashSet", "an order that changes from run to run"),
    ("RandomState", "an order that changes from run to run"),
    ("static mut", "global state"),
    ("thread_local!", "global state"),
];
fn place(module: &str) -> usize {
    ORDER.iter().position(|m| *m == module).unwrap_or_else(|| {
        panic!("{module} has no place in the order of the modules: give it one here")
    })
}

/// Imports from a module above.
fn upward_imports(tree: &SourceTree) -> Vec<String> {
    let of_modules = tree.imports_by_folder().remove(&Segments::new());
    let upward = of_modules.unwrap_or_default().into_iter();
    upward
        .filter(|(from, to)| place(to) > place(from))
        .map(|(from, to)| format!("{from} uses {to}, which is above it"))
        .collect()
}

/// What the pure part takes from outside.
fn outside_in_pure(tree: &SourceTree) -> Vec<String> {
    let mut wrong = Vec::new();
    let named = tree.files.iter().filter(|f| !f.module.is_empty());
    for file in named.filter(|f| place(&f.module[0]) < place(FIRST_OUTSIDE)) {
        for (forbidden, what) in FORBIDDEN {
            if file.paths.iter().any(|(_, p)| holds(p, forbidden)) {
                wrong.push(format!("{}: {forbidden} lets in {what}", file.path));
            }
        }
    }
    wrong
}

/// Whether a path holds these segments, one after the other.
fn holds(path: &[String], segments: &str) -> bool {
    let segments: Vec<&str> = segments.split("::").collect();
    path.windows(segments.len()).any(|w| w == segments)
}

/// Modules other than the store that touch files.
fn files_outside_store(tree: &SourceTree) -> Vec<String> {
    let touches = |path: &Segments| holds(path, "fs");
    let others = tree
        .files
        .iter()
        .filter(|f| f.module.first().is_some_and(|m| m != "store"));
    others
        .filter(|f| f.paths.iter().any(|(_, p)| touches(p)))
        .map(|f| format!("{} touches files: that is the store's", f.path))
        .collect()
}

type Circle = (String, BTreeSet<String>);

/// The circles among the files of each folder: sets of files each of which leads to every other.
fn circles(tree: &SourceTree) -> Vec<Circle> {
    let mut found = Vec::new();
    for (folder, imports) in tree.imports_by_folder() {
        let names: BTreeSet<&String> = imports.iter().map(|(from, _)| from).collect();
        let reach: BTreeMap<&String, BTreeSet<&String>> =
            names.iter().map(|n| (*n, reachable(n, &imports))).collect();
        let mut sets = BTreeSet::new();
        for (name, reached) in &reach {
            let back = |other: &&&String| reach.get(*other).is_some_and(|r| r.contains(name));
            let set: BTreeSet<String> = reached.iter().filter(back).map(|n| (*n).clone()).collect();
            if !set.is_empty() {
                sets.insert(set);
            }
        }
        found.extend(sets.into_iter().map(|set| (folder.join("/"), set)));
    }
    found
}

fn reachable<'a>(
    from: &'a String,
    imports: &'a BTreeSet<(String, String)>,
) -> BTreeSet<&'a String> {
    let mut reached = BTreeSet::new();
    let mut open = vec![from];
    while let Some(name) = open.pop() {
        for (_, to) in imports.iter().filter(|(from, _)| from == name) {
            if reached.insert(to) {
                open.push(to);
            }
        }
    }
    reached
}

fn show((folder, files): &Circle) -> String {
    let files: Vec<&str> = files.iter().map(String::as_str).collect();
    format!("{folder}/{{{}}}", files.join(","))
}

#[test]
fn imports_run_one_way() {
    let tree = SourceTree::of_crate();
    let seen = tree.imports_by_folder()[&Segments::new()].len();
    assert!(seen > 50, "only {seen} imports seen: the search is broken");
    let wrong = upward_imports(&tree);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_pure_part_touches_nothing_outside() {
    let wrong = outside_in_pure(&SourceTree::of_crate());
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn only_the_store_touches_files() {
    let tree = SourceTree::of_crate();
    let store = tree
        .files
        .iter()
        .filter(|f| f.module.first().is_some_and(|m| m == "store"));
    let reads = |path: &Segments| holds(path, "fs::read");
    assert!(
        store.flat_map(|f| &f.paths).any(|(_, p)| reads(p)),
        "the search is broken"
    );
    let wrong = files_outside_store(&tree);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn files_of_a_folder_form_no_circle() {
    let found: Vec<String> = circles(&SourceTree::of_crate()).iter().map(show).collect();
    assert!(
        found.is_empty(),
        "{}: circles of files; move what both need below them",
        found.join(", ")
    );
}

#[test]
fn an_upward_import_is_seen_wherever_it_stands() {
    for upward in [
        "use crate::{face::{fit, spec}, report::Report};",
        "use crate::{\n    geometry::X,\n    report::{self, svg},\n};",
        "fn f() { let a = crate::report::Report::default(); }",
        "fn f() { g!(a, [crate::report::Report]); }",
        "use super::report;",
        "#[cfg(test)]\nmod tests { use super::*; }\npub fn f() -> crate::report::Report {}",
        "#[cfg(test)]\nuse crate::store;\nuse crate::report::Report;",
        "#[cfg(test)]\nconst A: X = X { a: 1 };\nuse crate::report::Report;",
    ] {
        let tree = SourceTree::new([
            ("lib.rs", "pub mod geometry;"),
            ("geometry/mod.rs", upward),
            ("report/mod.rs", "pub struct Report;"),
            ("report/face_plot.rs", ""),
            ("store.rs", ""),
        ]);
        let wrong = upward_imports(&tree);
        assert_eq!(
            wrong,
            ["geometry uses report, which is above it"],
            "{upward}"
        );
    }
}

#[test]
fn imports_of_tests_comments_and_strings_are_none() {
    let tree = SourceTree::new([
        (
            "geometry.rs",
            "//! crate::report::Report\n/// [`crate::report::Report`]\nconst A: &str = \"crate::report::Report\";
            #[cfg(test)]\nmod outer { use crate::report::Report; }
            #[cfg(test)]\n#[must_use]\npub(super) fn f(a: [u8; 3]) -> crate::report::Report { g() }
            #[cfg(test)]\nmod planted;\nfn g() { println(); }",
        ),
        ("geometry/planted.rs", "use crate::report::Report; use std::fs;"),
        ("report.rs", "use crate::geometry;"),
    ]);
    assert_eq!(upward_imports(&tree), [""; 0]);
    assert_eq!(outside_in_pure(&tree), [""; 0]);
    assert_eq!(files_outside_store(&tree), [""; 0]);
}

#[test]
fn a_forbidden_path_is_seen_behind_a_test_item() {
    for (code, says) in [
        ("use std::{collections::HashMap, io};", "HashMap"),
        ("use std::{io, fs};", "std::fs"),
        ("fn f() { println!(\"a\"); }", "println!"),
        ("fn f() { std::eprint!(\"a\"); }", "eprint!"),
        (
            "fn f() { let a = [std::time::Instant::now()]; }",
            "Instant::now",
        ),
        ("pub static mut COUNT: u32 = 0;", "static mut"),
    ] {
        let text = format!("#[cfg(test)]\nmod tests {{}}\n#[cfg(test)]\nfn a() {{}}\n{code}");
        let tree = SourceTree::new([("reading/mod.rs", ""), ("reading/sets.rs", &text)]);
        let wrong = outside_in_pure(&tree);
        let wanted = format!("reading/sets.rs: {says} lets in");
        assert!(
            wrong.iter().any(|w| w.starts_with(&wanted)),
            "{code}: {wrong:?}"
        );
    }
    let tree = SourceTree::new([
        ("server/ends.rs", "use std::{io, fs};"),
        ("store.rs", "use std::fs;"),
    ]);
    assert_eq!(
        files_outside_store(&tree),
        ["server/ends.rs touches files: that is the store's"]
    );
}

#[test]
fn a_circle_is_seen_through_lists_re_exports_and_folders() {
    let seen = |texts: &[(&str, &str)]| -> Vec<String> {
        let tree = SourceTree::new(texts.iter().copied());
        circles(&tree).iter().map(show).collect()
    };
    let of_two = [
        ("face/mod.rs", "mod fit;\nmod spec;\npub use fit::fit;"),
        ("face/fit.rs", "use super::spec::Spec;"),
        (
            "face/spec.rs",
            "#[cfg(test)]\nmod tests {}\nfn f() { super::fit() }",
        ),
    ];
    assert_eq!(seen(&of_two), ["face/{fit,spec}"]);
    let of_three = [
        ("face/fit.rs", "use crate::face::{spec::{self, Spec}};"),
        ("face/spec.rs", "use super::rays::many::cast;"),
        ("face/rays/many.rs", "fn f() { super::super::fit::fit() }"),
        ("face/rays/mod.rs", "pub mod many;"),
    ];
    assert_eq!(seen(&of_three), ["face/{fit,rays,spec}"]);
    let none = [
        (
            "face/mod.rs",
            "mod fit;\nmod spec;\npub use fit::fit;\npub struct Face;",
        ),
        ("face/fit.rs", "use super::{Face, spec::Spec};"),
        (
            "face/spec.rs",
            "use super::Face;\n#[cfg(test)]\nmod tests { use super::super::fit; }",
        ),
    ];
    assert_eq!(seen(&none), [""; 0]);
}
