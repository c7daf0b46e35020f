//! The report on paper: an evening, and a student's photos, on two pages of A4 and of US letter each; nothing wider than the page.

use super::sample;
use super::webdriver::{Browser, Screen};
use base64::Engine;
use serde_json::json;
use std::path::{Path, PathBuf};
use std::process::Command;

const SCREEN: Screen = Screen {
    width: 1280,
    height: 900,
    touch: false,
    dark: false,
};
/// Width and height in inches.
const PAPERS: [(&str, f64, f64); 2] = [("a4", 8.27, 11.69), ("letter", 8.5, 11.0)];

/// The report of a sample folder, as the README's command writes it.
fn report(name: &str, folder: &Path, more: &[&str]) -> PathBuf {
    let path = folder.join(format!("{name}.html"));
    let status = Command::new(env!("CARGO_BIN_EXE_bossmark"))
        .arg("day")
        .arg(sample(name))
        .arg("--out")
        .arg(folder.join(format!("{name}-records")))
        .arg("--report")
        .arg(&path)
        .args(more)
        .output()
        .expect("the program runs");
    assert!(
        path.is_file(),
        "{}",
        String::from_utf8_lossy(&status.stderr)
    );
    path
}

/// Confirms every record of a folder as it is proposed.
fn accept_all(records: &Path) {
    for item in std::fs::read_dir(records).expect("records") {
        let path = item.expect("a file").path();
        if path.to_string_lossy().ends_with(".end.json") {
            let done = Command::new(env!("CARGO_BIN_EXE_bossmark"))
                .arg("confirm")
                .arg(&path)
                .arg("--accept")
                .output()
                .expect("the program runs");
            assert!(done.status.success(), "{}", path.display());
        }
    }
}

/// The PDF that the browser prints on this paper.
fn printed(b: &Browser, [width, height]: [f64; 2]) -> Vec<u8> {
    let margin = 12.0 / 25.4;
    let pdf = b.tool(
        "Page.printToPDF",
        &json!({"paperWidth": width, "paperHeight": height, "printBackground": false,
            "marginTop": margin, "marginBottom": margin, "marginLeft": margin, "marginRight": margin}),
    );
    base64::engine::general_purpose::STANDARD
        .decode(pdf["data"].as_str().expect("a PDF"))
        .expect("base 64")
}

/// Pages of a PDF: its page objects.
fn pages(pdf: &[u8]) -> usize {
    let text = String::from_utf8_lossy(pdf);
    text.matches("/Type /Page").count() - text.matches("/Type /Pages").count()
}

#[test]
fn an_evening_prints_on_two_pages() {
    let folder = tempfile::tempdir().expect("folder");
    for (name, confirmed) in [
        ("evening", false),
        ("student", false),
        ("evening", true),
        ("student", true),
    ] {
        if confirmed {
            accept_all(&folder.path().join(format!("{name}-records")));
        }
        let path = report(name, folder.path(), &[]);
        let Some(b) = Browser::start(SCREEN) else {
            return;
        };
        b.open(&format!("file://{}", path.display()));
        for (paper, width, height) in PAPERS {
            let pdf = printed(&b, [width, height]);
            if let Some(keep) = std::env::var_os("BOSSMARK_PICTURES") {
                std::fs::write(Path::new(&keep).join(format!("{name}-{paper}.pdf")), &pdf)
                    .expect("written");
            }
            assert_eq!(pages(&pdf), 2, "{name} on {paper}, confirmed: {confirmed}");
        }
        // details are there on demand
        let html = std::fs::read_to_string(&path).expect("report");
        assert!(
            !html.contains("bossmark confirm"),
            "no commands in a report"
        );
        let shown = b.js("const said = document.body.innerText; return [said.includes('Next: '), said.includes('±')]");
        assert_eq!(shown[0], true, "{name}: the headline says the action");
        b.picture(&format!("report-{name}"));
        // on a phone nothing sticks out
        b.tool(
            "Emulation.setDeviceMetricsOverride",
            &json!({"width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": true}),
        );
        assert_eq!(
            b.js("return document.documentElement.scrollWidth"),
            390,
            "{name}"
        );
        b.picture(&format!("report-{name}-phone"));
    }
}
