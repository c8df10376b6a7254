//! How far limits may go, for people: per key what stops it, and the time saved on the way as bars.

use std::io::{self, Write};

use anstyle::{AnsiColor, Effects, Style};

use super::{CAUTION, Look, Report, not_judged};
use crate::findings::Worse;
use crate::machine::Machine;
use crate::show::marks::{severity_mark, severity_style, styled, verdict, verdict_style};
use crate::study::headroom::{
    Cap, Common, Direction, Found, Judged, Need, OFFSET_STEP_C, Outcome, Point, Range, RangeRequest, Stop, for_all,
};
use crate::wording::{counted, duration, grouped, number, pair, path, quantity, safe, units, with_unit, wrap};

/// Bars are drawn for that many keys at most.
const PLOTS_MAX: usize = 4;
const RAISING: &str = "Raise limits in small steps, attended, and feel the motors and drivers; the maker's documents \
    rule. Headroom knows the job, not the wear of the machine.";

/// What the reports on all jobs depend on.
#[derive(Debug, Clone)]
pub struct Shape {
    /// The machine as it is.
    pub machine: Machine,
    /// What was tried.
    pub wishes: Vec<RangeRequest>,
    /// Values up to so many times today's were tried.
    pub factor: f64,
    /// True when the keys were named one by one: they then keep their order.
    pub chosen: bool,
    /// How a page is laid out.
    pub look: Look,
}

/// Writes the report on all jobs.
pub type WriteAll = fn(&Shape, &[Outcome], &mut dyn Write) -> io::Result<()>;

/// The report in either form. What is safe for all jobs is only known after the last: they are kept until then.
pub struct HeadroomReport {
    shape: Shape,
    outcomes: Vec<Outcome>,
    write: WriteAll,
}

impl HeadroomReport {
    /// A renderer that has not taken any job; `write` is that of people or of programs.
    pub fn new(shape: Shape, write: WriteAll) -> Self {
        Self { shape, outcomes: Vec::new(), write }
    }
}

impl Report<Outcome, ()> for HeadroomReport {
    fn add(&mut self, outcome: &Outcome, _: &mut dyn Write) -> io::Result<()> {
        self.outcomes.push(outcome.clone());
        Ok(())
    }

    fn finish(&mut self, (): &(), out: &mut dyn Write) -> io::Result<()> {
        (self.write)(&self.shape, &self.outcomes, out)
    }
}

/// For people.
///
/// # Errors
/// What the writer says.
pub fn write(shape: &Shape, outcomes: &[Outcome], out: &mut dyn Write) -> io::Result<()> {
    let Shape { machine, wishes, chosen, look, .. } = shape;
    let mut page = Page { look: *look, out };
    let judged: Vec<&Judged> = outcomes.iter().filter_map(|outcome| outcome.as_ref().ok()).collect();
    match (&judged[..], outcomes.len()) {
        ([judged], 1) => page.job(machine, judged, *chosen)?,
        _ => page.jobs(machine, wishes, &judged, outcomes)?,
    }
    page.blank()?;
    if !wishes.is_empty() {
        page.text(RAISING, "")?;
    }
    page.text(CAUTION, "")
}

struct Page<'a> {
    look: Look,
    out: &'a mut dyn Write,
}

impl Page<'_> {
    fn blank(&mut self) -> io::Result<()> {
        writeln!(self.out)
    }

    /// A paragraph, further lines under the first.
    fn text(&mut self, text: &str, indent: &str) -> io::Result<()> {
        for line in wrap(text, self.look.width.saturating_sub(indent.len()).max(20)) {
            writeln!(self.out, "{indent}{line}")?;
        }
        Ok(())
    }

    fn title(&mut self, text: &str) -> io::Result<()> {
        for line in wrap(text, self.look.width) {
            writeln!(self.out, "{}", styled(&line, Style::new().effects(Effects::BOLD), self.look.color))?;
        }
        Ok(())
    }

    fn job(&mut self, machine: &Machine, judged: &Judged, chosen: bool) -> io::Result<()> {
        let word = verdict(judged.verdict);
        // Where the sheet has a clock, other reports say the time by it.
        let how = if machine.clock.is_some() { "planned " } else { "" };
        let time = format!("{how}{}", duration(judged.time_s));
        self.title(&format!("Headroom of {} on {}", path(&judged.path), safe(&machine.name)))?;
        writeln!(self.out, "{} today, {time}", styled(word, verdict_style(judged.verdict), self.look.color))?;
        if let Some(waiting_s) = judged.waiting_s {
            let waiting = duration(waiting_s);
            self.text(&format!("Of that {waiting} or more are waiting for late commands, counted here as that."), "")?;
        }
        if !judged.not_judged.is_empty() {
            self.text(&not_judged(&judged.not_judged), "")?;
        }
        if !judged.already.is_empty() {
            let found = judged.already.join(", ");
            self.text(&format!("Found today already, so counted only where it gets worse: {found}."), "")?;
        }
        if judged.sets_limits {
            self.text(
                "The job sets limits itself (M201, M203, M204, M205), in place of the sheet's from there on.",
                "",
            )?;
        }
        let mut ranges: Vec<&Range> = judged.ranges.iter().filter(|range| !range.has_no_effect()).collect();
        if !chosen {
            ranges.sort_by(|a, b| saved(b, b.last_safe()).total_cmp(&saved(a, a.last_safe())));
        }
        for range in &ranges {
            self.blank()?;
            self.range(range)?;
        }
        let plots = if chosen { PLOTS_MAX } else { 1 };
        for range in ranges.iter().filter(|range| range.points.len() > 1).take(plots) {
            self.blank()?;
            self.bars(range)?;
        }
        let idle: Vec<&Range> = judged.ranges.iter().filter(|range| range.has_no_effect()).collect();
        if !idle.is_empty() {
            self.blank()?;
            let keys: Vec<&str> = idle.iter().map(|range| range.wish.key.as_str()).collect();
            self.text(&format!("Without effect on this job: {}.", keys.join(", ")), "")?;
            for range in idle {
                if let Some(cap) = &range.capped_by {
                    self.text(&range.wish.key, "  ")?;
                    self.cap(range, cap)?;
                }
            }
        }
        self.needs(&judged.needs)
    }

    fn range(&mut self, range: &Range) -> io::Result<()> {
        let (today, safe_point) = (range.today(), range.last_safe());
        self.title(&range.wish.key)?;
        let (from, to) = (today.value.to_string(), exact(safe_point.value, range.unit));
        self.text(&format!("{from} → {to} {}", effect(range, safe_point)), "  ")?;
        match range.stop() {
            Some(stop) if stop.worse.is_some() => self.already_over(range, stop)?,
            Some(stop) => self.stop(stop)?,
            None if range.points.len() > 1 && range.end.is_none() => {
                let what = match range.wish.direction {
                    Direction::Raise => "no check that runs stops it up to there; not tried beyond",
                    Direction::Lower => "no check that runs stops it down to there; not tried beyond",
                };
                self.text(what, "  ")?;
            }
            None => {}
        }
        let flat = range.points.iter().take_while(|point| point.value != safe_point.value);
        if let Some(from) = flat.skip(1).find(|point| point.time_s == safe_point.time_s) {
            self.text(&format!("nothing more is gained from {} on", exact(from.value, range.unit)), "  ")?;
        }
        if let Some(cap) = &range.capped_by {
            self.cap(range, cap)?;
        }
        if let Some(step) = range.resolution().filter(|_| range.points.len() > 1) {
            self.text(&format!("searched in steps of {} % at most", number(step * 100.0)), "  ")?;
        }
        if range.wish.is_offset() {
            if let Some(fits) = range.fits_at() {
                let by = fits.value - range.today().value;
                let how = if by > 0.0 { "more" } else { "less" };
                self.text(&format!("fits at {} {how}", exact(by.abs(), range.unit)), "  ")?;
            }
            self.text(&format!("searched in steps of {}", exact(OFFSET_STEP_C, range.unit)), "  ")?;
        }
        if let Some(end) = &range.end {
            self.text(&format!("not tried further: {}", safe(end)), "  ")?;
        }
        for (from, to, checks) in range.relief() {
            let (from, to) = (from.value, exact(to.value, range.unit));
            self.text(&format!("{} is found less or not between {from} and {to}", checks.join(", ")), "  ")?;
        }
        for pair in range.crossings.get(1..).unwrap_or_default().chunks(2) {
            let from = exact(pair[0].stands.value, range.unit);
            let text = match pair.get(1) {
                Some(end) => format!("stands again from {from} to {}", exact(end.stands.value, range.unit)),
                None => format!("stands again from {from} on"),
            };
            self.text(&text, "  ")?;
        }
        Ok(())
    }

    /// What is found today already and each step makes worse, and where it would be gone.
    fn already_over(&mut self, range: &Range, stop: &Stop) -> io::Result<()> {
        let last = range.points.last().unwrap_or(range.today());
        let at = |found: &[Found]| found.iter().find(|found| found.check == stop.check).cloned();
        let far = at(&last.found).and_then(|found| match stop.worse? {
            Worse::Value { before, limit, .. } => {
                Some(format!("{} → {} (limit {})", number(before), quantity(found.value?, &stop.unit), number(limit)))
            }
            Worse::Count { before, .. } => {
                Some(format!("{} → {}", grouped(before), counted(found.count, "time", "times")))
            }
        });
        let lead = format!("{} {} is over already", severity_mark(stop.severity), stop.check);
        let text = match far {
            Some(far) => format!("{lead}; going on makes it worse: {far} at {}", exact(last.value, range.unit)),
            None => format!("{lead}, and gets worse from there on"),
        };
        self.text(&text, "  ")?;
        match &range.within {
            Some(within) => self.text(&format!("it would be within at {}", exact(within.value, range.unit)), "  "),
            None => self.text("no value tried the other way takes it away", "  "),
        }
    }

    /// What holds a key back, and what raising all together gains.
    fn cap(&mut self, range: &Range, cap: &Cap) -> io::Result<()> {
        let gain = range.today().time_s - cap.time_s;
        let (keys, value) = (cap.keys.join(", "), exact(cap.value, range.unit));
        self.text(&format!("held back by {keys}: raised together with it to {value}, all save {}", short(gain)), "  ")?;
        match &cap.stop {
            Some(stop) => self.stop(stop),
            None => Ok(()),
        }
    }

    fn stop(&mut self, stop: &Stop) -> io::Result<()> {
        let place = stop.line.map(|line| format!(", line {line}")).unwrap_or_default();
        let text =
            format!("then {} {}{place}: {}", severity_mark(stop.severity), stop.check, units(&safe(&stop.message)));
        for (nth, line) in wrap(&text, self.look.width.saturating_sub(2).max(20)).iter().enumerate() {
            let style = if nth == 0 { severity_style(stop.severity) } else { Style::new() };
            writeln!(self.out, "  {}", styled(line, style, self.look.color))?;
        }
        Ok(())
    }

    /// Time saved against the value, what does not stand marked.
    fn bars(&mut self, range: &Range) -> io::Result<()> {
        let mut points: Vec<&Point> = range.points.iter().collect();
        points.extend(range.crossings.iter().flat_map(|crossing| [&crossing.stands, &crossing.fails]));
        points.sort_by(|a, b| a.value.total_cmp(&b.value));
        points.dedup_by(|a, b| a.value == b.value);
        if range.wish.direction == Direction::Lower {
            points.reverse();
        }
        let most = points.iter().map(|point| saved(range, point).abs()).fold(0.0, f64::max);
        let digits = points.iter().map(|point| point.value.to_string().chars().count()).max().unwrap_or(1);
        // Value, mark and the figure behind the bar.
        let room = self.look.width.saturating_sub(digits + 6 + 14).clamp(8, 48);
        self.text(&format!("{}, {}: time saved", range.wish.key, units(range.unit)), "")?;
        for point in points {
            let (mark, style) = match &point.stop {
                None => ('●', AnsiColor::Green.on_default()),
                Some(stop) => (severity_mark(stop.severity), severity_style(stop.severity)),
            };
            let gain = saved(range, point);
            let bar = if most > 0.0 { bar(gain.max(0.0) / most, room) } else { String::new() };
            let figure = match gain {
                gain if gain > 0.0 => short(gain),
                gain if gain < 0.0 => format!("{} longer", short(-gain)),
                _ => "0 s".to_owned(),
            };
            let value = point.value.to_string();
            let mark = styled(&mark.to_string(), style, self.look.color);
            let blank = if bar.is_empty() { "" } else { " " };
            writeln!(self.out, "  {value:>digits$} {mark} {bar}{blank}{figure}")?;
        }
        Ok(())
    }

    fn needs(&mut self, needs: &[Need]) -> io::Result<()> {
        if needs.is_empty() {
            return Ok(());
        }
        self.blank()?;
        self.title("What the job needs, planned as on this machine")?;
        let width = needs.iter().map(|need| need.what.chars().count()).max().unwrap_or(0);
        for need in needs {
            let bound = if need.at_most { "at most" } else { "at least" };
            // What is printed must suffice, so it is rounded away from what would not.
            let enough = outward(need.needed, need.at_most);
            let (needed, given) = match need.given {
                Some(given) => pair(enough, given),
                None => (number(enough), String::new()),
            };
            let mut text = format!("{:<width$}  {bound} {}", need.what, with_unit(needed, need.unit));
            match need.given {
                Some(_) => text += &format!(", sheet: {given}"),
                None => text += ", not in the sheet",
            }
            if let Some(line) = need.line {
                text += &format!(" (line {line})");
            }
            let style = if need.is_short() { AnsiColor::Red.on_default().bold() } else { Style::new() };
            let mark = if need.is_short() { "short: " } else { "" };
            for line in wrap(&format!("{mark}{text}"), self.look.width.saturating_sub(2).max(20)) {
                writeln!(self.out, "  {}", styled(&line, style, self.look.color))?;
            }
        }
        Ok(())
    }

    fn jobs(
        &mut self,
        machine: &Machine,
        wishes: &[RangeRequest],
        judged: &[&Judged],
        all: &[Outcome],
    ) -> io::Result<()> {
        let count = counted(judged.len() as u64, "job", "jobs");
        self.title(&format!("Headroom of {count} on {}", safe(&machine.name)))?;
        for outcome in all {
            if let Err(unjudged) = outcome {
                self.text(&format!("? unread: {}", safe(&unjudged.error)), "")?;
            }
        }
        self.today(judged)?;
        if let Some(open) = judged.iter().map(|job| &job.not_judged).find(|open| !open.is_empty()) {
            self.text(&not_judged(open), "")?;
        }
        for (at, wish) in wishes.iter().enumerate() {
            if let Some(common) = for_all(judged, at) {
                self.blank()?;
                self.title(&wish.key)?;
                self.common(&common, judged, at)?;
            }
        }
        for job in judged.iter().filter(|job| !job.needs.is_empty()) {
            self.blank()?;
            self.title(&path(&job.path))?;
            self.needs(&job.needs)?;
        }
        Ok(())
    }

    /// Each job as it is today, and what therefore does not count.
    fn today(&mut self, judged: &[&Judged]) -> io::Result<()> {
        for job in judged {
            let word = styled(verdict(job.verdict), verdict_style(job.verdict), self.look.color);
            writeln!(self.out, "{word} {}", path(&job.path))?;
            if !job.already.is_empty() {
                self.text(&format!("found today already: {}", job.already.join(", ")), "    ")?;
            }
            if job.sets_limits {
                self.text("sets limits itself, in place of the sheet's", "    ")?;
            }
        }
        let spoken = judged.iter().filter(|job| !job.already.is_empty()).count() as u64;
        if spoken > 0 {
            let many = counted(spoken, "job", "jobs");
            self.text(
                &format!("What is found today already on {many} is counted below only where it gets worse."),
                "",
            )?;
        }
        Ok(())
    }

    /// How far the wish of that number may go for all jobs, and which of them binds it.
    fn common(&mut self, common: &Common<'_>, judged: &[&Judged], wish: usize) -> io::Result<()> {
        let (today, safe_value) = (common.today, exact(common.value, common.unit));
        match common.binding {
            Some((job, stop)) => {
                self.text(&format!("{today} → {safe_value} for all; bound by {}", path(&job.path)), "  ")?;
                self.stop(stop)?;
            }
            None => self.text(&format!("{today} → {safe_value}: no job stops it"), "  ")?,
        }
        let idle = judged.iter().filter(|job| job.ranges[wish].has_no_effect()).count() as u64;
        if idle > 0 {
            self.text(&format!("without effect on {}", counted(idle, "job", "jobs")), "  ")?;
        }
        Ok(())
    }
}

/// All digits: a value that is rounded may be on the other side of the limit.
fn exact(value: f64, unit: &str) -> String {
    with_unit(value.to_string(), unit)
}

/// To a hundredth, upwards, or downwards where less is more.
fn outward(value: f64, down: bool) -> f64 {
    let hundredths = value * 100.0;
    let rounded = if (hundredths - hundredths.round()).abs() < 1e-6 {
        hundredths.round()
    } else if down {
        hundredths.floor()
    } else {
        hundredths.ceil()
    };
    rounded / 100.0
}

fn saved(range: &Range, point: &Point) -> f64 {
    range.today().time_s - point.time_s
}

fn effect(range: &Range, point: &Point) -> String {
    let gain = saved(range, point);
    let share = if range.today().time_s > 0.0 { gain.abs() / range.today().time_s * 100.0 } else { 0.0 };
    match gain {
        gain if gain > 0.0 => format!("saves {} ({share:.1} %)", short(gain)),
        gain if gain < 0.0 => format!("takes {} longer ({share:.1} %)", short(-gain)),
        _ => "takes the same time".to_owned(),
    }
}

/// A duration that never looks like none.
fn short(seconds: f64) -> String {
    if seconds < 0.05 { "under 0.1 s".to_owned() } else { duration(seconds) }
}

/// A bar of eighths of a column.
fn bar(share: f64, room: usize) -> String {
    const PARTS: [&str; 8] = ["", "▏", "▎", "▍", "▌", "▋", "▊", "▉"];
    let eighths = (share * room as f64 * 8.0).round() as usize;
    "█".repeat(eighths / 8) + PARTS[eighths % 8]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::{Severity, Verdict};

    fn point(value: f64, time_s: f64, stop: Option<&str>) -> Point {
        let stop = stop.map(|message| Stop {
            check: "melt-peak-exceeded".into(),
            severity: Severity::Hold,
            line: Some(812),
            message: message.to_owned(),
            value: Some(12.01),
            limit: Some(12.0),
            unit: "mm3/s".into(),
            worse: None,
            by_audit: false,
        });
        Point { value, time_s, stop, gone: Vec::new(), found: Vec::new() }
    }

    fn judged(name: &str, limit: f64) -> Judged {
        let wish = RangeRequest { key: "motion.acceleration_mm_s2.printing".to_owned(), direction: Direction::Raise };
        let message = "The melt rate peaks at 12.01 mm3/s; the hotend takes 12 mm3/s.";
        let range = Range {
            wish: wish.clone(),
            unit: "mm/s²",
            points: vec![point(800.0, 751.0, None), point(1600.0, 690.0, None), point(3200.0, 660.0, Some(message))],
            crossings: vec![crate::study::headroom::Crossing {
                stands: point(limit, 675.5, None),
                fails: point(limit * 1.0002, 675.4, Some(message)),
            }],
            end: None,
            within: None,
            capped_by: None,
        };
        let idle = Range {
            wish: RangeRequest { key: "motion.feed_rate_limit_mm_s.x".to_owned(), ..wish },
            unit: "mm/s",
            points: vec![point(180.0, 751.0, None), point(360.0, 751.0, None)],
            crossings: vec![],
            end: None,
            within: None,
            capped_by: None,
        };
        let need = Need {
            what: "momentary melt rate".to_owned(),
            needed: 13.0,
            given: Some(12.0),
            unit: "mm3/s",
            at_most: false,
            line: Some(812),
        };
        Judged {
            path: format!("jobs/{name}.gcode"),
            verdict: Verdict::Go,
            time_s: 751.0,
            already: vec!["extrudes-cold".into()],
            waiting_s: None,
            not_judged: Vec::new(),
            sets_limits: name == "hook",
            ranges: vec![range, idle],
            needs: vec![need],
            plans: 28,
        }
    }

    fn page(outcomes: &[Outcome], width: usize) -> String {
        let machine = Machine::built_in();
        let Ok(first) = &outcomes[0] else { panic!("the first is judged") };
        let wishes: Vec<RangeRequest> = first.ranges.iter().map(|range| range.wish.clone()).collect();
        let mut text = Vec::new();
        let look = Look { width, color: false };
        let mut report = HeadroomReport::new(Shape { machine, wishes, factor: 10.0, chosen: true, look }, write);
        outcomes.iter().try_for_each(|outcome| report.add(outcome, &mut text)).expect("memory can be written");
        report.finish(&(), &mut text).expect("memory can be written");
        String::from_utf8(text).expect("UTF-8")
    }

    #[test]
    fn one_job() {
        snapbox::assert_data_eq!(
            page(&[Ok(judged("hook\x1b[2J", 2412.3))], 60),
            snapbox::str![[r#"
Headroom of jobs/hook·[2J.gcode on built-in cautious machine
● go today, 12 min 31 s
Found today already, so counted only where it gets worse:
extrudes-cold.

motion.acceleration_mm_s2.printing
  800 → 2412.3 mm/s² saves 1 min 16 s (10.1 %)
  then ◆ melt-peak-exceeded, line 812: The melt rate peaks
  at 12.01 mm³/s; the hotend takes 12 mm³/s.
  searched in steps of 100 % at most

motion.acceleration_mm_s2.printing, mm/s²: time saved
                 800 ● 0 s
                1600 ● ██████████████▊ 1 min 01 s
              2412.3 ● ██████████████████▎ 1 min 16 s
  2412.7824600000004 ◆ ██████████████████▎ 1 min 16 s
                3200 ◆ ██████████████████████ 1 min 31 s

Without effect on this job: motion.feed_rate_limit_mm_s.x.

What the job needs, planned as on this machine
  short: momentary melt rate at least 13 mm³/s, sheet: 12
  (line 812)

Raise limits in small steps, attended, and feel the motors
and drivers; the maker's documents rule. Headroom knows the
job, not the wear of the machine.
Never leave a heating or moving machine unattended. This
report does not replace the maker's documents or local
codes.

"#]]
        );
    }

    #[test]
    fn several_jobs() {
        let lost = crate::findings::sample::unjudged();
        let outcomes = [Ok(judged("hook", 2412.3)), Err(lost), Ok(judged("bracket", 1100.0))];
        snapbox::assert_data_eq!(
            page(&outcomes, 80),
            snapbox::str![[r#"
Headroom of 2 jobs on built-in cautious machine
? unread: cannot read jobs/lost.gcode: no such file
● go jobs/hook.gcode
    found today already: extrudes-cold
    sets limits itself, in place of the sheet's
● go jobs/bracket.gcode
    found today already: extrudes-cold
What is found today already on 2 jobs is counted below only where it gets worse.

motion.acceleration_mm_s2.printing
  800 → 1100 mm/s² for all; bound by jobs/bracket.gcode
  then ◆ melt-peak-exceeded, line 812: The melt rate peaks at 12.01 mm³/s; the
  hotend takes 12 mm³/s.

motion.feed_rate_limit_mm_s.x
  180 → 360 mm/s: no job stops it
  without effect on 2 jobs

jobs/hook.gcode

What the job needs, planned as on this machine
  short: momentary melt rate at least 13 mm³/s, sheet: 12 (line 812)

jobs/bracket.gcode

What the job needs, planned as on this machine
  short: momentary melt rate at least 13 mm³/s, sheet: 12 (line 812)

Raise limits in small steps, attended, and feel the motors and drivers; the
maker's documents rule. Headroom knows the job, not the wear of the machine.
Never leave a heating or moving machine unattended. This report does not replace
the maker's documents or local codes.

"#]]
        );
    }
}
