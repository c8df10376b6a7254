//! Many jobs on several threads, answers in the order of the jobs.
//!
//! Answers are handed over as soon as all earlier ones are, and only a bounded number of jobs is ever ahead of the
//! next answer: ten thousand jobs take no more memory than a handful.

use std::any::Any;
use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{self, Receiver};

use rayon::{ThreadPool, ThreadPoolBuilder};

use crate::threads::HelperPool;

/// Jobs per thread that may be started before the next answer is handed over.
const AHEAD_PER_THREAD: usize = 4;

/// The judge broke down on a job: a fault of this program, not of the job.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("internal fault while judging: {0}")]
pub struct Breakdown(pub String);

impl Breakdown {
    /// What a judge says, or that it broke down.
    pub(crate) fn caught<T>(judge: impl FnOnce() -> T) -> Result<T, Self> {
        catch_unwind(AssertUnwindSafe(judge)).map_err(|panic| Self::of(&*panic))
    }

    fn of(panic: &(dyn Any + Send)) -> Self {
        let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
        Self(text.or_else(|| panic.downcast_ref::<String>().cloned()).unwrap_or_else(|| "no message".to_owned()))
    }
}

/// How many hands a pile of jobs gets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hands {
    /// Threads; 0 means one per processor.
    pub threads: usize,
    /// Most jobs that are judged at once; the threads left over help.
    pub jobs_at_once: usize,
}

/// Judges every job and hands the answers to `take` in the order of `jobs`, on the calling thread.
///
/// Each thread judges a job of its own as long as there are jobs to start; one
/// without helps the others with theirs. A judge that breaks down costs that job only. When `take` breaks, no further
/// job is started. Where the system gives fewer threads, these do the work, at worst the calling one alone.
pub fn run<'e, J, T>(
    jobs: &[J],
    hands: Hands,
    judge: impl Fn(&J, &HelperPool<'e>) -> T + Sync,
    take: impl FnMut(usize, Result<T, Breakdown>) -> ControlFlow<()>,
) where
    J: Sync,
    T: Send,
{
    let Some(pool) = pool(hands.threads) else { return one_by_one(jobs, judge, take) };
    let threads = pool.current_num_threads();
    let board = JobBoard::new(jobs.len(), threads * AHEAD_PER_THREAD, hands.jobs_at_once);
    let (sender, receiver) = mpsc::channel();
    let (board, judge) = (&board, &judge);
    pool.in_place_scope(|scope| {
        for _ in 0..threads {
            let sender = sender.clone();
            scope.spawn(move |_| {
                board.attend(|index| {
                    let answer = Breakdown::caught(|| judge(&jobs[index], &board.helpers));
                    // The receiver is gone when nobody wants further answers.
                    let _ = sender.send((index, answer));
                });
            });
        }
        // However this ends, by a panic too, nobody waits for jobs that will not be started.
        let _closing = CloseOnDrop(board);
        hand_over(board, &receiver, take);
    });
}

/// So many threads, or half of them while the system gives no more.
fn pool(threads: usize) -> Option<ThreadPool> {
    let of = |threads| ThreadPoolBuilder::new().num_threads(threads).build().ok();
    let most = if threads == 0 { std::thread::available_parallelism().map_or(1, usize::from) } else { threads };
    let halves = std::iter::successors(Some(most / 2), |threads| Some(threads / 2));
    of(threads).or_else(|| halves.take_while(|threads| *threads > 0).find_map(of))
}

fn one_by_one<'e, J, T>(
    jobs: &[J],
    judge: impl Fn(&J, &HelperPool<'e>) -> T,
    mut take: impl FnMut(usize, Result<T, Breakdown>) -> ControlFlow<()>,
) {
    let helpers = HelperPool::alone();
    for (index, job) in jobs.iter().enumerate() {
        if take(index, Breakdown::caught(|| judge(job, &helpers))).is_break() {
            return;
        }
    }
}

/// Hands the answers over in the order of the jobs, until `take` breaks or no more come.
fn hand_over<T>(
    board: &JobBoard<'_>,
    answers: &Receiver<(usize, Result<T, Breakdown>)>,
    mut take: impl FnMut(usize, Result<T, Breakdown>) -> ControlFlow<()>,
) {
    let mut early = BTreeMap::new();
    for due in 0..board.jobs {
        let answer = loop {
            if let Some(answer) = early.remove(&due) {
                break answer;
            }
            let Ok((index, answer)) = answers.recv() else { return };
            early.insert(index, answer);
        };
        if take(due, answer).is_break() {
            return;
        }
        board.handed_over.fetch_add(1, Ordering::SeqCst);
        board.helpers.wake();
    }
}

/// Closes the board when it goes.
struct CloseOnDrop<'d, 'e>(&'d JobBoard<'e>);

impl Drop for CloseOnDrop<'_, '_> {
    fn drop(&mut self) {
        self.0.close();
    }
}

/// Who does what next.
struct JobBoard<'e> {
    jobs: usize,
    ahead: usize,
    at_once: usize,
    started: AtomicUsize,
    answered: AtomicUsize,
    handed_over: AtomicUsize,
    helpers: HelperPool<'e>,
}

impl JobBoard<'_> {
    /// So many jobs, of which so many may be ahead of the next answer, and so many judged at once.
    fn new(jobs: usize, ahead: usize, at_once: usize) -> Self {
        Self {
            jobs,
            ahead,
            at_once: at_once.max(1),
            started: AtomicUsize::new(0),
            answered: AtomicUsize::new(0),
            handed_over: AtomicUsize::new(0),
            helpers: HelperPool::default(),
        }
    }

    /// As many jobs as may be started.
    fn most(&self) -> usize {
        let ahead = self.handed_over.load(Ordering::SeqCst).saturating_add(self.ahead);
        self.jobs.min(ahead).min(self.answered.load(Ordering::SeqCst).saturating_add(self.at_once))
    }

    /// The next job that may be started, if there is one.
    fn start(&self) -> Option<usize> {
        let most = self.most();
        self.started.fetch_update(Ordering::SeqCst, Ordering::SeqCst, |next| (next < most).then_some(next + 1)).ok()
    }

    /// True when every job that was started has its answer and no other will be.
    fn is_over(&self) -> bool {
        let started = self.started.load(Ordering::SeqCst);
        started >= self.jobs && self.answered.load(Ordering::SeqCst) >= started.min(self.jobs)
    }

    fn may_start(&self) -> bool {
        self.started.load(Ordering::SeqCst) < self.most()
    }

    /// No further job is started.
    fn close(&self) {
        let unstarted = self.jobs.saturating_sub(self.started.swap(self.jobs, Ordering::SeqCst));
        self.answered.fetch_add(unstarted, Ordering::SeqCst);
        self.helpers.wake();
    }

    /// Judges jobs, and helps where there are none to start.
    fn attend(&self, judge: impl Fn(usize)) {
        while !self.is_over() {
            if let Some(index) = self.start() {
                judge(index);
                self.answered.fetch_add(1, Ordering::SeqCst);
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

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::time::{Duration, Instant};

    use super::*;
    use crate::threads::SharedWork;

    const TWO: Hands = Hands { threads: 2, jobs_at_once: usize::MAX };

    #[test]
    fn no_more_jobs_are_judged_at_once_than_allowed() {
        let (now, most) = (AtomicUsize::new(0), AtomicUsize::new(0));
        let judge = |_: &usize, _: &HelperPool<'_>| {
            most.fetch_max(now.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
            std::thread::sleep(Duration::from_micros(200));
            now.fetch_sub(1, Ordering::SeqCst);
        };
        let mut answers = 0;
        run(&[0; 60], Hands { threads: 4, jobs_at_once: 2 }, judge, |_, _| {
            answers += 1;
            ControlFlow::Continue(())
        });
        assert_eq!((answers, most.into_inner() <= 2), (60, true));
    }

    fn collect(jobs: &[u64], threads: usize) -> Vec<(usize, Result<u64, Breakdown>)> {
        let mut taken = Vec::new();
        let judge = |job: &u64, _: &HelperPool<'_>| {
            // Early jobs take longest, so that finishing order differs from job order.
            std::thread::sleep(Duration::from_micros(3000 / (job + 1)));
            job * 10
        };
        run(jobs, Hands { threads, jobs_at_once: usize::MAX }, judge, |index, answer| {
            taken.push((index, answer));
            ControlFlow::Continue(())
        });
        taken
    }

    #[test]
    fn answers_keep_the_order_of_the_jobs() {
        let jobs: Vec<u64> = (0..97).collect();
        let expected: Vec<_> = jobs.iter().map(|job| (*job as usize, Ok(job * 10))).collect();
        assert_eq!(collect(&jobs, 1), expected);
        assert_eq!(collect(&jobs, 4), expected);
    }

    #[test]
    fn nothing_to_do_is_fine() {
        assert_eq!(collect(&[], 4), []);
    }

    #[test]
    fn a_breakdown_costs_one_job_only() {
        let mut taken = Vec::new();
        let judge =
            |job: &u32, _: &HelperPool<'_>| if *job == 2 { std::panic::panic_any("broken".to_owned()) } else { *job };
        run(&[1, 2, 3], TWO, judge, |_, answer| {
            taken.push(answer);
            ControlFlow::Continue(())
        });
        assert_eq!(taken, [Ok(1), Err(Breakdown("broken".to_owned())), Ok(3)]);
    }

    #[test]
    fn never_runs_far_ahead_and_stops_when_told() {
        let started = AtomicUsize::new(0);
        let mut most = 0;
        let jobs: Vec<usize> = (0..500).collect();
        let judge = |_: &usize, _: &HelperPool<'_>| started.fetch_add(1, Ordering::SeqCst);
        run(&jobs, TWO, judge, |index, _| {
            most = most.max(started.load(Ordering::SeqCst) - index);
            if index == 20 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        });
        let ahead = 2 * AHEAD_PER_THREAD;
        assert!(most <= ahead, "{most} jobs ahead, {ahead} allowed");
        assert!(started.into_inner() <= 20 + ahead);
    }

    /// Counts who comes; the first one breaks down.
    #[derive(Default)]
    struct Bell(AtomicUsize);

    impl SharedWork for Bell {
        fn help(&self) {
            assert!(self.0.fetch_add(1, Ordering::SeqCst) > 0, "the first helper breaks down");
        }

        fn places(&self) -> usize {
            usize::MAX
        }
    }

    #[test]
    fn idle_threads_help_and_may_break_down() {
        let judge = |_: &(), helpers: &HelperPool<'_>| {
            let bell = Arc::new(Bell::default());
            let place = helpers.call(bell.clone());
            let asked = Instant::now();
            while bell.0.load(Ordering::SeqCst) < 2 && asked.elapsed() < Duration::from_secs(20) {
                std::thread::yield_now();
            }
            drop(place);
            bell.0.load(Ordering::SeqCst) >= 2
        };
        let mut helped = Vec::new();
        run(&[()], Hands { threads: 3, ..TWO }, judge, |_, answer| {
            helped.push(answer);
            ControlFlow::Continue(())
        });
        assert_eq!(helped, [Ok(true)]);
    }

    #[test]
    fn a_panic_of_the_taker_ends_the_threads() {
        let jobs: Vec<u32> = (0..50).collect();
        let ended = catch_unwind(AssertUnwindSafe(|| {
            run(&jobs, TWO, |job: &u32, _: &HelperPool<'_>| *job, |_, _| std::panic::panic_any("taker"))
        }));
        assert!(ended.is_err());
    }
}
