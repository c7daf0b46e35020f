//! Ids that survive measuring again, so that an edit reaches the shaft that it was made on or none.

use super::apply::{LAST_ID_KEY, last_id};
use crate::record::End;

/// Entries nearer than this are the same shaft, mm: the contract's own bound for an entry that is right.
const SAME_SHAFT_MM: f64 = 10.0;

/// A new measurement of the photo of `old`: an entry where `old` has one gets its id, any other one an id that `old` never used.
#[must_use]
pub fn with_ids_of(new: &End, old: &End) -> End {
    let partners = partners(new, old);
    let mut end = new.clone();
    let mut last = last_id(old);
    let mut renamed = Vec::new();
    for (entry, partner) in end.entries.iter_mut().zip(partners) {
        let id = partner.unwrap_or_else(|| {
            last += 1;
            last
        });
        renamed.push((entry.id, id));
        entry.id = id;
    }
    for id in end.session.shot_order.iter_mut().flatten() {
        if let Some((_, new)) = renamed.iter().find(|(old, _)| old == id) {
            *id = *new;
        }
    }
    let highest = end.entries.iter().map(|e| e.id).max().unwrap_or(0);
    if last > highest {
        end.extra.insert(LAST_ID_KEY.to_owned(), last.into());
    }
    end
}

/// For each entry of `new` the id of the entry of `old` that is the same shaft, the nearest pairs first.
fn partners(new: &End, old: &End) -> Vec<Option<u64>> {
    let mut pairs = Vec::new();
    for (i, before) in old.entries.iter().enumerate() {
        for (k, now) in new.entries.iter().enumerate() {
            let apart = (before.x_mm - now.x_mm).hypot(before.y_mm - now.y_mm);
            if apart < SAME_SHAFT_MM {
                pairs.push((apart, i, k));
            }
        }
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
    let mut partners: Vec<Option<u64>> = vec![None; new.entries.len()];
    let mut taken = vec![false; old.entries.len()];
    for (_, i, k) in pairs {
        if let (Some(taken), Some(partner), Some(before)) =
            (taken.get_mut(i), partners.get_mut(k), old.entries.get(i))
            && !*taken
            && partner.is_none()
        {
            (*taken, *partner) = (true, Some(before.id));
        }
    }
    partners
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::Entry;

    fn end(entries: &[(u64, f64)]) -> End {
        let entry = |(id, x_mm): &(u64, f64)| Entry {
            id: *id,
            x_mm: *x_mm,
            ..Entry::default()
        };
        End {
            entries: entries.iter().map(entry).collect(),
            ..End::default()
        }
    }

    fn ids(end: &End) -> Vec<u64> {
        end.entries.iter().map(|e| e.id).collect()
    }

    #[test]
    fn an_id_stays_with_its_shaft_and_is_never_given_to_another() {
        let old = end(&[(1, 0.0), (2, 50.0), (3, 54.0)]);
        let same = with_ids_of(&old, &old);
        assert_eq!(same, old);
        // 1 is gone, another is new, 2 and 3 in the other order
        let new = end(&[(1, 55.0), (2, 200.0), (3, 49.0)]);
        let kept = with_ids_of(&new, &old);
        assert_eq!(ids(&kept), [3, 4, 2]);
        let fewer = with_ids_of(&end(&[(1, 1.0)]), &kept);
        assert_eq!(ids(&fewer), [5], "1 was another shaft's");
        assert_eq!(last_id(&with_ids_of(&end(&[]), &fewer)), 5);
    }
}
