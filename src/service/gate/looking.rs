//! What a gate looks at, and what follows at once: sheets, decisions and the day, the folder of jobs, arrivals. What is not cleared
//! any more is taken back before anything else is done.

use super::*;

/// The folder of jobs is not read more often.
const LIST_EVERY: Duration = Duration::from_secs(2);

impl Gate {
    /// Looks at the sheets, the decisions, the day and the inbox. What is not cleared any more is taken back at once.
    ///
    /// # Errors
    /// Where a folder or the ledger cannot be used for now.
    pub fn look(&mut self, today: Day, now: Instant, tell: &mut dyn FnMut(Told)) -> Result<(), GateError> {
        let shelf = Arc::clone(&self.shelf);
        let tell: &mut dyn FnMut(Told) = &mut |told| {
            shelf.told(&told);
            tell(told);
        };
        let looked = self.look_at_all(today, now, tell);
        shelf.left(self.queue.len());
        looked
    }

    fn look_at_all(&mut self, today: Day, now: Instant, tell: &mut dyn FnMut(Told)) -> Result<(), GateError> {
        // Each is done whatever becomes of the others; the first fault is told.
        let sheets = self.look_at_sheets(now, tell);
        let settled = self.settle(today, tell);
        let found = self.look_at_jobs(now);
        let taken = self.take_in(today, now, tell);
        let out = self.let_out(tell);
        sheets.and(settled).and(found).and(taken).and(out)
    }

    fn look_at_sheets(&mut self, now: Instant, tell: &mut dyn FnMut(Told)) -> Result<(), GateError> {
        let looked = self.sheets.look(now, tell);
        // Sheets that cannot be read are in use no more.
        let have_changed = looked.as_ref().map_or_else(|_| self.sheets.forget(), |changed| *changed);
        if have_changed {
            // Only when all of it is done does it count as done.
            self.as_of = None;
        }
        // What lies on a card that was away, nobody has looked at since.
        let folders = self.places.cleared().map_err(self.folder("read", "cleared"))?;
        if folders.iter().any(|folder| !self.folders.contains(folder)) {
            self.as_of = None;
        }
        self.shelf.sheets(self.sheets.states());
        looked.map(|_| ()).map_err(self.folder("read", "machines"))
    }

    /// Takes back and queues what does not lie there for what holds now.
    fn settle(&mut self, today: Day, tell: &mut dyn FnMut(Told)) -> Result<(), GateError> {
        // In one that was deleted nobody's decisions would be found again.
        self.ledger.is_in_place()?;
        self.warn()?;
        self.look_at_stuck(today, tell)?;
        let as_of = (today, self.ledger.last_decision()?);
        match self.as_of.take() {
            Some(before) if before == as_of => {}
            // Only what decisions are about can lie elsewhere.
            Some((day, last)) if day == today => {
                let digests = self.ledger.decided_since(last)?;
                let concerned = |digest: &Option<String>| digest.as_ref().is_some_and(|own| digests.contains(own));
                let names = self.jobs.iter().filter(|(_, digest)| concerned(digest)).map(|(name, _)| name.clone());
                let names: BTreeSet<String> = names.collect();
                self.withdraw(today, Some(&names), tell)?;
                // Somebody waits for these.
                self.queue.retain(|name| !names.contains(name));
                self.queue.extend(names);
            }
            // A new day, another sheet: all of them.
            _ => {
                self.withdraw(today, None, tell)?;
                let queued: BTreeSet<String> = self.queue.iter().cloned().collect();
                let mut all: Vec<String> =
                    self.by_arrival().into_iter().filter(|name| !queued.contains(name)).collect();
                all.append(&mut self.queue);
                self.queue = all;
                for (folder, file, machine) in self.sheets.with_files() {
                    self.ledger.note_use(folder, file, machine)?;
                }
                self.let_old_go(today, tell)?;
            }
        }
        self.as_of = Some(as_of);
        self.folders = self.places.cleared().map_err(self.folder("read", "cleared"))?;
        self.warn()?;
        // The other machines have what is theirs; these are tried again at each look.
        match self.places.stuck().iter().next() {
            Some((machine, fault)) => Err(GateError::Stuck { machine: machine.clone(), fault: fault.clone() }),
            None => Ok(()),
        }
    }

    /// Tries again what could not be done in the folders of machines; once it can be, all is laid anew.
    fn look_at_stuck(&mut self, today: Day, tell: &mut dyn FnMut(Told)) -> Result<(), GateError> {
        let stuck: BTreeSet<String> = self.places.stuck().keys().cloned().collect();
        if stuck.is_empty() {
            return Ok(());
        }
        self.take_back(today, |machine| stuck.contains(machine), None, tell)?;
        // A folder that is gone holds nothing.
        for machine in &stuck {
            if !self.places.is_there(machine) {
                self.places.set_stuck(machine, None);
            } else if let (false, Err(error)) =
                (self.places.stuck().contains_key(machine), self.places.try_to_lay(machine))
            {
                self.places.set_stuck(machine, Some(format!("nothing can be laid there: {error}")));
            }
        }
        if self.places.stuck().len() < stuck.len() {
            self.as_of = None;
        }
        Ok(())
    }

    fn warn(&self) -> Result<(), GateError> {
        let warnings = self.clock_warning()?.into_iter().chain(self.away_warnings()).chain(self.stuck_warnings());
        self.shelf.set_warnings(warnings.chain(self.name_warnings()).collect());
        Ok(())
    }

    fn stuck_warnings(&self) -> impl Iterator<Item = String> {
        let stuck = self.places.stuck().iter();
        stuck.map(|(machine, fault)| GateError::Stuck { machine: machine.clone(), fault: fault.clone() }.to_string())
    }

    fn clock_warning(&self) -> Result<Option<String>, GateError> {
        Ok(self.ledger.lies_ahead()?.map(|latest| {
            format!(
                "The clock of this computer may be wrong: the ledger has an entry of {latest}, which is still to come. \
                 Decisions with a last day may count too long."
            )
        }))
    }

    fn away_warnings(&self) -> impl Iterator<Item = String> {
        let away = self.sheets.machines().map(|(folder, _)| folder).filter(|folder| self.places.is_away(folder));
        away.map(|folder| {
            format!(
                "cleared/{folder} leads nowhere: is its card away? Nothing is laid there until it is back, and what lies on \
                 it may not be cleared any more."
            )
        })
    }

    fn name_warnings(&self) -> impl Iterator<Item = String> {
        self.sheets.shared_names().into_iter().map(|name| {
            format!(
                "Several machines are called {name}: a refusal for one of them counts for all. Give each sheet a name of its own."
            )
        })
    }

    /// Finds jobs that somebody has taken out of their folder, or laid there.
    fn look_at_jobs(&mut self, now: Instant) -> Result<(), GateError> {
        // The folder is read when it has changed, and not at each arrival among many.
        let jobs = self.places.jobs();
        let changed = jobs.metadata().and_then(|found| found.modified()).map_err(self.folder("read", "jobs"))?;
        let is_due = |(at, seen)| seen != changed && now.saturating_duration_since(at) >= LIST_EVERY;
        if self.kept_as_of.is_none_or(is_due) {
            let there = places::names(&jobs).map_err(self.folder("read", "jobs"))?;
            let there: BTreeSet<String> = there.into_iter().filter(|name| names::is_ours(name)).collect();
            let known: BTreeSet<String> = self.jobs.keys().cloned().collect();
            for name in there.difference(&known).filter(|name| jobs.join(name).is_file()) {
                self.shelve(name, None);
            }
            let queued: BTreeSet<String> = self.queue.iter().cloned().collect();
            self.queue.extend(there.symmetric_difference(&known).filter(|name| !queued.contains(*name)).cloned());
            self.kept_as_of = Some((now, changed));
        }
        Ok(())
    }

    /// Takes in what has come by the inbox and past it.
    fn take_in(&mut self, today: Day, now: Instant, tell: &mut dyn FnMut(Told)) -> Result<(), GateError> {
        let found = self.inbox.look(now, &self.places, &self.room, self.jobs.len(), tell);
        let (mut jobs, fault) = match found {
            Ok(Found { jobs, fault: None }) => (jobs, None),
            Ok(Found { jobs, fault: Some((name, error)) }) => {
                (jobs, Some(self.folder("take in", &format!("inbox/{}", name.to_string_lossy()))(error)))
            }
            Err(error) => (Vec::new(), Some(self.folder("take jobs in from", "inbox")(error))),
        };
        let wanted: Vec<String> = jobs.iter().map(|job| job.name.clone()).collect();
        for ask in self.asks.1.try_iter() {
            match ask {
                Ask::In(arrived) => {
                    tell(Told::TakenIn { from: arrived.from.clone(), name: arrived.name.clone() });
                    // Whoever sends it anew wants it back.
                    self.leaving.remove(&arrived.name);
                    jobs.push(arrived);
                }
                Ask::Out(name) => drop(self.leaving.insert(name)),
                Ask::Anew(name) => {
                    self.queue.retain(|queued| *queued != name);
                    if self.jobs.contains_key(&name) {
                        self.queue.push(name);
                    }
                }
            }
        }
        // The same goes for what came by the inbox, whatever was asked for before.
        for name in &wanted {
            self.leaving.remove(name);
        }
        let mut fault = fault.map_or(Ok(()), Err);
        // The first to arrive is the first to be judged.
        for job in jobs.into_iter().rev() {
            self.queue.retain(|name| *name != job.name);
            if self.jobs.contains_key(&job.name) {
                let noted = self.ledger.note_wanted(&job.digest, today);
                fault = fault.and(noted.map_err(GateError::from));
            }
            self.shelve(&job.name, Some(job.digest));
            self.queue.push(job.name);
        }
        fault
    }

    /// Takes out for good what somebody wants taken out; the ledger still knows what it got.
    fn let_out(&mut self, tell: &mut dyn FnMut(Told)) -> Result<(), GateError> {
        if self.leaving.is_empty() {
            return Ok(());
        }
        let keeping = Arc::clone(&self.keeping);
        let _keeping = keeping.write().unwrap_or_else(PoisonError::into_inner);
        // What was kept until now is told by now.
        let waiting: Vec<Ask> = self.asks.1.try_iter().collect();
        for ask in waiting {
            if let Ask::In(arrived) = &ask {
                self.leaving.remove(&arrived.name);
            }
            // Its turn comes with the next look.
            let _ = self.asks.0.send(ask);
        }
        let mut fault = None;
        for name in std::mem::take(&mut self.leaving) {
            if !self.jobs.contains_key(&name) {
                continue;
            }
            if let Err(error) = self.places.take_out(&name) {
                // Half of it may be done: nobody knows where it lies until it is tried again.
                self.shelf.unsettle(Some(&BTreeSet::from([name.clone()])));
                fault = fault.or(Some(self.folder("take out", &format!("jobs/{name}"))(error)));
                self.leaving.insert(name);
                continue;
            }
            self.jobs.remove(&name);
            self.queue.retain(|queued| *queued != name);
            self.shelf.gone(&name);
            tell(Told::TakenOut { name });
        }
        fault.map_or(Ok(()), Err)
    }

    fn by_arrival(&self) -> Vec<String> {
        let names = |held: &Held| held.rows().map(|row| row.name.clone()).collect::<Vec<_>>();
        let newest_first = self.shelf.read(names).into_iter();
        newest_first.rev().filter(|name| self.jobs.contains_key(name)).collect()
    }

    /// Takes back what is not known to be cleared as things are now.
    fn withdraw(
        &mut self,
        today: Day,
        only: Option<&BTreeSet<String>>,
        tell: &mut dyn FnMut(Told),
    ) -> Result<(), GateError> {
        // Nobody is to take them for cleared meanwhile.
        self.shelf.unsettle(only);
        self.take_back(today, |_| true, only, tell)?;
        for (folder, _) in self.sheets.machines() {
            self.places.open_for(folder).map_err(self.folder("make", "cleared"))?;
        }
        Ok(())
    }

    /// Takes back from these machines what is not known to be cleared. Where that cannot be done the folder is stuck, which is no
    /// fault here: the other machines go on.
    fn take_back(
        &mut self,
        today: Day,
        machines: impl Fn(&str) -> bool,
        only: Option<&BTreeSet<String>>,
        tell: &mut dyn FnMut(Told),
    ) -> Result<(), GateError> {
        let mut fault = None;
        // Asked for what lies there alone.
        let withdrawn = self.places.withdraw(machines, only, |folder, name| {
            let machine = self.sheets.machines().find(|(of, _)| *of == folder);
            let standing = machine.map_or(Ok(None), |(_, machine)| self.standing(name, machine, today));
            match standing {
                Ok(standing) => Some(standing.is_some_and(|standing| Place::of(&standing) == Place::Cleared)),
                Err(error) => {
                    fault = Some(error);
                    None
                }
            }
        });
        for Withdrawn { machine, gone: names, strange, fault } in withdrawn.map_err(self.folder("read", "cleared"))? {
            // Looking at some of what lies there does not show that all could be taken.
            if only.is_none() || fault.is_some() {
                self.places.set_stuck(&machine, fault);
            }
            for at in strange.into_iter().map(|name| format!("cleared/{machine}/{name}")) {
                if self.strange.insert(at.clone()) {
                    tell(Told::Left { at, why: "it did not come through this gate: nobody judged it".to_owned() });
                }
            }
            if !names.is_empty() {
                tell(Told::Withdrawn { machine, names });
            }
        }
        fault.map_or(Ok(()), Err)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::accepted::day_from;

    const SHEET: &str = include_str!("../../../corpus/machines/heron.toml");
    const JOB: &[u8] = include_bytes!("../../../corpus/jobs/heron-bracket.gcode");

    fn locked_card(path: &Path) -> io::Result<()> {
        let is_on_card = path.parent().is_some_and(|folder| folder.ends_with("cleared/heron"));
        if is_on_card { Err(io::ErrorKind::ReadOnlyFilesystem.into()) } else { std::fs::remove_file(path) }
    }

    /// What lies in the folder of a machine.
    fn cleared(gate: &Gate, machine: &str) -> usize {
        places::names(&gate.root.join("cleared").join(machine)).map_or(0, |names| names.len())
    }

    /// Looks, and works until nothing is left.
    fn go_on(gate: &mut Gate) -> Result<(), GateError> {
        let today = day_from("2027-03-01").expect("a day");
        let looked = gate.look(today, Instant::now(), &mut |_| ());
        while gate.step(today, &mut |_| ())? {}
        looked
    }

    #[test]
    fn a_card_that_takes_nothing_away_holds_up_no_other_machine() {
        let folder = tempfile::tempdir().expect("a folder");
        let at = |below: &str| folder.path().join(below);
        std::fs::create_dir_all(at("machines")).expect("a folder");
        std::fs::write(at("machines/heron.toml"), SHEET).expect("is written");
        std::fs::write(at("machines/other.toml"), SHEET.replacen("\"Heron\"", "\"Other\"", 1)).expect("is written");
        let settings =
            Settings { rest: Duration::ZERO, limit_bytes: None, keep_free_bytes: 0, jobs_most: 100, keep_days: None };
        let mut gate = Gate::open(folder.path(), settings).expect("opens");
        std::fs::write(at("inbox/bracket.gcode"), JOB).expect("is written");
        go_on(&mut gate).expect("all can be done");
        assert_eq!(["heron", "other"].map(|machine| cleared(&gate, machine)), [1, 1]);

        // Its sheet is gone, so nothing is cleared for it; but its card is locked.
        gate.places.remove_file = locked_card;
        std::fs::remove_file(at("machines/heron.toml")).expect("is removed");
        let fault = go_on(&mut gate).expect_err("it cannot be taken back").to_string();
        assert!(fault.starts_with("cleared/heron: bracket-") && fault.contains("Do not load"), "{fault}");
        assert!(gate.shelf().read(|held| held.warnings.contains(&fault)));
        assert_eq!(["heron", "other"].map(|machine| cleared(&gate, machine)), [1, 1]);
        // The others get what comes.
        std::fs::write(at("inbox/again.gcode"), [JOB, b"; the same again\n"].concat()).expect("is written");
        go_on(&mut gate).expect_err("it is told as long as it holds");
        assert_eq!(["heron", "other"].map(|machine| cleared(&gate, machine)), [1, 2]);
        // Nothing is laid on the locked card, though it is cleared for it again.
        std::fs::write(at("machines/heron.toml"), SHEET).expect("is written");
        go_on(&mut gate).expect("what lies there is cleared again");
        assert_eq!(["heron", "other"].map(|machine| cleared(&gate, machine)), [2, 2]);

        // A folder into which nothing can be laid: a link to one that is no folder of files.
        #[cfg(target_os = "linux")]
        {
            std::os::unix::fs::symlink("/proc/self", at("cleared/third")).expect("is linked");
            std::fs::write(at("machines/third.toml"), SHEET.replacen("\"Heron\"", "\"Third\"", 1)).expect("is written");
            let today = day_from("2027-03-01").expect("a day");
            gate.look(today, Instant::now(), &mut |_| ()).expect("nothing is to be laid yet");
            let mut faults = Vec::new();
            while gate.left() > 0 {
                faults.extend(gate.step(today, &mut |_| ()).err().map(|error| error.to_string()));
            }
            assert!(faults.len() == 1 && faults[0].contains("cannot be laid there"), "{faults:?}");
            go_on(&mut gate).expect_err("it is told as long as it holds");
            std::fs::remove_file(at("machines/third.toml")).expect("is removed");
            std::fs::remove_file(at("cleared/third")).expect("is removed");
            go_on(&mut gate).expect("the others have all that is theirs");
        }

        std::fs::remove_file(at("machines/heron.toml")).expect("is removed");
        go_on(&mut gate).expect_err("it cannot be taken back");
        gate.places.remove_file = |path| std::fs::remove_file(path);
        go_on(&mut gate).expect("it can be taken back by now");
        assert_eq!(["heron", "other"].map(|machine| cleared(&gate, machine)), [0, 2]);
        assert!(gate.shelf().read(|held| held.warnings.is_empty()));
    }
}
