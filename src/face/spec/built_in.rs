//! The faces that are built in.

use super::FaceSpec;
use std::sync::LazyLock;

pub(super) const FILES: [&str; 24] = [
    include_str!("../../../calibration/faces/wa-122.json"),
    include_str!("../../../calibration/faces/wa-80.json"),
    include_str!("../../../calibration/faces/wa-60.json"),
    include_str!("../../../calibration/faces/wa-40.json"),
    include_str!("../../../calibration/faces/wa-80-6zone.json"),
    include_str!("../../../calibration/faces/wa-80-5zone.json"),
    include_str!("../../../calibration/faces/wa-122-8zone-trimmed.json"),
    include_str!("../../../calibration/faces/wa-122-6zone-trimmed.json"),
    include_str!("../../../calibration/faces/wa-80-8zone-trimmed.json"),
    include_str!("../../../calibration/faces/wa-80-6zone-trimmed.json"),
    include_str!("../../../calibration/faces/wa-40-3spot.json"),
    include_str!("../../../calibration/faces/wa-40-3spot-triangle.json"),
    include_str!("../../../calibration/faces/wa-60-3spot.json"),
    include_str!("../../../calibration/faces/wa-60-3spot-triangle.json"),
    include_str!("../../../calibration/faces/field-80.json"),
    include_str!("../../../calibration/faces/field-60.json"),
    include_str!("../../../calibration/faces/field-40.json"),
    include_str!("../../../calibration/faces/field-20.json"),
    include_str!("../../../calibration/faces/national-indoor-40.json"),
    include_str!("../../../calibration/faces/national-indoor-40-5spot.json"),
    include_str!("../../../calibration/faces/national-field-65.json"),
    include_str!("../../../calibration/faces/national-field-50.json"),
    include_str!("../../../calibration/faces/national-field-35.json"),
    include_str!("../../../calibration/faces/national-field-20.json"),
];

static KNOWN: LazyLock<Vec<FaceSpec>> = LazyLock::new(|| {
    FILES
        .iter()
        .filter_map(|text| FaceSpec::parse(text).ok())
        .collect()
});

/// The faces that are built in, in the order in which they are listed.
#[must_use]
pub fn known() -> &'static [FaceSpec] {
    &KNOWN
}

/// One built-in face of each pattern, in the order in which they are listed.
pub fn patterns() -> impl Iterator<Item = &'static FaceSpec> {
    let first = |i: usize| {
        let pattern = &KNOWN[i].pattern;
        KNOWN[..i].iter().all(|before| before.pattern != *pattern)
    };
    (0..KNOWN.len())
        .filter(move |i| first(*i))
        .map(|i| &KNOWN[i])
}

/// The built-in faces of a pattern.
pub fn of_pattern(pattern: &str) -> impl Iterator<Item = &'static FaceSpec> {
    KNOWN
        .iter()
        .filter(move |f| f.pattern.as_deref() == Some(pattern))
}

/// The built-in face of that name, if there is one.
#[must_use]
pub fn by_name(name: &str) -> Option<&'static FaceSpec> {
    known().iter().find(|face| face.name == name)
}
