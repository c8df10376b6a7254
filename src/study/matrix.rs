//! Which machine can take which job: jobs judged on several machines.
//!
//! A job fits a machine where its verdict is milder than the one that counts as a failure. Nothing is judged anew here.

use crate::findings::{Inspection, MachineFacts, Unjudged, Verdict};

/// One job on each machine, in the order of the machines; or why it could not be judged on any.
pub type Judged = Result<Vec<Inspection>, Unjudged>;

/// What all jobs come to.
#[derive(Debug, Clone, PartialEq)]
pub struct Totals {
    /// Jobs, those that could not be judged included.
    pub jobs: u64,
    /// Jobs that could not be judged.
    pub unjudged: u64,
    /// Paths of the jobs that fit no machine, as given.
    pub fit_no_machine: Vec<String>,
    /// What each machine says, in the order given.
    pub machines: Vec<Tally>,
    refused_from: Option<Verdict>,
}

/// Verdicts of one machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Tally {
    /// Which machine.
    pub machine: MachineFacts,
    /// Jobs that are go, hold and no-go on it.
    pub verdicts: [u64; 3],
    /// Jobs that fit it.
    pub fit: u64,
}

impl Totals {
    /// No job yet. `refused_from` is the mildest verdict with which a job does not fit; without one all do.
    pub fn new(machines: impl IntoIterator<Item = MachineFacts>, refused_from: impl Into<Option<Verdict>>) -> Self {
        let tally = |machine| Tally { machine, verdicts: [0; 3], fit: 0 };
        let machines = machines.into_iter().map(tally).collect();
        Self { jobs: 0, unjudged: 0, fit_no_machine: Vec::new(), machines, refused_from: refused_from.into() }
    }

    /// True for a verdict with which a job fits.
    pub fn fits(&self, verdict: Verdict) -> bool {
        self.refused_from.is_none_or(|from| verdict < from)
    }

    /// Takes one job in.
    pub fn count(&mut self, judged: &Judged) {
        match judged {
            Ok(inspections) => {
                let path = inspections.first().map_or("", |first| &first.job.path);
                self.count_verdicts(path, inspections.iter().map(|inspection| inspection.verdict));
            }
            Err(_) => self.count_unjudged(),
        }
    }

    /// Takes in a job that could not be judged.
    pub fn count_unjudged(&mut self) {
        self.jobs += 1;
        self.unjudged += 1;
    }

    /// Takes in a job by its verdict on each machine.
    pub fn count_verdicts(&mut self, path: &str, verdicts: impl Iterator<Item = Verdict>) {
        self.jobs += 1;
        let mut fits_any = false;
        let refused_from = self.refused_from;
        for (tally, verdict) in self.machines.iter_mut().zip(verdicts) {
            let fits = refused_from.is_none_or(|from| verdict < from);
            tally.verdicts[verdict as usize] += 1;
            tally.fit += u64::from(fits);
            fits_any |= fits;
        }
        if !fits_any {
            self.fit_no_machine.push(path.to_owned());
        }
    }

    /// Jobs that could be judged.
    pub fn judged(&self) -> u64 {
        self.jobs - self.unjudged
    }

    /// Places of the machines that no job fits; none as long as no job could be judged.
    pub fn fit_by_no_job(&self) -> impl Iterator<Item = usize> {
        let known = self.judged() > 0;
        self.machines.iter().enumerate().filter(move |(_, tally)| known && tally.fit == 0).map(|(place, _)| place)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::sample;

    fn totals(refused_from: Verdict) -> Totals {
        let mut totals =
            Totals::new([sample::go().machine, sample::hold().machine, sample::go().machine], refused_from);
        let jobs: [Judged; 4] = [
            Ok(vec![sample::go(), sample::no_go(), sample::hold()]),
            Ok(vec![sample::no_go(), sample::no_go(), sample::no_go()]),
            Err(sample::unjudged()),
            Ok(vec![sample::hold(), sample::no_go(), sample::hold()]),
        ];
        jobs.iter().for_each(|judged| totals.count(judged));
        totals
    }

    #[test]
    fn the_level_decides_what_fits() {
        let at_no_go = totals(Verdict::NoGo);
        assert_eq!((at_no_go.jobs, at_no_go.unjudged, at_no_go.judged()), (4, 1, 3));
        assert_eq!(at_no_go.fit_no_machine, ["jobs/hook.gcode"]);
        assert_eq!(at_no_go.fit_by_no_job().collect::<Vec<_>>(), [1]);
        assert_eq!(at_no_go.machines.iter().map(|tally| tally.fit).collect::<Vec<_>>(), [2, 0, 2]);
        assert_eq!(at_no_go.machines[0].verdicts, [1, 1, 1]);
        let at_hold = totals(Verdict::Hold);
        // The last job is that of the sample on standard input.
        assert_eq!(at_hold.fit_no_machine, ["jobs/hook.gcode", "-"]);
        assert_eq!(at_hold.fit_by_no_job().collect::<Vec<_>>(), [1, 2]);
        assert!(at_hold.fits(Verdict::Go) && !at_hold.fits(Verdict::Hold));
    }

    #[test]
    fn where_nothing_could_be_judged_no_machine_is_blamed() {
        let mut totals = Totals::new([sample::go().machine], Verdict::NoGo);
        totals.count(&Err(sample::unjudged()));
        assert_eq!((totals.fit_by_no_job().count(), totals.fit_no_machine.len(), totals.judged()), (0, 0, 0));
    }
}
