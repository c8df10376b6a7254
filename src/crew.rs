//! Threads without a job of their own help with the jobs of others.

use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

/// Something that other threads can help with.
pub trait Help: Send + Sync {
    /// Works along until there is nothing left to take up.
    fn help(&self);

    /// How many helpers are of use.
    fn places(&self) -> usize;
}

/// The jobs that are being worked on and may be helped with.
#[derive(Default)]
pub struct Crew<'e> {
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
    run: Arc<dyn Help + 'e>,
}

impl Call<'_> {
    fn has_place(&self) -> bool {
        self.helpers < self.run.places()
    }
}

/// A call for help, which ends with this.
pub struct Place<'c, 'e> {
    crew: &'c Crew<'e>,
    id: u64,
}

impl Drop for Place<'_, '_> {
    fn drop(&mut self) {
        self.crew.close(self.id);
    }
}

impl<'e> Crew<'e> {
    /// Nobody who could help.
    pub fn alone() -> Self {
        Self::default()
    }

    fn calls(&self) -> MutexGuard<'_, Calls<'e>> {
        // Nothing that can panic happens under this lock.
        self.calls.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Asks for help with a job.
    pub fn call(&self, run: Arc<dyn Help + 'e>) -> Place<'_, 'e> {
        let mut calls = self.calls();
        let id = calls.next;
        calls.next += 1;
        calls.open.push(Call { id, helpers: 0, run });
        self.changed.notify_all();
        Place { crew: self, id }
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

    /// Tells those who wait to look again.
    pub fn wake(&self) {
        // Under the lock, so that nobody misses it between looking and lying down.
        let _calls = self.calls();
        self.changed.notify_all();
    }
}
