//! How the house is built: imports run one way, and the pure part touches no file, clock, stream or environment.

use std::fs;
use std::path::{Path, PathBuf};

/// The modules from bottom to top: each may use those before it, never those after it.
const ORDER: [&str; 23] = [
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
    "cli",
    "main",
];
/// From here on files, streams and the environment may be touched.
const FIRST_OUTSIDE: &str = "store";
/// Words that have no place in the pure part, and what each would let in.
const FORBIDDEN: [(&str, &str); 17] = [
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
    ("print!(", "printing"),
    ("io::stdout", "printing"),
    ("io::stderr", "printing"),
    ("HashMap", "an order that changes from run to run"),
    ("HashSet", "an order that changes from run to run"),
    ("static mut", "global state"),
    ("thread_local!", "global state"),
];

struct Source {
    path: PathBuf,
    module: String,
    /// Code without comments and without the tests at the bottom.
    code: String,
}

fn sources() -> Vec<Source> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut found = Vec::new();
    collect(&root, &root, &mut found);
    assert!(found.len() > 20, "the sources are under src");
    found
}

fn collect(root: &Path, folder: &Path, found: &mut Vec<Source>) {
    for item in fs::read_dir(folder).expect("folder") {
        let path = item.expect("item").path();
        if path.is_dir() {
            collect(root, &path, found);
            continue;
        }
        if path.extension().is_none_or(|e| e != "rs") {
            continue;
        }
        let inside = path.strip_prefix(root).expect("inside src");
        let first = inside.components().next().expect("name").as_os_str();
        let module = first.to_string_lossy().trim_end_matches(".rs").to_owned();
        let text = fs::read_to_string(&path).expect("UTF-8");
        let own = text.split("#[cfg(test)]").next().unwrap_or_default();
        let code = own
            .lines()
            .filter(|l| !l.trim_start().starts_with("//"))
            .collect::<Vec<_>>()
            .join("\n");
        if module != "lib" {
            found.push(Source { path, module, code });
        }
    }
}

fn place(module: &str) -> usize {
    ORDER.iter().position(|m| *m == module).unwrap_or_else(|| {
        panic!("{module} has no place in the order of the house: give it one here")
    })
}

/// Every `crate::NAME` in a text; of `crate::{A, B}` both.
fn uses(code: &str) -> Vec<String> {
    let name = |text: &str| -> String {
        text.trim_start()
            .chars()
            .take_while(|c| c.is_alphanumeric() || *c == '_')
            .collect()
    };
    let mut found = Vec::new();
    for rest in code.split("crate::").skip(1) {
        match rest.strip_prefix('{') {
            Some(list) => {
                let mut depth = 0;
                let mut start = 0;
                for (i, c) in list.char_indices() {
                    match c {
                        '{' => depth += 1,
                        '}' if depth == 0 => {
                            found.push(name(&list[start..i]));
                            break;
                        }
                        '}' => depth -= 1,
                        ',' if depth == 0 => {
                            found.push(name(&list[start..i]));
                            start = i + 1;
                        }
                        _ => {}
                    }
                }
            }
            None => found.push(name(rest)),
        }
    }
    found.retain(|n| ORDER.contains(&n.as_str()));
    found
}

#[test]
fn imports_run_one_way() {
    let mut wrong = Vec::new();
    let mut seen = 0;
    for source in sources() {
        for used in uses(&source.code) {
            seen += 1;
            if place(&used) > place(&source.module) {
                wrong.push(format!("{} uses {used}", source.path.display()));
            }
        }
    }
    assert!(seen > 50, "only {seen} imports seen: the search is broken");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_pure_part_touches_nothing_outside() {
    let mut wrong = Vec::new();
    for source in sources() {
        if place(&source.module) >= place(FIRST_OUTSIDE) {
            continue;
        }
        for (word, what) in FORBIDDEN {
            if source.code.contains(word) {
                wrong.push(format!("{}: {word} lets in {what}", source.path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn only_the_store_touches_files() {
    for source in sources() {
        if source.module == "store" {
            assert!(source.code.contains("fs::read"), "the search is broken");
        } else {
            assert!(
                !source.code.contains("std::fs") && !source.code.contains(" fs::"),
                "{} touches files: that is the store's",
                source.path.display()
            );
        }
    }
}

#[test]
fn the_search_for_imports_sees_lists_and_paths() {
    let code = "use crate::{face::{fit, spec}, geometry::X};\nlet a = crate::record::End::default();\nuse crate::\n    report;";
    assert_eq!(uses(code), ["face", "geometry", "record", "report"]);
}
