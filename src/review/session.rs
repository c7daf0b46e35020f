//! Changes to the session of a record, field by field.

use super::edits::ReviewError;
use crate::record::Session;
use crate::record::check::check_session;
use serde_json::Value;

/// The session with the fields of `set`. Names and units are checked here; the reading checks the order shot and the numbers.
pub(super) fn changed_session(
    session: &Session,
    set: &Value,
    edit: usize,
) -> Result<Session, ReviewError> {
    let shape = |e: serde_json::Error| ReviewError::Session {
        edit,
        detail: e.to_string(),
    };
    let mut value = serde_json::to_value(session).map_err(shape)?;
    merge(&mut value, set);
    let session: Session = serde_json::from_value(value).map_err(shape)?;
    match check_session(&session, "session").into_iter().next() {
        Some(fault) => Err(fault.into()),
        None => Ok(session),
    }
}

/// RFC 7396, section 2: objects are merged name by name, null removes, everything else replaces.
fn merge(target: &mut Value, patch: &Value) {
    let Value::Object(patch) = patch else {
        *target = patch.clone();
        return;
    };
    if !target.is_object() {
        *target = Value::Object(serde_json::Map::new());
    }
    let Value::Object(target) = target else {
        return;
    };
    for (name, value) in patch {
        if value.is_null() {
            target.remove(name);
        } else {
            merge(target.entry(name.clone()).or_insert(Value::Null), value);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    /// The example of RFC 7396, section 3.
    #[test]
    fn the_merge_is_that_of_the_standard() {
        let mut target = json!({"title": "Goodbye!", "author": {"givenName": "John", "familyName": "Doe"},
            "tags": ["example", "sample"], "content": "This will be unchanged"});
        merge(
            &mut target,
            &json!({"title": "Hello!", "phoneNumber": "+01-123-456-7890", "author": {"familyName": null}, "tags": ["example"]}),
        );
        let wanted = json!({"title": "Hello!", "author": {"givenName": "John"}, "tags": ["example"],
            "content": "This will be unchanged", "phoneNumber": "+01-123-456-7890"});
        assert_eq!(target, wanted);
    }
}
