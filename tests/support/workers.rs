//! Seeds worked on side by side.

use std::sync::Mutex;

struct Shared<T> {
    next: std::vec::IntoIter<u64>,
    done: Vec<T>,
    stopped: bool,
}

/// Works on each seed in turn, as many at a time as there are processors, until `goes_on` says no to what is
/// done so far. What came of them, in the order in which it came.
pub fn each<T: Send>(
    seeds: Vec<u64>,
    work: impl Fn(u64) -> T + Sync,
    goes_on: impl Fn(&[T]) -> bool + Sync,
) -> Vec<T> {
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(seeds.len());
    let shared = Mutex::new(Shared { next: seeds.into_iter(), done: Vec::new(), stopped: false });
    let lock = || shared.lock().expect("no panic holds it");
    let turn = || {
        loop {
            let seed = {
                let mut shared = lock();
                if shared.stopped { None } else { shared.next.next() }
            };
            let Some(seed) = seed else { return };
            let came = work(seed);
            let mut shared = lock();
            shared.done.push(came);
            shared.stopped |= !goes_on(&shared.done);
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(turn);
        }
    });
    shared.into_inner().expect("all workers are done").done
}
