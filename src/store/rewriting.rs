//! The text of changed records.

use super::error::StoreError;
use crate::record::{End, Layout, ParsedRecord, canonical, rewritten};

/// The text of all changed records of a file, made from that of the records before.
pub(super) fn records_text(
    records: &[(&[u8], ParsedRecord)],
    new: &[End],
) -> Result<Vec<u8>, StoreError> {
    let mut out = Vec::new();
    for ((text, record), new) in records.iter().zip(new) {
        out.extend(record_text(text, &record.end, new, records.len())?);
    }
    Ok(out)
}

/// The text of one changed record of a file of `count`.
pub(super) fn record_text(
    text: &[u8],
    old: &End,
    new: &End,
    count: usize,
) -> Result<Vec<u8>, StoreError> {
    let layout = if count == 1 {
        Layout::Pretty
    } else {
        Layout::Line
    };
    if old == new && layout == Layout::Line && !text.contains(&b'\n') {
        return Ok([text, b"\n"].concat());
    }
    let (old, new) = (
        canonical::rounded_record(old)?,
        canonical::rounded_record(new)?,
    );
    Ok(rewritten(text, &old, &new, layout)?)
}
