//! Threads without a job of their own help with the jobs of others.

use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;

/// Something that other threads can help with.
pub(crate) trait SharedWork: Send + Sync {
    /// Works along until there is nothing left to take up.
    fn help(&self);

    /// How many helpers are of use.
    fn places(&self) -> usize;
}

/// The jobs that are being worked on and may be helped with.
#[derive(Default)]
pub struct HelperPool<'e> {
    calls: Mutex<Calls<'e>>,
    changed: Condvar,
}

#[derive(Default)]
struct Calls<'e> {
    next: u64,
    open: Vec<Call<'e>>,
}

struct Call<'e> {
    id: u64,
    helpers: usize,
    run: Arc<dyn SharedWork + 'e>,
}

impl Call<'_> {
    fn has_place(&self) -> bool {
        self.helpers < self.run.places()
    }
}

/// A call for help, which ends with this.
pub(crate) struct HelpCall<'c, 'e> {
    helpers: &'c HelperPool<'e>,
    id: u64,
}

impl Drop for HelpCall<'_, '_> {
    fn drop(&mut self) {
        self.helpers.close(self.id);
    }
}

impl<'e> HelperPool<'e> {
    /// Nobody who could help.
    pub fn alone() -> Self {
        Self::default()
    }

    fn calls(&self) -> MutexGuard<'_, Calls<'e>> {
        // Nothing that can panic happens under this lock.
        self.calls.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Asks for help with a job.
    pub(crate) fn call(&self, run: Arc<dyn SharedWork + 'e>) -> HelpCall<'_, 'e> {
        let mut calls = self.calls();
        let id = calls.next;
        calls.next += 1;
        calls.open.push(Call { id, helpers: 0, run });
        self.changed.notify_all();
        HelpCall { helpers: self, id }
    }

    fn close(&self, id: u64) {
        self.calls().open.retain(|call| call.id != id);
    }

    /// Helps with the job that has the fewest helpers; false when there is none that gains from one more.
    pub fn help(&self) -> bool {
        let (id, run) = {
            let mut calls = self.calls();
            let needy = calls.open.iter_mut().filter(|call| call.has_place());
            let Some(call) = needy.min_by_key(|call| call.helpers) else { return false };
            call.helpers += 1;
            (call.id, call.run.clone())
        };
        run.help();
        // It returns when nothing is left to take up.
        self.close(id);
        true
    }

    /// Lies down until somebody calls for help, or `done` becomes true (which [`Self::wake`] tells).
    pub fn wait(&self, done: impl Fn() -> bool) {
        let mut calls = self.calls();
        while !calls.open.iter().any(Call::has_place) && !done() {
            calls = self.changed.wait(calls).unwrap_or_else(PoisonError::into_inner);
        }
    }

    /// Does `work` for each of `asks` with whoever has nothing else to do; answers in the order of `asks`.
    ///
    /// # Panics
    /// When the work does.
    pub(crate) fn share<A, T>(&self, asks: Vec<A>, work: impl Fn(&A) -> T + Send + Sync + 'e) -> Vec<T>
    where
        A: Send + Sync + 'e,
        T: Send + 'e,
    {
        let count = asks.len();
        let batch = Arc::new(SharedBatch {
            work,
            asks,
            next: AtomicUsize::new(0),
            answers: Mutex::new(Vec::with_capacity(count)),
            changed: Condvar::new(),
        });
        let _place = self.call(batch.clone());
        batch.help();
        let mut answers = batch.answers.lock().unwrap_or_else(PoisonError::into_inner);
        while answers.len() < count {
            answers = batch.changed.wait(answers).unwrap_or_else(PoisonError::into_inner);
        }
        let mut answers = std::mem::take(&mut *answers);
        answers.sort_by_key(|(at, _)| *at);
        answers.into_iter().map(|(_, answer)| answer.unwrap_or_else(|panic| resume_unwind(panic))).collect()
    }

    /// Tells those who wait to look again.
    pub fn wake(&self) {
        // Under the lock, so that nobody misses it between looking and lying down.
        let _calls = self.calls();
        self.changed.notify_all();
    }
}

/// Work of one kind that any thread may take up, ask by ask.
struct SharedBatch<A, T, F> {
    work: F,
    asks: Vec<A>,
    next: AtomicUsize,
    answers: Mutex<Vec<(usize, thread::Result<T>)>>,
    changed: Condvar,
}

impl<A: Send + Sync, T: Send, F: Fn(&A) -> T + Send + Sync> SharedWork for SharedBatch<A, T, F> {
    fn help(&self) {
        loop {
            let at = self.next.fetch_add(1, Ordering::Relaxed);
            let Some(ask) = self.asks.get(at) else { return };
            // Work that breaks down is an answer too: whoever waits for it must not wait for ever.
            let answer = catch_unwind(AssertUnwindSafe(|| (self.work)(ask)));
            self.answers.lock().unwrap_or_else(PoisonError::into_inner).push((at, answer));
            self.changed.notify_all();
        }
    }

    fn places(&self) -> usize {
        self.asks.len()
    }
}
