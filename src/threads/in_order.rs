//! Several threads that carry the chunks of one job through its stages, and everybody keeps the order.
//!
//! A thread takes a chunk and carries it through all stages itself, so that what one stage writes is still in the
//! processor's cache for the next. Each stage with a memory lets the chunks in by their number, one at a time: while one
//! chunk is planned, the next one is read. A stage sees the same chunks in the same order whatever the number of threads,
//! so nothing that it computes can depend on that number, and nothing has to be guessed or joined.

use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};

/// How often a thread looks whether its turn has come before it lies down: waking up costs as much as a short stage. Not
/// longer, and without offering the processor to others in between: where other programs want it too, each offer costs a
/// whole slice of time, while who sleeps is woken before them.
const LOOKS: u32 = 200;
/// Beds of a stage; who waits for chunk `n` lies in bed `n` modulo that number.
const BEDS: usize = 8;

/// A thread that carried a chunk died: nobody can go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Broken;

/// A stage that chunks pass through one after another.
#[derive(Debug)]
pub(crate) struct InOrderStage<S> {
    due: AtomicU64,
    broken: AtomicBool,
    stage: Mutex<S>,
    beds: [Bed; BEDS],
}

/// Where threads sleep until their chunk is due.
#[derive(Debug, Default)]
struct Bed {
    sleepers: AtomicUsize,
    bell: Mutex<()>,
    rung: Condvar,
}

impl Bed {
    /// Sleeps until something is so; whoever makes it so has to call [`Self::wake`] behind it.
    fn sleep_until(&self, mut is_so: impl FnMut() -> bool) {
        let mut bell = self.bell.lock().unwrap_or_else(PoisonError::into_inner);
        // Both sides first write, then read, in one order for all: one of them sees the other.
        self.sleepers.fetch_add(1, Ordering::SeqCst);
        while !is_so() {
            bell = self.rung.wait(bell).unwrap_or_else(PoisonError::into_inner);
        }
        self.sleepers.fetch_sub(1, Ordering::SeqCst);
    }

    /// Wakes those who sleep here, if any.
    fn wake(&self) {
        if self.sleepers.load(Ordering::SeqCst) > 0 {
            // Under the lock, so that nobody misses it between looking and lying down.
            drop(self.bell.lock().unwrap_or_else(PoisonError::into_inner));
            self.rung.notify_all();
        }
    }
}

impl<S> InOrderStage<S> {
    /// A stage that waits for chunk 0.
    pub(crate) fn new(stage: S) -> Self {
        Self {
            due: AtomicU64::new(0),
            broken: AtomicBool::new(false),
            stage: Mutex::new(stage),
            beds: Default::default(),
        }
    }

    /// Waits until all chunks before `number` have passed, does `work` in the stage, and lets the next chunk in.
    ///
    /// # Errors
    /// [`Broken`] when a thread panicked in this stage, or [`Self::shut`] was called.
    pub(crate) fn pass<T>(&self, number: u64, work: impl FnOnce(&mut S) -> T) -> Result<T, Broken> {
        let mut stage = self.enter(number)?;
        let done = work(&mut stage);
        drop(stage);
        self.due.store(number + 1, Ordering::SeqCst);
        self.bed(number + 1).wake();
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
        self.wait_until_due(number);
        self.lock()
    }

    /// Waits until the chunk of that number has passed.
    ///
    /// # Errors
    /// [`Broken`] when it never will.
    pub(crate) fn wait_until_passed(&self, number: u64) -> Result<(), Broken> {
        if self.wait_until_due(number + 1) { Ok(()) } else { Err(Broken) }
    }

    /// False where a chunk was lost before.
    fn wait_until_due(&self, number: u64) -> bool {
        let is_due = || self.due.load(Ordering::SeqCst) >= number;
        let over = || is_due() || self.broken.load(Ordering::SeqCst);
        for _ in 0..LOOKS {
            if over() {
                return is_due();
            }
            std::hint::spin_loop();
        }
        self.bed(number).sleep_until(over);
        is_due()
    }

    fn bed(&self, number: u64) -> &Bed {
        &self.beds[(number % BEDS as u64) as usize]
    }

    /// Lets nobody in any more: a chunk was lost.
    pub(crate) fn shut(&self) {
        self.broken.store(true, Ordering::SeqCst);
        self.beds.iter().for_each(Bed::wake);
    }

    /// The stage, out of turn.
    ///
    /// # Errors
    /// Like [`Self::pass`].
    pub(crate) fn lock(&self) -> Result<MutexGuard<'_, S>, Broken> {
        let stage = self.stage.lock().map_err(|_| Broken)?;
        if self.broken.load(Ordering::SeqCst) { Err(Broken) } else { Ok(stage) }
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
