//! Outputs: whether a path that a flag names may be written.
//!
//! One rule for every output of every command. A new document replaces nothing but an older one of the same kind, made by this
//! program and known as such by its content. Documents that people write (session files, edits, faces, points, tables to fill in)
//! are of no such kind, and neither are photos, so that no slip of a file name can destroy one.

use super::content::{has_manual_changes, parse_known_records};
use super::error::StoreError;
use super::files::{is_device, is_folder, read, write};
use crate::photo;
use crate::record::{End, parse_records};
use serde::Deserialize;
use std::path::{Path, PathBuf};

/// Kinds of files that the program makes anew each time, each known by its content.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum OutputKind {
    /// End records.
    Records,
    /// One or more JSON documents of this kind: the schema without its number.
    Document(String),
    /// The table of entries.
    Table,
    /// A report.
    Page,
    /// A drawing as SVG.
    Drawing,
    /// The lens sheet.
    Sheet,
    /// A picture that was drawn on or made of a photo.
    Picture,
    /// A page of the manual.
    Manual,
    /// Anything that a person goes on to fill in: it replaces nothing.
    Form,
}

/// Documents that people write or change by hand: none of them is replaced.
const HAND_WRITTEN_SCHEMAS: [&str; 6] = [
    "bossmark/session",
    "bossmark/edits",
    "bossmark/face",
    "bossmark/points",
    "bossmark/setup",
    "bossmark/truth",
];

impl OutputKind {
    /// The kind of JSON documents with this schema.
    #[must_use]
    pub fn of_schema(schema: &str) -> Self {
        let name = schema.rsplit_once('/').map_or(schema, |(name, _)| name);
        if HAND_WRITTEN_SCHEMAS.contains(&name) {
            Self::Form
        } else if name == "bossmark/end" {
            Self::Records
        } else {
            Self::Document(name.to_owned())
        }
    }

    /// The kind of a file with this content; `None` for content that this program doesn't make.
    #[must_use]
    pub fn of_bytes(bytes: &[u8]) -> Option<Self> {
        if bytes.starts_with(b"{") {
            return of_json(bytes);
        }
        if bytes.starts_with(b"\x89PNG") || bytes.starts_with(&[0xFF, 0xD8]) {
            return photo::is_drawn_on(bytes).then_some(Self::Picture);
        }
        let text = std::str::from_utf8(bytes).ok()?;
        let head = text.get(..text.floor_char_boundary(400)).unwrap_or(text);
        let marks = [
            ("<svg", head.contains(" class=\"bm\" "), Self::Drawing),
            ("<svg", head.contains("<title>Lens sheet,"), Self::Sheet),
            (
                "<!doctype html>",
                text.contains("Made by bossmark "),
                Self::Page,
            ),
            (".", head.contains(".TH bossmark"), Self::Manual),
            ("record,photo,sha256,", true, Self::Table),
        ];
        marks
            .into_iter()
            .find(|(start, marked, _)| text.starts_with(start) && *marked)
            .map(|(.., kind)| kind)
    }
}

fn of_json(bytes: &[u8]) -> Option<OutputKind> {
    #[derive(Deserialize)]
    struct Document {
        schema: String,
    }
    let mut kind = None;
    for document in serde_json::Deserializer::from_slice(bytes).into_iter::<Document>() {
        let own = OutputKind::of_schema(&document.ok().filter(is_own)?.schema);
        if kind.as_ref().is_some_and(|k| *k != own) {
            return None;
        }
        kind = Some(own);
    }
    fn is_own(document: &Document) -> bool {
        document.schema.starts_with("bossmark/")
    }
    kind.filter(|k| *k != OutputKind::Form)
}

/// Whether an output of this kind may be written to this path: it is free, a device, or holds an older output of the same kind, and
/// is none of the command's inputs. Of records only proposals may be replaced.
///
/// # Errors
/// The refusal, which names the way out; also when the file that is there can't be read.
pub fn check_output(path: &Path, kind: &OutputKind, inputs: &[PathBuf]) -> Result<(), StoreError> {
    if path.is_dir() {
        return Err(StoreError::Folder);
    }
    if inputs.iter().any(|input| is_same_file(input, path)) {
        return Err(StoreError::Input);
    }
    if is_device(path) {
        return Ok(());
    }
    let there = match read(path) {
        Err(StoreError::Missing) => return in_folder(path),
        other => other?,
    };
    may_replace(&there, kind)
}

/// Whether the folder is there in which a file is to be made.
fn in_folder(path: &Path) -> Result<(), StoreError> {
    let folder = path.parent().unwrap_or(Path::new(""));
    if is_folder(folder) {
        return Ok(());
    }
    Err(StoreError::FolderMissing {
        folder: folder.display().to_string(),
    })
}

fn may_replace(there: &[u8], kind: &OutputKind) -> Result<(), StoreError> {
    if there.iter().all(u8::is_ascii_whitespace) {
        return Ok(());
    }
    let records = parse_known_records(there);
    if *kind == OutputKind::Records {
        return match records {
            Some(ends) if ends.iter().any(has_manual_changes) => Err(StoreError::Confirmed),
            // none: of a newer schema, which this version can't read
            Some(ends) if !ends.is_empty() => Ok(()),
            _ => Err(StoreError::Foreign),
        };
    }
    if records.is_some() {
        return Err(StoreError::HoldsRecords);
    }
    match OutputKind::of_bytes(there) {
        Some(found) if found == *kind => Ok(()),
        _ => Err(StoreError::NotOurs),
    }
}

/// Saves an output of any kind but records, where [`check_output`] allows it. The same bytes as are there may always be written.
///
/// # Errors
/// The refusal; also when the file can't be read or written.
pub fn save_output(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    if !is_device(path) && read(path).is_ok_and(|there| there == bytes) {
        return Ok(());
    }
    let kind = OutputKind::of_bytes(bytes).unwrap_or(OutputKind::Form);
    check_output(path, &kind, &[])?;
    write(path, bytes)
}

/// Saves a file of proposed records: over older proposals for the same photos, never over a person's work or a file that holds
/// anything else.
///
/// # Errors
/// The refusal; also when the file can't be read or written.
pub fn save_proposals(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let _lock = super::lock::lock(path)?;
    save_proposals_locked(path, bytes)
}

/// The same where the caller holds the lock.
pub(super) fn save_proposals_locked(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    check_output(path, &OutputKind::Records, &[])?;
    if !is_device(path)
        && let Ok(there) = read(path)
    {
        let new = parse_records(bytes)?;
        check_same_photos(
            &parse_known_records(&there).unwrap_or_default(),
            new.iter().map(|r| &r.end),
        )?;
    }
    write(path, bytes)
}

/// Refuses to replace records of photos that the new ones are not about.
fn check_same_photos<'a>(
    there: &[End],
    new: impl Iterator<Item = &'a End> + Clone,
) -> Result<(), StoreError> {
    for old in there {
        let Some(photo) = old.photo.as_ref().filter(|p| !p.sha256.is_empty()) else {
            continue;
        };
        let same = |end: &End| {
            end.photo
                .as_ref()
                .is_some_and(|p| p.sha256 == photo.sha256 || p.sha256.is_empty())
        };
        if !new.clone().any(same) {
            return Err(StoreError::OtherPhoto {
                file: photo.file.clone(),
            });
        }
    }
    Ok(())
}

/// Whether both paths lead to one file, by whatever names and links.
fn is_same_file(one: &Path, other: &Path) -> bool {
    match (std::fs::canonicalize(one), std::fs::canonicalize(other)) {
        (Ok(one), Ok(other)) => one == other || is_same_inode(&one, &other),
        _ => false,
    }
}

#[cfg(unix)]
fn is_same_inode(one: &Path, other: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let id = |path: &Path| std::fs::metadata(path).map(|m| (m.dev(), m.ino())).ok();
    id(one).is_some() && id(one) == id(other)
}

#[cfg(not(unix))]
fn is_same_inode(_one: &Path, _other: &Path) -> bool {
    false
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lens::sheet;
    use crate::report::{csv, html, marked};
    use crate::text::Locale;
    use crate::timeline::ReportInput;

    fn outputs() -> Vec<(Vec<u8>, OutputKind)> {
        let report = ReportInput {
            title: String::new(),
            bows: Vec::new(),
            problems: Vec::new(),
            full: false,
        };
        let picture = image::RgbImage::new(3, 2);
        let drawn = |format| marked::bytes(&picture, format).expect("picture");
        let json = |schema: &str| format!("{{\"schema\": \"{schema}\"}}\n").into_bytes();
        vec![
            (
                html::report(&report, Locale::default()).into(),
                OutputKind::Page,
            ),
            (csv::entries(Vec::new()).into(), OutputKind::Table),
            (sheet::svg(sheet::Paper::A4).into(), OutputKind::Sheet),
            (drawn(marked::Format::Png), OutputKind::Picture),
            (drawn(marked::Format::Jpeg), OutputKind::Picture),
            (
                json("bossmark/reading/1"),
                OutputKind::of_schema("bossmark/reading/1"),
            ),
            (
                json("bossmark/advice/1").repeat(2),
                OutputKind::of_schema("bossmark/advice/2"),
            ),
            (json("bossmark/end/1"), OutputKind::Records),
        ]
    }

    #[test]
    fn outputs_are_known_by_their_content_and_replace_their_own_kind_alone() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("there");
        for (there, kind) in outputs() {
            assert_eq!(OutputKind::of_bytes(&there), Some(kind.clone()));
            write(&path, &there).expect("written");
            for (_, other) in outputs() {
                let allowed = check_output(&path, &other, &[]).is_ok();
                assert_eq!(allowed, other == kind, "{other:?} over {kind:?}");
            }
            assert!(matches!(
                check_output(&path, &kind, std::slice::from_ref(&path)),
                Err(StoreError::Input)
            ));
        }
    }

    #[test]
    fn nothing_replaces_what_people_write() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("there");
        for there in [
            &b"my notes"[..],
            b"{\"schema\": \"bossmark/session/1\"}",
            b"{\"schema\": \"bossmark/edits/1\", \"edits\": []}",
            b"{\"schema\": \"bossmark/reading/1\"}\nand my notes",
            b"<svg></svg>",
            b"at,x_mm,y_mm,x_px,y_px\r\n",
            b"\xFF\xD8 a photo",
        ] {
            write(&path, there).expect("written");
            for (bytes, kind) in outputs() {
                assert!(check_output(&path, &kind, &[]).is_err());
                let saved = match kind {
                    OutputKind::Records => save_proposals(&path, &bytes),
                    _ => save_output(&path, &bytes),
                };
                assert!(saved.is_err_and(|e| e.is_refusal()));
                assert_eq!(read(&path).expect("file"), there);
            }
            save_output(&path, there).expect("the same bytes");
        }
        write(&path, b" \n").expect("written");
        save_output(&path, b"{\"schema\": \"bossmark/reading/1\"}").expect("over a blank file");
    }
}
