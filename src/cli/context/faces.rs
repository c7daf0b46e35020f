//! Faces by name, or from a file.

use crate::cli::status::CliError;
use crate::face::spec::{self, FaceSpec, SpecError};
use crate::record::keys;
use crate::store;
use std::path::Path;

/// How many known faces are suggested for a misspelt name.
const MAX_SUGGESTIONS: usize = 3;

/// A built-in face, or one from a file whose path is relative to `folder`.
///
/// # Errors
/// When the name isn't known or the file can't be used.
pub(in crate::cli) fn face_named(name: &str, folder: &Path) -> Result<FaceSpec, CliError> {
    if let Some(face) = spec::by_name(name) {
        return Ok(face.clone());
    }
    let is_path = name.contains(['/', '\\']) || name.to_ascii_lowercase().ends_with(".json");
    if is_path {
        let path = folder.join(name);
        let bytes = store::read(&path).map_err(|e| CliError::from(e).about(&path))?;
        let text = String::from_utf8_lossy(&bytes);
        return FaceSpec::parse(&text).map_err(|e| of_face_file(e).about(&path));
    }
    let known: Vec<&str> = spec::known().iter().map(|f| f.name.as_str()).collect();
    let mut likely = of_that_size(name, &known);
    if likely.is_empty() {
        likely = keys::nearest(name, &known, MAX_SUGGESTIONS);
    }
    Err(CliError::usage(format!(
        "{name:?} is no known face: did you mean {}? (`bossmark faces` lists all; your own needs the path of its file, like ./{name}.json)",
        likely.join(", ")
    )))
}

/// A face file that is no face file at all can't be read; one with a wrong name or number is for its writer to correct.
fn of_face_file(error: SpecError) -> CliError {
    match &error {
        SpecError::Json(e) if !e.is_data() => CliError::file(error),
        SpecError::Schema(_) => CliError::file(error),
        _ => CliError::usage(error),
    }
}

/// The faces of the size that a name such as `80cm` or `full 122` contains.
fn of_that_size<'a>(name: &str, known: &[&'a str]) -> Vec<&'a str> {
    let mut numbers = name
        .split(|c: char| !c.is_ascii_digit())
        .filter(|n| !n.is_empty());
    let Some(size) = numbers.next() else {
        return Vec::new();
    };
    let of_size = |face: &&&str| face.split('-').any(|part| part == size);
    known.iter().filter(of_size).copied().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_size_suggests_the_faces_of_that_size() {
        let known: Vec<&str> = spec::known().iter().map(|f| f.name.as_str()).collect();
        for name in ["80cm", "80 cm", "WA 80", "80-cm"] {
            let likely = of_that_size(name, &known);
            assert!(likely.contains(&"wa-80"), "{name}: {likely:?}");
            assert!(likely.iter().all(|face| face.contains("80")));
        }
        assert!(of_that_size("full size", &known).is_empty());
        let error = face_named("80cm", Path::new("")).expect_err("no such face");
        assert!(error.text.contains("did you mean wa-80,"), "{}", error.text);
    }
}
