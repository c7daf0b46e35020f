//! Each dependency has its reason in `docs/dependencies.md`, and each reason its dependency.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

#[test]
fn every_dependency_has_its_reason() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let read = |name: &str| fs::read_to_string(root.join(name)).expect("file");
    let (manifest, reasons) = (read("Cargo.toml"), read("docs/dependencies.md"));
    let mut wanted = BTreeSet::new();
    let mut inside = false;
    for line in manifest.lines() {
        if line.starts_with('[') {
            inside = line.starts_with("[target.")
                || matches!(line, "[dependencies]" | "[dev-dependencies]");
        } else if let Some((name, _)) = line.split_once(" = ").filter(|_| inside) {
            wanted.insert(name.to_owned());
        }
    }
    let rows = reasons.lines().filter_map(|l| l.strip_prefix("| `"));
    let given: BTreeSet<String> = rows
        .filter_map(|row| row.split_once(" |"))
        .flat_map(|(names, _)| names.split(", ").map(|n| n.trim_matches('`').to_owned()))
        .collect();
    assert!(wanted.len() > 20, "{wanted:?}");
    assert_eq!(wanted, given);
}
