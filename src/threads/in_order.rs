//! Several threads that carry the chunks of one job through its stages, and everybody keeps the order.
//!
//! A thread takes a chunk and carries it through all stages itself, so that what one stage writes is still in the
//! processor's cache for the next. Each stage with a memory lets the chunks in by their number, one at a time: while one
//! chunk is planned, the next one is read. A stage sees the same chunks in the same order whatever the number of threads,
//! so nothing that it computes can depend on that number, and nothing has to be guessed or joined.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};

/// How often a thread looks whether it may go on before it lies down: at first without a break, then each time after
/// letting others run who may be in need of the processor. About a millisecond, many times what a chunk takes in a stage,
/// because waking up costs as much as a stage.
const LOOKS: u32 = 1_000;
const POLITE_LOOKS: u32 = 2_000;

/// Waits a little for something that is about to happen; false when it has not.
pub(crate) fn soon(mut happened: impl FnMut() -> bool) -> bool {
    for look in 0..LOOKS + POLITE_LOOKS {
        if happened() {
            return true;
        }
        if look < LOOKS { std::hint::spin_loop() } else { std::thread::yield_now() }
    }
    false
}

/// A thread that carried a chunk died: nobody can go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Broken;

/// A stage that chunks pass through one after another.
#[derive(Debug)]
pub(crate) struct InOrderStage<S> {
    due: AtomicU64,
    broken: AtomicBool,
    stage: Mutex<S>,
    passed: Condvar,
}

impl<S> InOrderStage<S> {
    /// A stage that waits for chunk 0.
    pub(crate) fn new(stage: S) -> Self {
        Self {
            due: AtomicU64::new(0),
            broken: AtomicBool::new(false),
            stage: Mutex::new(stage),
            passed: Condvar::new(),
        }
    }

    /// Waits until all chunks before `number` have passed, does `work` in the stage, and lets the next chunk in.
    ///
    /// # Errors
    /// [`Broken`] when a thread panicked in this stage, or [`Self::shut`] was called.
    pub(crate) fn pass<T>(&self, number: u64, work: impl FnOnce(&mut S) -> T) -> Result<T, Broken> {
        let mut stage = self.enter(number)?;
        let done = work(&mut stage);
        self.due.store(number + 1, Ordering::Release);
        drop(stage);
        self.passed.notify_all();
        Ok(done)
    }

    /// The same, but the chunk stays: its next part, or the rest of it with [`Self::pass`], comes in before any other.
    ///
    /// # Errors
    /// Like [`Self::pass`].
    pub(crate) fn pass_part<T>(&self, number: u64, work: impl FnOnce(&mut S) -> T) -> Result<T, Broken> {
        Ok(work(&mut *self.enter(number)?))
    }

    fn enter(&self, number: u64) -> Result<MutexGuard<'_, S>, Broken> {
        soon(|| self.due.load(Ordering::Acquire) == number || self.broken.load(Ordering::Acquire));
        let mut stage = self.lock()?;
        while self.due.load(Ordering::Acquire) != number {
            stage = self.passed.wait(stage).map_err(|_| Broken)?;
            if self.broken.load(Ordering::Acquire) {
                return Err(Broken);
            }
        }
        Ok(stage)
    }

    /// True when the chunk of that number has passed.
    ///
    /// # Errors
    /// [`Broken`] when it never will.
    pub(crate) fn has_passed(&self, number: u64) -> Result<bool, Broken> {
        let passed = self.due.load(Ordering::Acquire) > number;
        if !passed && self.broken.load(Ordering::Acquire) { Err(Broken) } else { Ok(passed) }
    }

    /// Lets nobody in any more: a chunk was lost.
    pub(crate) fn shut(&self) {
        // Under the lock, so that nobody misses it between looking and lying down.
        let _stage = self.stage.lock().unwrap_or_else(PoisonError::into_inner);
        self.broken.store(true, Ordering::Release);
        self.passed.notify_all();
    }

    /// The stage, out of turn.
    ///
    /// # Errors
    /// Like [`Self::pass`].
    pub(crate) fn lock(&self) -> Result<MutexGuard<'_, S>, Broken> {
        let stage = self.stage.lock().map_err(|_| Broken)?;
        if self.broken.load(Ordering::Acquire) { Err(Broken) } else { Ok(stage) }
    }
}

#[cfg(test)]
mod tests {
    use std::thread;

    use super::*;

    #[test]
    fn chunks_pass_in_order_and_none_twice() {
        let (first, second) = (InOrderStage::new(Vec::new()), InOrderStage::new(Vec::new()));
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
    fn parts_of_a_chunk_come_before_the_next_chunk() {
        let stage = InOrderStage::new(Vec::new());
        thread::scope(|scope| {
            for number in (0..20).rev() {
                let stage = &stage;
                scope.spawn(move || {
                    for part in 0..3 {
                        stage.pass_part(number, |seen| seen.push((number, part))).unwrap();
                    }
                    stage.pass(number, |seen| seen.push((number, 3))).unwrap();
                });
            }
        });
        let expected: Vec<(u64, u64)> = (0..20).flat_map(|number| (0..4).map(move |part| (number, part))).collect();
        assert_eq!(*stage.lock().unwrap(), expected);
    }

    #[test]
    fn a_stage_that_is_shut_hangs_nobody() {
        let stage = InOrderStage::new(());
        thread::scope(|scope| {
            let waiting = scope.spawn(|| stage.pass(7, |()| ()));
            let panicking = scope.spawn(|| stage.pass(0, |()| assert_eq!(1, 2)));
            assert!(panicking.join().is_err());
            stage.shut();
            assert_eq!(waiting.join().unwrap(), Err(Broken));
            assert!(stage.lock().is_err());
        });
    }
}
