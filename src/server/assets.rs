//! The page's own files, built into the program.

use super::http::Answer;
use crate::store;
use std::path::Path;

/// A file of the page.
struct Asset {
    /// Its name, also its path below `/web/`.
    name: &'static str,
    kind: &'static str,
    bytes: &'static [u8],
    /// Whether it is shown to those who haven't given the code yet.
    before_sign_in: bool,
}

const HTML: &str = "text/html; charset=utf-8";
const CSS: &str = "text/css; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";
const SVG: &str = "image/svg+xml";
const MANIFEST: &str = "application/manifest+json";

macro_rules! asset {
    ($name:literal, $kind:expr, $before_sign_in:expr) => {
        Asset {
            name: $name,
            kind: $kind,
            bytes: include_bytes!(concat!("web/", $name)),
            before_sign_in: $before_sign_in,
        }
    };
}

const ASSETS: &[Asset] = &[
    asset!("index.html", HTML, false),
    asset!("sign-in.html", HTML, true),
    asset!("sign-in.js", SCRIPT, true),
    asset!("style.css", CSS, true),
    asset!("icon.svg", SVG, true),
    asset!("manifest.json", MANIFEST, true),
    asset!("main.js", SCRIPT, false),
    asset!("answer.js", SCRIPT, false),
    asset!("badges.js", SCRIPT, false),
    asset!("camera.js", SCRIPT, false),
    asset!("change.js", SCRIPT, false),
    asset!("core.js", SCRIPT, false),
    asset!("dom.js", SCRIPT, false),
    asset!("engine.js", SCRIPT, false),
    asset!("end.js", SCRIPT, false),
    asset!("essentials.js", SCRIPT, false),
    asset!("fit.js", SCRIPT, false),
    asset!("frame.js", SCRIPT, false),
    asset!("gestures.js", SCRIPT, false),
    asset!("guide.js", SCRIPT, false),
    asset!("keys.js", SCRIPT, false),
    asset!("loupe.js", SCRIPT, false),
    asset!("marks.js", SCRIPT, false),
    asset!("photo.js", SCRIPT, false),
    asset!("placing.js", SCRIPT, false),
    asset!("queue.js", SCRIPT, false),
    asset!("reading.js", SCRIPT, false),
    asset!("rings.js", SCRIPT, false),
    asset!("selection.js", SCRIPT, false),
    asset!("session.js", SCRIPT, false),
    asset!("table.js", SCRIPT, false),
    asset!("share.js", SCRIPT, false),
    asset!("units.js", SCRIPT, false),
    asset!("words.js", SCRIPT, false),
];

/// The style of the drawings that the program makes, shared with the report.
const PLOT: &str = "plot.css";

/// A file of the page by its name. `from`: a folder to read it from instead, while the page is being worked on.
pub(super) fn asset(name: &str, from: Option<&Path>, before_sign_in: bool) -> Option<Answer> {
    if cfg!(target_family = "wasm") {
        // there they lie beside the program: none is built in
        return None;
    }
    let (kind, built_in) = if name == PLOT {
        (CSS, crate::report::PLOT_STYLE.as_bytes())
    } else {
        let asset = ASSETS
            .iter()
            .find(|a| a.name == name && (a.before_sign_in || !before_sign_in))?;
        (asset.kind, asset.bytes)
    };
    let bytes = from
        .and_then(|folder| store::read(&folder.join(name)).ok())
        .unwrap_or_else(|| built_in.to_vec());
    Some(Answer {
        cacheable: true,
        ..Answer::bytes(kind, bytes)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Nothing that the page loads lies elsewhere: no file of it names another host or holds code or style in its HTML.
    #[test]
    fn the_page_asks_nobody_else() {
        for asset in ASSETS {
            let text = std::str::from_utf8(asset.bytes).expect("UTF-8");
            let links = text
                .replace("http://www.w3.org/2000/svg", "")
                .matches("://")
                .count();
            assert_eq!(links, 0, "{} names another host", asset.name);
            if asset.kind == HTML {
                for inline in ["<style", " style=", " onclick=", "<script>", "javascript:"] {
                    assert!(!text.contains(inline), "{} holds {inline}", asset.name);
                }
            }
        }
    }

    /// Every file that a file of the page names is built in.
    #[test]
    fn every_file_named_is_there() {
        let mut seen = 0;
        for asset in ASSETS {
            let text = std::str::from_utf8(asset.bytes).expect("UTF-8");
            let imports = text.split("from \"./").skip(1);
            let links = text.split("\"/web/").skip(1);
            for name in imports.chain(links).filter_map(|t| t.split('"').next()) {
                seen += 1;
                assert!(
                    self::asset(name, None, false).is_some(),
                    "{} names {name}",
                    asset.name
                );
            }
        }
        assert!(seen > 10, "the search is broken: {seen}");
    }

    #[test]
    fn the_sign_in_page_shows_nothing_but_itself() {
        assert!(asset("sign-in.html", None, true).is_some());
        for name in ["index.html", "main.js", "core.js"] {
            assert!(asset(name, None, true).is_none(), "{name}");
        }
        for odd in [
            "",
            "..",
            "../Cargo.toml",
            "/etc/passwd",
            "index.html/",
            "INDEX.HTML",
        ] {
            assert!(asset(odd, None, false).is_none(), "{odd}");
        }
    }
}
