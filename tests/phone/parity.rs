//! The browser measures as the program does, and nearly as fast.

use super::{on_a_new_phone, sample};
use bossmark::face::spec;
use bossmark::measure::{MeasureOptions, measure};
use bossmark::reading;
use bossmark::record::{End, Session, canonical};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::time::Instant;

/// Largest difference of an entry, mm, and of its probabilities.
const WITHIN_MM: f64 = 0.01;
const WITHIN_P: f64 = 1e-4;
/// The browser may take so many times as long as the program on one thread.
const SLOWER: f64 = 2.5;
/// The sample photos that show a face, with its name.
fn photos() -> Vec<(PathBuf, String)> {
    let mut found = Vec::new();
    for folder in ["evening", "odd", "student"] {
        let files = std::fs::read_dir(sample(folder)).expect("folder");
        for path in files.map(|f| f.expect("file").path()) {
            let truth = path.with_extension("truth.json");
            if path.extension().is_some_and(|e| e == "jpg") && truth.is_file() {
                let truth: Value =
                    serde_json::from_slice(&std::fs::read(truth).expect("truth")).expect("JSON");
                let face = truth["face"]["name"].as_str().or(truth["face"].as_str());
                found.extend(face.map(|name| (path, name.to_owned())));
            }
        }
    }
    found.sort();
    found
}

fn session() -> Value {
    json!({"hand": "right", "distance_m": 30.0, "fletched": 3, "bare": 3, "end": 1})
}

/// The program's record, and how long it took on one thread, ms.
fn native(photo: &PathBuf, face: &str) -> (End, f64) {
    let bytes = std::fs::read(photo).expect("photo");
    let session: Session = serde_json::from_value(session()).expect("session");
    let face = spec::by_name(face).expect("face");
    let start = Instant::now();
    let one_thread = rayon::ThreadPoolBuilder::new().num_threads(1);
    let measured = one_thread.build().expect("a thread").install(|| {
        let options = MeasureOptions::default();
        measure(&bytes, "photo.jpg", face, session, &options, &mut |_| ())
    });
    let measured = measured.expect("measured");
    let ms = start.elapsed().as_secs_f64() * 1000.0;
    (
        canonical::rounded_record(&measured.end).expect("tidied"),
        ms,
    )
}

fn assert_same(name: &str, one: &End, other: &End) {
    assert_eq!(one.entries.len(), other.entries.len(), "{name}");
    for (a, b) in one.entries.iter().zip(&other.entries) {
        assert!(
            (a.x_mm - b.x_mm).hypot(a.y_mm - b.y_mm) < WITHIN_MM,
            "{name}: {a:?} {b:?}"
        );
        assert_eq!(a.kind, b.kind, "{name}");
        let p =
            |a: Option<f64>, b: Option<f64>| a.zip(b).is_none_or(|(a, b)| (a - b).abs() < WITHIN_P);
        assert!(
            p(a.confidence, b.confidence) && p(a.kind_probability, b.kind_probability),
            "{name}: {a:?} {b:?}"
        );
    }
    let call = |end: &End| {
        let reading = reading::read(&[end]);
        (reading.horizontal.call, reading.vertical.call)
    };
    assert_eq!(call(one), call(other), "{name}");
}

#[test]
fn every_sample_photo_is_measured_as_by_the_program() {
    let Some((_profile, _host, b)) = on_a_new_phone() else {
        return;
    };
    let mut ratios = Vec::new();
    for kind in ["bossmark-simd.wasm.gz", "bossmark.wasm"] {
        let photos = photos();
        assert!(photos.len() >= 8, "{photos:?}");
        // the plain program is compared on some: it is slow
        let step = if kind == "bossmark.wasm" { 4 } else { 1 };
        for (path, face) in photos.iter().step_by(step) {
            let name = path
                .file_name()
                .expect("name")
                .to_string_lossy()
                .into_owned();
            let (expected, native_ms) = native(path, face);
            let task = json!({"id": 1, "photo": "photo.jpg", "face": face, "session": session(), "marked": {}, "lenses": [], "lens_named": false});
            b.js("document.body.append(Object.assign(document.createElement('input'), {type: 'file', id: 'given'})); return 1");
            let field = b.js("return document.getElementById('given')");
            b.fill_file(&field, path);
            b.js(&format!(
                "window.outcome = null; const photo = document.getElementById('given').files[0]; document.getElementById('given').remove();
                 (async () => {{
                   window.modules ??= {{}}; window.modules[{kind:?}] ??= await (await import('./module.js')).compiled({kind:?});
                   const code = new Blob(['import ' + JSON.stringify(new URL('measure-worker.js', location.href).href)], {{type: 'text/javascript'}});
                   const worker = new Worker(URL.createObjectURL(code), {{type: 'module'}});
                   worker.onmessage = ({{data}}) => {{ if (data.stage) return; worker.terminate();
                     window.outcome = {{ms: data.ms, memory: data.memory, failed: data.failed, text: data.measured && new TextDecoder().decode(data.measured)}}; }};
                   worker.postMessage({{id: 1, task: {:?}, photo, module: window.modules[{kind:?}]}});
                 }})(); return 1",
                task.to_string()
            ));
            b.wait("window.outcome");
            let outcome = b.js("return window.outcome");
            let text = outcome["text"]
                .as_str()
                .unwrap_or_else(|| panic!("{name}: {outcome}"));
            let measured: Value = serde_json::from_str(text).expect("JSON");
            let end: End = serde_json::from_value(measured["end"].clone()).expect("record");
            assert_same(&format!("{name} by {kind}"), &expected, &end);
            let ms = outcome["ms"].as_f64().expect("ms");
            println!(
                "{name} by {kind}: {ms:.0} ms, the program {native_ms:.0} ms; memory {} bytes",
                outcome["memory"]
            );
            if kind == "bossmark-simd.wasm.gz" {
                ratios.push(ms / native_ms);
            }
        }
    }
    ratios.sort_by(f64::total_cmp);
    let median = ratios[ratios.len() / 2];
    println!("median of the ratios: {median:.2}");
    assert!(median <= SLOWER, "{ratios:?}");
}
