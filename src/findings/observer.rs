//! The one interface between planned blocks and everything that watches them.

use std::sync::{Arc, Mutex};

use super::{Inspection, Log};
use crate::block::Block;

/// Something that watches planned blocks.
///
/// [`begin`](Self::begin) comes once, before anything is read; then [`observe`](Self::observe) once for each block, in time
/// order, whatever the number of threads (never two calls at once, but not always from the same thread); last
/// [`finish`](Self::finish), once, after the block that holds the end of the job. Totals finish before checks, observers that
/// watch besides after both, when the report is complete.
///
/// It cannot fail: what is wrong with the job is a hit in the log. When the job cannot be read to its end, is stopped, or any
/// thread panics, `finish` is not called and the observer is dropped.
pub trait Observer: Send {
    /// Called once before the first block.
    fn begin(&mut self, _log: &mut Log) {}
    /// Called once for each block. Its moves come first, then its actions, in the order of the job; look-ahead is done, so
    /// speeds and times are final.
    fn observe(&mut self, block: &Block, log: &mut Log);
    /// Called once after the last block; `draft` already holds what earlier observers wrote.
    fn finish(&mut self, _draft: &mut Inspection, _log: &mut Log) {}
}

/// A handle on an observer that watches a job beside the checks: what it holds can be taken once the
/// job has ended.
pub struct Attached<O>(Arc<Mutex<Option<O>>>);

impl<O: Observer + 'static> Attached<O> {
    /// The handle, and the observer to attach.
    pub fn new(observer: O) -> (Self, Box<dyn Observer>) {
        let shared = Arc::new(Mutex::new(Some(observer)));
        (Self(shared.clone()), Box::new(Self(shared)))
    }

    /// The observer; none when it was taken before, or broke down.
    pub fn take(&self) -> Option<O> {
        self.0.lock().ok()?.take()
    }

    fn with(&self, work: impl FnOnce(&mut O)) {
        if let Ok(mut held) = self.0.lock()
            && let Some(observer) = held.as_mut()
        {
            work(observer);
        }
    }
}

impl<O: Observer + 'static> Observer for Attached<O> {
    fn begin(&mut self, log: &mut Log) {
        self.with(|observer| observer.begin(log));
    }

    fn observe(&mut self, block: &Block, log: &mut Log) {
        self.with(|observer| observer.observe(block, log));
    }

    fn finish(&mut self, draft: &mut Inspection, log: &mut Log) {
        self.with(|observer| observer.finish(draft, log));
    }
}
