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
        let warnings: Vec<String> =
            self.clock_warning()?.into_iter().chain(self.away_warnings()).chain(self.name_warnings()).collect();
        self.shelf.set_warnings(warnings);
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
        Ok(())
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
        // Asked for what lies there alone.
        let mut fault = None;
        let is_cleared = |folder: &str, name: &str| {
            let machine = self.sheets.machines().find(|(of, _)| *of == folder);
            let standing = machine.map_or(Ok(None), |(_, machine)| self.standing(name, machine, today));
            match standing {
                Ok(standing) => Some(standing.is_some_and(|standing| Place::of(&standing) == Place::Cleared)),
                Err(error) => {
                    fault = Some(error);
                    None
                }
            }
        };
        let mut strangers = Vec::new();
        let withdrawn = self.places.withdraw(only, is_cleared, |machine, names, strange| {
            strangers.extend(strange.into_iter().map(|name| format!("cleared/{machine}/{name}")));
            if !names.is_empty() {
                tell(Told::Withdrawn { machine, names });
            }
        });
        for at in strangers {
            if self.strange.insert(at.clone()) {
                tell(Told::Left { at, why: "it did not come through this gate: nobody judged it".to_owned() });
            }
        }
        withdrawn.map_err(self.folder("take jobs back from", "cleared"))?;
        fault.map_or(Ok(()), Err)?;
        for (folder, _) in self.sheets.machines() {
            self.places.open_for(folder).map_err(self.folder("make", "cleared"))?;
        }
        Ok(())
    }
}
