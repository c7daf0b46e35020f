//! Answers as text for people.

use crate::face::spec::FaceSpec;
use crate::record::End;

/// An end record.
pub(super) fn end(end: &End) -> String {
    let file = end.photo.as_ref().map_or("end", |p| p.file.as_str());
    if let Some(failure) = &end.failure {
        return format!("{file}: {}", failure.text);
    }
    let mut lines = vec![format!("{file}: {} entries", end.entries.len())];
    for e in &end.entries {
        lines.push(format!(
            "  {} {:?} x {:.1} mm, y {:.1} mm",
            e.id, e.kind, e.x_mm, e.y_mm
        ));
    }
    lines.extend(end.notes.iter().map(|n| format!("  {}", n.text)));
    lines.join("\n")
}

/// The known faces.
pub(super) fn faces(faces: &[FaceSpec]) -> String {
    faces
        .iter()
        .map(|f| format!("{}: {}\n", f.name, f.words))
        .collect()
}
