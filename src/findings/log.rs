//! Collects hits and merges repeats.

use crate::block::Block;
use crate::findings::{Check, Excerpt, Finding, Hit, Hits, Severity, Spot};
use crate::geometry::{Box3, widen};
use crate::machine::Override;
use std::borrow::Cow;
use std::collections::BTreeMap;

/// Most findings kept after merging.
pub const FINDINGS_KEPT: usize = 1000;
/// Most line numbers kept per finding.
pub const LINES_KEPT: usize = 100;

#[derive(Clone)]
struct Merged {
    finding: Finding,
    /// Of its worst hit; none before the first.
    badness: Option<f64>,
    /// Every hit is placed, not only the first and the worst.
    is_unsafe: bool,
}

/// How many findings are remembered.
const RECENT: usize = 4;

/// Hits of that check, kind and severity of their own go into that finding.
#[derive(Clone, Copy)]
struct Recent {
    check: &'static Check,
    kind: u64,
    severity: Severity,
    at: usize,
}

impl Recent {
    fn holds(&self, hit: &Hit) -> bool {
        std::ptr::eq(self.check, hit.check) && self.kind == hit.kind && self.severity == hit.severity
    }
}

/// A hit whose line may have more moves than the blocks so far.
#[derive(Clone, Copy)]
struct Unsettled {
    at: usize,
    line: u64,
    /// First or worst of its finding.
    stands_out: bool,
    /// Where the machine is by now.
    place_mm: Option<[f64; 3]>,
}

impl Merged {
    /// Counts hits on these lines, which ascend, or one on none; true where the first comes before all others.
    #[inline]
    fn count(&mut self, lines: &[u64]) -> bool {
        self.finding.count += lines.len().max(1) as u64;
        let finding = &mut self.finding;
        let (Some(&first), Some(&last)) = (lines.first(), lines.last()) else { return false };
        let is_new_first = finding.line.is_none_or(|known| first < known);
        finding.line = Some(finding.line.map_or(first, |known| known.min(first)));
        finding.last_line = Some(finding.last_line.map_or(last, |known| known.max(last)));
        for &line in lines {
            match self.finding.lines.last() {
                Some(&known) if line <= known => self.keep_earlier(line),
                _ if self.finding.lines.len() < LINES_KEPT => self.finding.lines.push(line),
                _ => break,
            }
        }
        is_new_first
    }

    /// Keeps a line that comes before one that is kept, so that the first are kept whoever tells them when.
    fn keep_earlier(&mut self, line: u64) {
        let lines = &mut self.finding.lines;
        if let Err(at) = lines.binary_search(&line) {
            lines.insert(at, line);
            lines.truncate(LINES_KEPT);
        }
    }

    /// Whether a hit is worse than all before; of equals the earliest is, in whatever order they come.
    #[inline]
    fn is_worse(&self, line: Option<u64>, badness: f64) -> bool {
        let is_earlier = || line.zip(self.finding.worst_line).is_some_and(|(line, worst)| line < worst);
        self.badness.is_none_or(|known| badness > known || badness == known && is_earlier())
    }

    /// Takes over what a hit says that is worse than all before.
    #[inline]
    fn worsen(&mut self, line: Option<u64>, hit: &Hit, message: impl FnOnce() -> String) {
        self.badness = Some(hit.badness);
        let finding = &mut self.finding;
        finding.value = hit.value;
        finding.limit = hit.limit;
        finding.worst_line = line;
        finding.message = sentence(message());
    }

    /// Places the first and the worst line of the finding, where it is this one.
    fn put(&mut self, line: Option<u64>, place_mm: Option<[f64; 3]>) {
        let finding = &mut self.finding;
        if finding.line == line {
            finding.place_mm = place_mm;
        }
        if finding.worst_line == line {
            finding.worst_place_mm = place_mm;
        }
        self.reach(place_mm);
    }

    /// Takes the place of any hit.
    fn reach(&mut self, place_mm: Option<[f64; 3]>) {
        if let Some(place_mm) = place_mm.filter(|_| self.is_unsafe) {
            let at = Box3 { min: place_mm, max: place_mm };
            widen(self.finding.places_mm.get_or_insert(at), place_mm);
        }
    }
}

/// Messages read as sentences, wherever they come from.
fn sentence(mut message: String) -> String {
    if let Some(first) = message.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    if !message.ends_with(['.', '?', '!']) {
        message.push('.');
    }
    message
}

/// Worst severity first, then by first line, then by check and kind.
pub(crate) fn sort(findings: &mut [Finding]) {
    let place = |finding: &Finding| (std::cmp::Reverse(finding.severity), finding.line);
    findings.sort_by(|a, b| (place(a), &a.check, a.kind).cmp(&(place(b), &b.check, b.kind)));
}

/// The findings so far.
#[derive(Clone, Default)]
pub struct Log {
    merged: Vec<Merged>,
    by_key: BTreeMap<(&'static str, u64, Severity), usize>,
    /// The findings that hits were merged into last: a job with findings on every move looks up the same few.
    recent: [Option<Recent>; RECENT],
    /// Which of them goes next.
    oldest: usize,
    overrides: BTreeMap<String, Override>,
    wanted: Vec<(usize, u64)>,
    /// Findings and lines whose place the block in hand tells.
    unplaced: Vec<(usize, u64)>,
    /// The same for hits that are neither first nor worst.
    unreached: Vec<(usize, u64)>,
    /// Hits on the last line of the block before, which may go on in the next one.
    unsettled: Vec<Unsettled>,
    /// Findings that did not fit in the bound.
    pub dropped: u64,
}

impl Log {
    /// An empty log under the sheet's severities.
    pub fn new(overrides: &BTreeMap<String, Override>) -> Self {
        Self { overrides: overrides.clone(), ..Self::default() }
    }

    /// Adds a hit. `message` is called only for the first hit of its kind and for a new worst.
    pub fn raise(&mut self, hit: Hit, message: impl FnOnce() -> String) {
        self.add((hit.line > 0).then_some(hit.line).as_slice(), &hit, message);
    }

    /// Adds hits of one kind in the block in hand, with the same result as one by one, and takes them out.
    pub fn raise_all(&mut self, hits: &mut Hits, message: impl FnOnce(&Hit) -> String) {
        if let Some(worst) = hits.worst.take() {
            self.add(&hits.lines, &worst, || message(&worst));
        }
        hits.lines.clear();
    }

    /// Adds hits on these lines, which ascend, or one on none, of which `worst` is the worst.
    fn add(&mut self, lines: &[u64], worst: &Hit, message: impl FnOnce() -> String) {
        let Some(at) = self.place_for(worst, lines.len().max(1) as u64) else { return };
        let merged = &mut self.merged[at];
        let (first, worst_line) = (lines.first().copied(), (worst.line > 0).then_some(worst.line));
        let is_new_first = merged.count(lines);
        let is_new_worst = merged.is_worse(worst_line, worst.badness);
        if is_new_worst {
            merged.worsen(worst_line, worst, message);
        }
        if is_new_first {
            self.stands_out(at, first, worst.spot);
        }
        if is_new_worst && !(is_new_first && worst_line == first) {
            self.stands_out(at, worst_line, worst.spot);
        }
        if self.merged[at].is_unsafe {
            lines.iter().for_each(|line| self.reach(at, *line, worst.spot));
        }
    }

    /// The finding that so many hits go into, made where there is none; none where the sheet does not want it or there is no
    /// room.
    #[inline]
    fn place_for(&mut self, hit: &Hit, count: u64) -> Option<usize> {
        if let Some(&Recent { at, .. }) = self.recent.iter().flatten().find(|known| known.holds(hit)) {
            return Some(at);
        }
        let severity = match self.overrides.get(hit.check.id) {
            Some(Override::Off) => return None,
            Some(Override::Severity(severity)) => *severity,
            None => hit.severity,
        };
        let at = match self.by_key.get(&(hit.check.id, hit.kind, severity)) {
            Some(&at) => at,
            None if self.merged.len() >= FINDINGS_KEPT => {
                self.dropped += count;
                return None;
            }
            None => self.begin(severity, hit),
        };
        self.recent[self.oldest] = Some(Recent { check: hit.check, kind: hit.kind, severity: hit.severity, at });
        self.oldest = (self.oldest + 1) % RECENT;
        Some(at)
    }

    /// Makes a finding that nothing was counted of yet.
    fn begin(&mut self, severity: Severity, hit: &Hit) -> usize {
        let at = self.merged.len();
        self.by_key.insert((hit.check.id, hit.kind, severity), at);
        self.merged.push(Merged {
            badness: None,
            is_unsafe: hit.check.is_unsafe(severity),
            finding: Finding {
                check: hit.check.id.into(),
                kind: hit.kind,
                severity,
                line: None,
                last_line: None,
                count: 0,
                lines: Vec::new(),
                message: String::new(),
                value: None,
                worst_line: None,
                limit: None,
                unit: hit.unit.into(),
                excerpts: Vec::new(),
                place_mm: None,
                worst_place_mm: None,
                places_mm: None,
                accepted: None,
            },
        });
        at
    }

    /// A line has just become the first or the worst of a finding: it is shown and placed.
    fn stands_out(&mut self, at: usize, line: Option<u64>, spot: Spot) {
        self.wanted.extend(line.map(|line| (at, line)));
        let place_mm = match (line, spot) {
            (Some(line), Spot::InBlock) => {
                self.unplaced.push((at, line));
                None
            }
            (Some(_), Spot::At(place_mm)) => Some(place_mm),
            _ => None,
        };
        self.merged[at].put(line, place_mm);
    }

    /// Takes the place of another line.
    fn reach(&mut self, at: usize, line: u64, spot: Spot) {
        match spot {
            Spot::InBlock => self.unreached.push((at, line)),
            Spot::At(place_mm) => self.merged[at].reach(Some(place_mm)),
            Spot::Nowhere => {}
        }
    }

    /// Places the hits of the block that was just observed; `before` is where the machine was before it.
    ///
    /// A line of several moves may lie in several blocks, and where they are cut must not show: hits on the last line of
    /// the block wait for what follows.
    #[inline]
    pub fn locate(&mut self, block: &Block, before: Option<[f64; 3]>) {
        if self.unplaced.is_empty() && self.unreached.is_empty() && self.unsettled.is_empty() {
            return;
        }
        let (lines, homed) = (block.lines(), block.homed());
        let place_of = |line| block.place_behind(&homed, block.moves_to(line, block.len()), line, before);
        let mut waiting = std::mem::take(&mut self.unsettled);
        for hit in &mut waiting {
            if lines.is_some_and(|(first, _)| first <= hit.line) {
                hit.place_mm = place_of(hit.line);
            }
        }
        let placed = |(at, line)| Unsettled { at, line, stands_out: true, place_mm: place_of(line) };
        waiting.extend(self.unplaced.drain(..).map(placed));
        let goes_on = |line: u64| lines.is_none_or(|(_, last)| last <= line);
        waiting.retain(|hit| {
            if !goes_on(hit.line) {
                self.settle(*hit);
            }
            goes_on(hit.line)
        });
        // There may be one for every move. Those of one check come in the order of the moves.
        let mut moves = 0;
        for (at, line) in self.unreached.drain(..) {
            if goes_on(line) {
                let place_mm = place_of(line);
                waiting.push(Unsettled { at, line, stands_out: false, place_mm });
                continue;
            }
            moves = block.moves_to(line, moves);
            self.merged[at].reach(block.place_behind(&homed, moves, line, before));
        }
        self.unsettled = waiting;
    }

    fn settle(&mut self, Unsettled { at, line, stands_out, place_mm }: Unsettled) {
        match stands_out {
            true => self.merged[at].put(Some(line), place_mm),
            false => self.merged[at].reach(place_mm),
        }
    }

    /// Nothing follows.
    fn settle_all(&mut self) {
        for hit in std::mem::take(&mut self.unsettled) {
            self.settle(hit);
        }
    }

    /// Checks, kinds and severities of the findings so far.
    pub fn kinds(&self) -> impl Iterator<Item = (Cow<'static, str>, u64, Severity)> {
        self.merged.iter().map(|Merged { finding, .. }| (finding.check.clone(), finding.kind, finding.severity))
    }

    /// Gives all hits of a kind another severity and message, once it is known how much they weigh together; none of that
    /// kind may have the new severity already. A severity of the sheet stays.
    pub fn reconsider(&mut self, check: &'static Check, kind: u64, [from, to]: [Severity; 2], message: String) {
        let [from, to] = [from, to].map(|severity| match self.overrides.get(check.id) {
            Some(Override::Severity(set)) => *set,
            _ => severity,
        });
        let Some(at) = self.by_key.remove(&(check.id, kind, from)) else { return };
        self.by_key.insert((check.id, kind, to), at);
        self.recent = [None; RECENT];
        let finding = &mut self.merged[at].finding;
        (finding.severity, finding.message) = (to, sentence(message));
    }

    /// Takes over the findings of another log; the two must have raised different checks.
    pub fn absorb(&mut self, mut other: Self) {
        other.settle_all();
        self.recent = [None; RECENT];
        let offset = self.merged.len();
        self.merged.extend(other.merged);
        self.by_key.extend(other.by_key.into_iter().map(|(key, at)| (key, at + offset)));
        self.wanted.extend(other.wanted.into_iter().map(|(at, line)| (at + offset, line)));
        self.unplaced.extend(other.unplaced.into_iter().map(|(at, line)| (at + offset, line)));
        self.unreached.extend(other.unreached.into_iter().map(|(at, line)| (at + offset, line)));
        self.dropped += other.dropped;
    }

    /// Fetches the text of lines that new first or worst hits point at.
    pub fn capture(&mut self, mut text_of: impl FnMut(u64) -> Option<String>) {
        for (at, line) in self.wanted.drain(..) {
            let finding = &mut self.merged[at].finding;
            if finding.excerpts.iter().any(|excerpt| excerpt.line == line) {
                continue;
            }
            let Some(text) = text_of(line) else { continue };
            finding.excerpts.push(Excerpt { line, text });
            let (first, worst) = (finding.line, finding.worst_line);
            finding.excerpts.retain(|excerpt| [first, worst].contains(&Some(excerpt.line)));
            finding.excerpts.sort_by_key(|excerpt| Some(excerpt.line) != first);
        }
    }

    /// The findings: worst severity first, then by first line, then by check.
    pub fn into_findings(mut self) -> Vec<Finding> {
        self.settle_all();
        let mut findings: Vec<Finding> = self.merged.into_iter().map(|merged| merged.finding).collect();
        for finding in &mut findings {
            finding.lines.sort_unstable();
            finding.lines.dedup();
            finding.excerpts.retain(|e| Some(e.line) == finding.line || Some(e.line) == finding.worst_line);
        }
        sort(&mut findings);
        findings
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::{Built, Explanation};

    const PURGE: Check = Check {
        id: "purge-line",
        topic: "a topic",
        severity: Severity::Note,
        summary: "",
        explain: Explanation { what: "", why: "", how: "", remedy: "" },
        heat_or_travel: false,
        timed: false,
        unchecked: None,
        build: |_, _| Built::WithOthers,
    };

    #[test]
    fn hits_are_weighed_together_at_the_end() {
        let weighed = |set: Option<Override>| {
            let mut log = Log::new(&set.map(|set| ("purge-line".to_owned(), set)).into_iter().collect());
            for line in [4, 9] {
                log.raise(Hit::plain(&PURGE, 1, Severity::Note, line), || "early".to_owned());
            }
            log.reconsider(&PURGE, 2, [Severity::Note, Severity::NoGo], "another kind".to_owned());
            log.reconsider(&PURGE, 1, [Severity::Note, Severity::Hold], "late".to_owned());
            log.raise(Hit::plain(&PURGE, 1, Severity::Hold, 12), || "more".to_owned());
            let found = log.into_findings();
            found.into_iter().map(|f| (f.severity, f.count, f.lines, f.message)).collect::<Vec<_>>()
        };
        let late = |severity| vec![(severity, 3, vec![4, 9, 12], "Late.".to_owned())];
        assert_eq!(weighed(None), late(Severity::Hold));
        assert_eq!(weighed(Some(Override::Severity(Severity::Note))), late(Severity::Note));
        assert_eq!(weighed(Some(Override::Off)), []);
    }

    #[test]
    fn more_kinds_than_are_remembered_keep_apart() {
        let mut log = Log::default();
        for line in 0..350 {
            let severity = if line % 7 == 6 { Severity::Hold } else { Severity::Note };
            log.raise(Hit::plain(&PURGE, line % 6, severity, 1 + line), || "one".to_owned());
        }
        let found = log.into_findings();
        let kinds: std::collections::BTreeSet<_> = found.iter().map(|f| (f.severity, f.kind)).collect();
        assert_eq!((found.len(), kinds.len(), found.iter().map(|f| f.count).sum::<u64>()), (12, 12, 350));
        let is_right = |f: &Finding| {
            f.lines
                .iter()
                .all(|line| (line - 1) % 6 == f.kind && ((line - 1) % 7 == 6) == (f.severity == Severity::Hold))
        };
        assert!(found.iter().all(is_right), "{found:?}");
    }
}
