//! Several threads that carry the chunks of one job through its stages, and everybody keeps the order.
//!
//! A thread takes a chunk and carries it through all stages itself, so that what one stage writes is still in the
//! processor's cache for the next. Each stage with a memory lets the chunks in by their number, one at a time: while one
//! chunk is planned, the next one is read. A stage sees the same chunks in the same order whatever the number of threads,
//! so nothing that it computes can depend on that number, and nothing has to be guessed or joined.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard};

/// How often a thread looks whether it may go on before it lies down: at first without a break, then each time after
/// letting others run who may be in need of the processor. About a millisecond, many times what a chunk takes in a stage,
/// because waking up costs as much as a stage.
const LOOKS: u32 = 1_000;
const POLITE_LOOKS: u32 = 2_000;

/// Waits a little for something that is about to happen; false when it has not.
pub fn soon(mut happened: impl FnMut() -> bool) -> bool {
    for look in 0..LOOKS + POLITE_LOOKS {
        if happened() {
            return true;
        }
        if look < LOOKS { std::hint::spin_loop() } else { std::thread::yield_now() }
    }
    false
}

/// A thread died inside a stage: nobody can go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Broken;

/// A stage that chunks pass through one after another.
#[derive(Debug)]
pub struct Turns<S> {
    due: AtomicU64,
    stage: Mutex<S>,
    passed: Condvar,
}

/// Wakes those who wait, however the stage is left.
struct Wake<'t>(&'t Condvar);

impl Drop for Wake<'_> {
    fn drop(&mut self) {
        self.0.notify_all();
    }
}

impl<S> Turns<S> {
    /// A stage that waits for chunk 0.
    pub fn new(stage: S) -> Self {
        Self { due: AtomicU64::new(0), stage: Mutex::new(stage), passed: Condvar::new() }
    }

    /// Waits until all chunks before `number` have passed, does `work` in the stage, and lets the next chunk in.
    ///
    /// # Errors
    /// [`Broken`] when a thread panicked in this stage. Every chunk goes through the stages in order, so whoever comes
    /// after a chunk that was lost in a stage finds out there at the latest.
    pub fn pass<T>(&self, number: u64, work: impl FnOnce(&mut S) -> T) -> Result<T, Broken> {
        soon(|| self.due.load(Ordering::Acquire) == number || self.stage.is_poisoned());
        let wake = Wake(&self.passed);
        let mut stage = self.stage.lock().map_err(|_| Broken)?;
        while self.due.load(Ordering::Acquire) != number {
            stage = self.passed.wait(stage).map_err(|_| Broken)?;
        }
        let done = work(&mut stage);
        self.due.store(number + 1, Ordering::Release);
        drop(stage);
        drop(wake);
        Ok(done)
    }

    /// The stage, out of turn.
    ///
    /// # Errors
    /// [`Broken`] when a thread panicked in this stage.
    pub fn lock(&self) -> Result<MutexGuard<'_, S>, Broken> {
        self.stage.lock().map_err(|_| Broken)
    }
}

#[cfg(test)]
mod tests {
    use std::thread;

    use super::*;

    #[test]
    fn chunks_pass_in_order_and_none_twice() {
        let (first, second) = (Turns::new(Vec::new()), Turns::new(Vec::new()));
        let next = AtomicU64::new(0);
        thread::scope(|scope| {
            for _ in 0..5 {
                scope.spawn(|| {
                    loop {
                        let number = next.fetch_add(1, Ordering::Relaxed);
                        if number >= 2000 {
                            return;
                        }
                        first.pass(number, |seen| seen.push(number)).unwrap();
                        if number.is_multiple_of(7) {
                            thread::yield_now();
                        }
                        second.pass(number, |seen| seen.push(number)).unwrap();
                    }
                });
            }
        });
        let expected: Vec<u64> = (0..2000).collect();
        assert_eq!(*first.lock().unwrap(), expected);
        assert_eq!(*second.lock().unwrap(), expected);
    }

    #[test]
    fn a_panic_in_a_stage_stops_all_and_hangs_nobody() {
        let (first, second) = (Turns::new(()), Turns::new(()));
        let carry = |number: u64| {
            first.pass(number, |()| ())?;
            second.pass(number, |()| assert_ne!(number, 2))
        };
        thread::scope(|scope| {
            let chunks: Vec<_> = (0..5).rev().map(|number| scope.spawn(move || carry(number))).collect();
            let ends: Vec<_> = chunks.into_iter().rev().map(|chunk| chunk.join().ok()).collect();
            assert_eq!(ends, [Some(Ok(())), Some(Ok(())), None, Some(Err(Broken)), Some(Err(Broken))]);
        });
    }
}
