//! Work on several photos at a time, with the results in their order.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;
use std::thread;

/// Runs `work` on every item, on all processors, and passes the results to `consume` in the order of the items, each as soon as
/// those before it are finished. Results wait for their turn, so they must be small: no pictures.
pub(super) fn map_in_order<T: Sync, R: Send>(
    items: &[T],
    work: impl Fn(&T) -> R + Sync,
    mut consume: impl FnMut(&T, R),
) {
    // not on the pool: a pool thread that waits within one photo would start another one and hold both in memory
    let threads = rayon::current_num_threads().clamp(1, items.len().max(1));
    let next = AtomicUsize::new(0);
    let (sender, receiver) = mpsc::channel();
    thread::scope(|scope| {
        for _ in 0..threads {
            let (sender, next, work) = (sender.clone(), &next, &work);
            scope.spawn(move || {
                while let Some((at, item)) = {
                    let at = next.fetch_add(1, Ordering::Relaxed);
                    items.get(at).map(|item| (at, item))
                } {
                    if sender.send((at, work(item))).is_err() {
                        return;
                    }
                }
            });
        }
        drop(sender);
        let mut waiting = BTreeMap::new();
        let mut turn = 0;
        for (at, result) in receiver {
            waiting.insert(at, result);
            while let (Some(result), Some(item)) = (waiting.remove(&turn), items.get(turn)) {
                consume(item, result);
                turn += 1;
            }
        }
    });
}
