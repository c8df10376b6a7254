//! Jobs that come one after another, on several threads; answers in the order in which the jobs came.
//!
//! Whoever brings the jobs may wait for the next one as long as it takes: no answer waits with it. Only a bounded number
//! of jobs, and of their bytes, is ever ahead of the next answer.

use std::collections::{BTreeMap, VecDeque};
use std::io;
use std::ops::ControlFlow;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{self, Receiver};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;

use super::{Breakdown, HelperPool};

/// Where jobs are handed in, to be judged by [`Intake::judge`].
pub struct Intake<J> {
    state: Mutex<State<J>>,
    /// There is room for one more job, or none is wanted any more.
    room: Condvar,
    helpers: HelperPool<'static>,
    ahead: Ahead,
}

/// How much may be ahead of the next answer; one job always may.
#[derive(Debug, Clone, Copy)]
pub struct Ahead {
    /// Most jobs.
    pub jobs: usize,
    /// When they have so many bytes, no further one is taken.
    pub bytes: usize,
}

struct State<J> {
    waiting: VecDeque<(u64, J)>,
    handed_in: u64,
    /// Bytes of each job that was handed in and whose answer was not yet handed over, and of all.
    bytes: VecDeque<usize>,
    bytes_in_all: usize,
    judging: usize,
    /// No further job comes.
    ended: bool,
}

impl<J: Send> Intake<J> {
    /// Nothing handed in yet.
    pub fn new(ahead: Ahead) -> Self {
        let (waiting, bytes) = (VecDeque::new(), VecDeque::new());
        let state = State { waiting, handed_in: 0, bytes, bytes_in_all: 0, judging: 0, ended: false };
        Self { state: Mutex::new(state), room: Condvar::new(), helpers: HelperPool::default(), ahead }
    }

    fn state(&self) -> MutexGuard<'_, State<J>> {
        // Nothing that can panic happens under this lock.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Waits until one more job may be handed in; false when none is wanted any more.
    pub fn has_room(&self) -> bool {
        let Ahead { jobs, bytes } = self.ahead;
        let is_full = |state: &mut State<J>| {
            let ahead = state.bytes.len();
            !state.ended && ahead > 0 && (ahead >= jobs || state.bytes_in_all >= bytes)
        };
        let state = self.room.wait_while(self.state(), is_full).unwrap_or_else(PoisonError::into_inner);
        !state.ended
    }

    /// Hands a job of so many bytes in; it is dropped when none is wanted any more.
    pub fn hand_in(&self, job: J, bytes: usize) {
        {
            let mut state = self.state();
            if state.ended {
                return;
            }
            let number = state.handed_in;
            state.handed_in += 1;
            state.bytes.push_back(bytes);
            state.bytes_in_all += bytes;
            state.waiting.push_back((number, job));
        }
        self.helpers.wake();
    }

    /// No further job comes; those that were handed in are judged.
    pub fn end(&self) {
        self.state().ended = true;
        self.wake();
    }

    /// No further job is started; those that were started are finished.
    pub fn stop(&self) {
        {
            let mut state = self.state();
            state.ended = true;
            state.waiting.clear();
        }
        self.wake();
    }

    fn wake(&self) {
        self.room.notify_all();
        self.helpers.wake();
    }

    /// Judges on so many threads, at least one, what is handed in, and hands each answer to `take` on the calling thread,
    /// until no further job comes or `take` breaks. Threads without a job of their own help the others with theirs. A judge
    /// that breaks down costs that job only. Where the system gives fewer threads, these do the work.
    ///
    /// # Errors
    /// When the system gives no thread at all.
    pub fn judge<T: Send>(
        &self,
        threads: usize,
        judge: impl Fn(J, &HelperPool<'static>) -> T + Sync,
        take: impl FnMut(Result<T, Breakdown>) -> ControlFlow<()>,
    ) -> io::Result<()> {
        let (sender, receiver) = mpsc::channel();
        let judge = &judge;
        thread::scope(|scope| {
            // However this ends, by a panic too, nobody waits for what will not come.
            let _stopping = StopOnDrop(self);
            for number in 0..threads.max(1) {
                let sender = sender.clone();
                let attend = move || {
                    self.attend(|number, job| {
                        let answer = Breakdown::caught(|| judge(job, &self.helpers));
                        // The receiver is gone when nobody wants further answers.
                        let _ = sender.send((number, answer));
                    });
                };
                match thread::Builder::new().spawn_scoped(scope, attend) {
                    Err(error) if number == 0 => return Err(error),
                    Err(_) => break,
                    Ok(_) => {}
                }
            }
            drop(sender);
            self.hand_over(&receiver, take);
            Ok(())
        })
    }

    /// Hands the answers over in the order of the jobs, until `take` breaks or no more come.
    fn hand_over<T>(
        &self,
        answers: &Receiver<(u64, Result<T, Breakdown>)>,
        mut take: impl FnMut(Result<T, Breakdown>) -> ControlFlow<()>,
    ) {
        let (mut early, mut due) = (BTreeMap::new(), 0);
        for (number, answer) in answers {
            early.insert(number, answer);
            while let Some(answer) = early.remove(&due) {
                if take(answer).is_break() {
                    return;
                }
                due += 1;
                self.make_room();
            }
        }
    }

    /// The next answer is handed over.
    fn make_room(&self) {
        let mut state = self.state();
        state.bytes_in_all -= state.bytes.pop_front().unwrap_or(0);
        drop(state);
        self.room.notify_all();
    }

    fn start(&self) -> Option<(u64, J)> {
        let mut state = self.state();
        let next = state.waiting.pop_front()?;
        state.judging += 1;
        Some(next)
    }

    fn may_start(&self) -> bool {
        !self.state().waiting.is_empty()
    }

    /// True when every job has its answer and no other comes.
    fn is_over(&self) -> bool {
        let state = self.state();
        state.ended && state.waiting.is_empty() && state.judging == 0
    }

    /// Judges jobs, and helps where there are none to start.
    fn attend(&self, judge: impl Fn(u64, J)) {
        while !self.is_over() {
            if let Some((number, job)) = self.start() {
                judge(number, job);
                self.state().judging -= 1;
                self.helpers.wake();
                continue;
            }
            // A helper that breaks down breaks the job, whose own thread says so.
            if !catch_unwind(AssertUnwindSafe(|| self.helpers.help())).unwrap_or(true) {
                self.helpers.wait(|| self.may_start() || self.is_over());
            }
        }
    }
}

/// Stops the work when it goes.
struct StopOnDrop<'i, J: Send>(&'i Intake<J>);

impl<J: Send> Drop for StopOnDrop<'_, J> {
    fn drop(&mut self) {
        self.0.stop();
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::time::Duration;

    use super::*;

    fn jobs(jobs: usize) -> Ahead {
        Ahead { jobs, bytes: usize::MAX }
    }

    /// Hands in what `jobs` gives, 10 bytes each, on a thread of its own.
    fn bring(intake: &Arc<Intake<u64>>, jobs: impl IntoIterator<Item = u64, IntoIter: Send + 'static>) {
        let (intake, mut jobs) = (intake.clone(), jobs.into_iter());
        thread::spawn(move || {
            while intake.has_room()
                && let Some(job) = jobs.next()
            {
                intake.hand_in(job, 10);
            }
            intake.end();
        });
    }

    #[test]
    fn answers_keep_the_order_in_which_jobs_came() {
        for threads in [1, 4] {
            let intake = Arc::new(Intake::new(jobs(6)));
            bring(&intake, 0..97);
            let judge = |job: u64, _: &HelperPool<'_>| {
                // Early jobs take longest, so that finishing order differs from job order.
                thread::sleep(Duration::from_micros(3000 / (job + 1)));
                job * 10
            };
            let mut taken = Vec::new();
            let take = |answer| {
                taken.push(answer);
                ControlFlow::Continue(())
            };
            intake.judge(threads, judge, take).expect("threads");
            assert_eq!(taken, (0..97).map(|job| Ok(job * 10)).collect::<Vec<_>>());
        }
    }

    #[test]
    fn an_answer_does_not_wait_for_the_next_job() {
        let intake = Arc::new(Intake::new(jobs(8)));
        let (answered, is_answered) = mpsc::channel();
        // Each job is brought when the one before has its answer.
        bring(&intake, (0..20).inspect(move |job| assert!(*job == 0 || is_answered.recv() == Ok(job - 1))));
        let take = |answer: Result<u64, Breakdown>| {
            // Nobody asks after the last one.
            let _ = answered.send(answer.expect("no breakdown"));
            ControlFlow::Continue(())
        };
        intake.judge(2, |job, _| job, take).expect("threads");
    }

    #[test]
    fn no_more_than_allowed_are_ahead_and_a_breakdown_costs_one_job() {
        // Five by their number, by their bytes, and one whatever it has.
        for (jobs, bytes, most) in [(5, usize::MAX, 5), (100, 41, 5), (0, 100, 1), (100, 0, 1)] {
            bound(Ahead { jobs, bytes }, most);
        }
    }

    fn bound(ahead: Ahead, bound: usize) {
        let intake = Arc::new(Intake::new(ahead));
        let brought = Arc::new(AtomicUsize::new(0));
        let counted = brought.clone();
        bring(&intake, (0..300).inspect(move |_| _ = counted.fetch_add(1, Ordering::SeqCst)));
        let (mut taken, mut broken, mut most) = (0, 0, 0);
        let judge = |job: u64, _: &HelperPool<'_>| assert_ne!(job % 100, 99, "broken");
        let take = |answer: Result<(), Breakdown>| {
            most = most.max(brought.load(Ordering::SeqCst) - taken);
            taken += 1;
            broken += usize::from(answer.is_err());
            ControlFlow::Continue(())
        };
        intake.judge(3, judge, take).expect("threads");
        assert_eq!((taken, broken), (300, 3));
        assert!(most <= bound, "{most} ahead");
    }

    #[test]
    fn told_to_stop_it_finishes_what_it_has_begun_however_long_the_next_job_takes_to_come() {
        let intake = Arc::new(Intake::new(jobs(8)));
        let (never, comes) = mpsc::channel::<()>();
        // Two jobs, then none for ever.
        bring(&intake, (0..3).inspect(move |job| assert!(*job < 2 || comes.recv().is_ok(), "it ends with the test")));
        let mut taken = Vec::new();
        let judge = |job: u64, _: &HelperPool<'_>| {
            intake.stop();
            job
        };
        let take = |answer| {
            taken.push(answer);
            ControlFlow::Continue(())
        };
        intake.judge(1, judge, take).expect("threads");
        assert_eq!(taken, [Ok(0)], "the one that was begun");
        drop(never);
    }

    #[test]
    fn a_taker_that_breaks_ends_it() {
        let intake = Arc::new(Intake::new(jobs(4)));
        bring(&intake, 0..);
        let mut taken = 0;
        let take = |_: Result<u64, Breakdown>| {
            taken += 1;
            if taken == 10 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        };
        intake.judge(2, |job, _| job, take).expect("threads");
        assert_eq!(taken, 10);
        assert!(!intake.has_room());
    }
}
