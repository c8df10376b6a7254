//! The one interface between planned blocks and everything that watches them.

use std::sync::{Arc, Mutex};

use super::{Inspection, Log};
use crate::block::Block;

/// Something that watches planned blocks. It cannot fail: reading errors belong to the reader.
pub trait Observer: Send {
    /// Called once before the first block.
    fn begin(&mut self, _log: &mut Log) {}
    /// Called once per block, in time order.
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
