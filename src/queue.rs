//! Many jobs on several threads, answers in the order of the jobs.
//!
//! Answers are handed over as soon as all earlier ones are, and only a bounded number of jobs is ever ahead of the
//! next answer: ten thousand jobs take no more memory than a handful.

use std::any::Any;
use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc;

use rayon::ThreadPoolBuilder;

use crate::inspection::Inspection;

/// Jobs per thread that may be started before the next answer is handed over.
const AHEAD_PER_THREAD: usize = 4;

/// A job that could not be judged.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unjudged {
    /// Path as given.
    pub path: String,
    /// Why, in one sentence.
    pub error: String,
}

/// What became of one job.
pub type Outcome = Result<Inspection, Unjudged>;

/// The judge broke down on a job: a fault of this program, not of the job.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("internal fault while judging: {0}")]
pub struct Breakdown(pub String);

impl Breakdown {
    fn of(panic: &(dyn Any + Send)) -> Self {
        let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
        Self(text.or_else(|| panic.downcast_ref::<String>().cloned()).unwrap_or_else(|| "no message".to_owned()))
    }
}

/// Judges every job and hands the answers to `take` in the order of `jobs`, on the calling thread.
///
/// `threads` of 0 means one per processor. A judge that breaks down costs that job only. When `take` breaks, no
/// further job is started. Fails only when the threads cannot be started.
pub fn run<J, T>(
    jobs: &[J],
    threads: usize,
    judge: impl Fn(&J) -> T + Sync,
    mut take: impl FnMut(usize, Result<T, Breakdown>) -> ControlFlow<()>,
) -> Result<(), rayon::ThreadPoolBuildError>
where
    J: Sync,
    T: Send,
{
    let pool = ThreadPoolBuilder::new().num_threads(threads).build()?;
    let ahead = pool.current_num_threads() * AHEAD_PER_THREAD;
    let (sender, receiver) = mpsc::channel();
    let judge = &judge;
    pool.in_place_scope(|scope| {
        let start = |index: usize| {
            let Some(job) = jobs.get(index) else { return };
            let sender = sender.clone();
            scope.spawn(move |_| {
                let answer = catch_unwind(AssertUnwindSafe(|| judge(job))).map_err(|panic| Breakdown::of(&*panic));
                // The receiver is gone when nobody wants further answers.
                let _ = sender.send((index, answer));
            });
        };
        (0..ahead).for_each(&start);
        let mut early = BTreeMap::new();
        for due in 0..jobs.len() {
            let answer = loop {
                if let Some(answer) = early.remove(&due) {
                    break answer;
                }
                let Ok((index, answer)) = receiver.recv() else { return };
                early.insert(index, answer);
            };
            if take(due, answer).is_break() {
                return;
            }
            start(due + ahead);
        }
    });
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::time::Duration;

    fn collect(jobs: &[u64], threads: usize) -> Vec<(usize, Result<u64, Breakdown>)> {
        let mut taken = Vec::new();
        let judge = |job: &u64| {
            // Early jobs take longest, so that finishing order differs from job order.
            std::thread::sleep(Duration::from_micros(3000 / (job + 1)));
            job * 10
        };
        run(jobs, threads, judge, |index, answer| {
            taken.push((index, answer));
            ControlFlow::Continue(())
        })
        .expect("threads start");
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
        let judge = |job: &u32| if *job == 2 { std::panic::panic_any("broken".to_owned()) } else { *job };
        run(&[1, 2, 3], 2, judge, |_, answer| {
            taken.push(answer);
            ControlFlow::Continue(())
        })
        .expect("threads start");
        assert_eq!(taken, [Ok(1), Err(Breakdown("broken".to_owned())), Ok(3)]);
    }

    #[test]
    fn never_runs_far_ahead_and_stops_when_told() {
        let started = AtomicUsize::new(0);
        let mut most = 0;
        let jobs: Vec<usize> = (0..500).collect();
        let judge = |_: &usize| started.fetch_add(1, Ordering::SeqCst);
        run(&jobs, 2, judge, |index, _| {
            most = most.max(started.load(Ordering::SeqCst) - index);
            if index == 20 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        })
        .expect("threads start");
        let ahead = 2 * AHEAD_PER_THREAD;
        assert!(most <= ahead, "{most} jobs ahead, {ahead} allowed");
        assert!(started.into_inner() <= 20 + ahead);
    }
}
