//! The report for people on one job: the answer, the reasons, then the numbers in few lines.

use std::io::{self, Write};

use anstyle::{Effects, Style};

use super::page::{Section, begun, paragraph};
use super::{
    BUILT_IN, CAUTION, Look, Report, count, deciding, details, findings, not_modelled, only, reckoned, unsafe_accepted,
};
use crate::checks;
use crate::findings::{Finding, Inspection, Severity, Skipped, Unjudged, Verdict};
use crate::geometry::Box3;
use crate::show::marks::{styled, verdict, verdict_style};
use crate::study::matrix::{Judged, Totals};
use crate::wording::{counted, duration, length, listed, number, path, quantity, safe, tail, units};

/// How much the report says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Extent {
    /// Everything that is known, or the answer and the numbers that matter.
    pub details: bool,
    /// Whether the verdict stands on top in large letters.
    pub letters: bool,
}

/// The text renderer.
pub struct TextReport {
    look: Look,
    extent: Extent,
    /// Whether all reports so far follow the pressure in the nozzle.
    follows_pressure: bool,
}

impl TextReport {
    /// A renderer for pages that look so.
    pub fn new(look: Look, extent: Extent) -> Self {
        Self { look, extent, follows_pressure: true }
    }
}

impl Report<Judged, Totals> for TextReport {
    fn add(&mut self, item: &Judged, out: &mut dyn Write) -> io::Result<()> {
        match only(item) {
            Ok(inspection) => {
                self.follows_pressure &= inspection.widths.is_some();
                judged(inspection, self.look, self.extent, out)
            }
            Err(unjudged) => not_judged(unjudged, self.look, out),
        }
    }

    fn finish(&mut self, totals: &Totals, out: &mut dyn Write) -> io::Result<()> {
        caution(self.look, out)?;
        if self.extent.details {
            return dim(not_modelled(self.follows_pressure), self.look, out);
        }
        if totals.judged() == 0 {
            return Ok(());
        }
        dim("--details says more, --format html makes a page with pictures.", self.look, out)
    }
}

/// The closing caution.
pub(super) fn caution(look: Look, out: &mut dyn Write) -> io::Result<()> {
    dim(CAUTION, look, out)
}

fn dim(text: &str, look: Look, out: &mut dyn Write) -> io::Result<()> {
    paragraph(text, Style::new().effects(Effects::DIMMED), look, out)
}

pub(super) fn not_judged(unjudged: &Unjudged, look: Look, out: &mut dyn Write) -> io::Result<()> {
    paragraph(&format!("? not judged: {}", path(&unjudged.path)), Style::new().effects(Effects::BOLD), look, out)?;
    paragraph(&safe(&unjudged.error), Style::new(), look, out)?;
    writeln!(out)
}

fn judged(inspection: &Inspection, look: Look, extent: Extent, out: &mut dyn Write) -> io::Result<()> {
    heading(inspection, look, extent.letters, out)?;
    if extent.details {
        findings::write(inspection, look, out)?;
        details::accepted(inspection, look).write(out)?;
        return details::write(inspection, look, out);
    }
    findings::write_short(inspection, look, out)?;
    details::accepted(inspection, look).write(out)?;
    for section in [time, flow, ringing, reach, heat, filament, left_out] {
        section(inspection, look).write_close(out)?;
    }
    writeln!(out)
}

/// The verdict in letters two rows high; each has an outline of its own.
fn letters(verdict: Verdict) -> [&'static str; 2] {
    match verdict {
        Verdict::Go => ["█▀▀ █▀█", "█▄█ █▄█"],
        Verdict::Hold => ["█ █ █▀█ █   █▀▄", "█▀█ █▄█ █▄▄ █▄▀"],
        Verdict::NoGo => ["█▄ █ █▀█    █▀▀ █▀█", "█ ▀█ █▄█ ▀▀ █▄█ █▄█"],
    }
}

fn heading(inspection: &Inspection, look: Look, in_letters: bool, out: &mut dyn Write) -> io::Result<()> {
    let style = verdict_style(inspection.verdict);
    let machine = &inspection.machine;
    let (job, on) = (path(&inspection.job.path), format!("on {}", safe(&machine.name)));
    if in_letters {
        let room = look.width.saturating_sub(24).max(12);
        for (letters, beside) in letters(inspection.verdict).iter().zip([tail(&job, room), tail(&on, room)]) {
            let fill = " ".repeat(19_usize.saturating_sub(letters.chars().count()) + 3);
            writeln!(out, "  {}{fill}{beside}", styled(letters, style, look.color))?;
        }
        writeln!(out)?;
    } else {
        paragraph(&format!("{job} {on}"), Style::new(), look, out)?;
    }
    begun(verdict(inspection.verdict), style, &format!(": {}", why(inspection)), look, out)?;
    let accepted_unsafe = inspection.accepted_unsafe();
    if accepted_unsafe > 0 {
        paragraph(&unsafe_accepted(accepted_unsafe), verdict_style(Verdict::NoGo), look, out)?;
    }
    if machine.built_in {
        paragraph(BUILT_IN, Style::new(), look, out)?;
    }
    writeln!(out)
}

/// One sentence: why this verdict.
pub(crate) fn why(inspection: &Inspection) -> String {
    let reason = reason(inspection);
    match &inspection.not_checked()[..] {
        [] => reason,
        open => format!("{reason} Not checked: {}.", listed(open)),
    }
}

fn reason(inspection: &Inspection) -> String {
    let Some(first) = deciding(inspection).next() else {
        let passed = counted(inspection.checks_run.len() as u64, "check", "checks");
        let accepted = match inspection.findings.iter().filter(|finding| finding.accepted.is_some()).count() {
            0 => String::new(),
            count => format!(" except for {}", counted(count as u64, "accepted finding", "accepted findings")),
        };
        return format!("{passed} passed{accepted}{}.", not_run(&inspection.checks_skipped));
    };
    let place = place(first).map_or(String::new(), |place| format!(" ({place})"));
    let others = others(inspection, first);
    let message = units(&safe(&first.message));
    let open = match inspection.checks_skipped.len() {
        0 => String::new(),
        count => {
            let checks = counted(count as u64, "check", "checks");
            format!(" {checks} not run{}.", topics(&inspection.checks_skipped))
        }
    };
    format!("{}{place}{others}.{open}", message.trim_end_matches('.'))
}

/// How many findings there are besides, in words behind a semicolon.
pub(super) fn others(inspection: &Inspection, first: &Finding) -> String {
    let others: Vec<String> = [(Severity::NoGo, "no-go"), (Severity::Hold, "hold")]
        .map(|(severity, word)| (count(inspection, severity) - usize::from(severity == first.severity), word))
        .into_iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, word)| format!("{count} more {word}"))
        .collect();
    if others.is_empty() { String::new() } else { format!("; {}", others.join(", ")) }
}

/// Where what the message of a finding says is so, and where it begins.
pub(super) fn place(finding: &Finding) -> Option<String> {
    match (finding.worst_line.or(finding.line)?, finding.line) {
        (worst, Some(first)) if first != worst => Some(format!("line {worst}, first on line {first}")),
        (line, _) => Some(format!("line {line}")),
    }
}

/// Most topics of checks not run that are named.
const TOPICS: usize = 4;

/// What could not be checked, in a word or two each; what the headline says at its end is not said twice.
fn not_run(skipped: &[Skipped]) -> String {
    if skipped.is_empty() { String::new() } else { format!(", {} not run{}", skipped.len(), topics(skipped)) }
}

fn topics(skipped: &[Skipped]) -> String {
    let topic = |skipped: &Skipped| match checks::find(&skipped.check) {
        Some(check) => check.topic.to_owned(),
        // Of a report of another version.
        None => safe(&skipped.check).replace('-', " "),
    };
    let mut topics: Vec<String> = skipped.iter().filter(|skipped| skipped.unchecked.is_none()).map(topic).collect();
    topics.dedup();
    let more = topics.len().saturating_sub(TOPICS);
    topics.truncate(TOPICS);
    if more > 0 {
        topics.push(format!("{more} more"));
    }
    if topics.is_empty() { String::new() } else { format!(": {}", topics.join(", ")) }
}

/// Said where no finished prints have set the clock.
pub(super) const CLOCK_NOT_SET: &str = "clock not set: gonogo prints add";
/// Parts of the time from this share on are named.
const SHARE_NAMED: f64 = 0.01;

fn time(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("time", look);
    let total = inspection.time_s.total();
    let mut parts: Vec<(&str, f64)> = inspection.time_s.named().into_iter().collect();
    parts.retain(|(_, seconds)| *seconds >= SHARE_NAMED * total && *seconds > 0.0);
    parts.sort_by(|(_, a), (_, b)| b.total_cmp(a));
    let named: Vec<String> = parts
        .iter()
        .map(|(name, seconds)| format!("{:.0} % {name}", (seconds / total).clamp(0.0, 1.0) * 100.0))
        .collect();
    let named = if named.len() > 1 { format!(": {}", named.join(", ")) } else { String::new() };
    let waiting = super::waiting_left_out(inspection);
    if inspection.wall_time.is_some() {
        section.paragraph(&reckoned(inspection));
        section.paragraph(&format!("planned {}{named}", duration(total)));
        if let Some(waiting) = &waiting {
            section.paragraph(waiting);
        }
        return section;
    }
    section.paragraph(&format!("{}{named}", duration(total)));
    if let Some(waiting) = &waiting {
        section.paragraph(waiting);
    }
    let nothing = inspection.left_out.iter().filter_map(|sentence| counts_nothing(sentence));
    let nothing = nothing.map(safe).chain([CLOCK_NOT_SET.into()]).collect::<Vec<_>>().join(", ");
    section.paragraph(&nothing);
    section
}

/// What a sentence says to take no time, without the reason; none where it is about something else.
pub(super) fn counts_nothing(sentence: &str) -> Option<&str> {
    let said = sentence.split(':').next()?;
    (said.ends_with(" 0 s")).then_some(said)
}

fn left_out(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("left out", look);
    for sentence in inspection.left_out.iter().filter(|sentence| counts_nothing(sentence).is_none()) {
        section.item("–", &safe(sentence));
    }
    section
}

fn flow(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("flow", look);
    let (flow, capacity) = (&inspection.flow, &inspection.capacity);
    if flow.pushed.peak_mm3_s <= 0.0 {
        section.paragraph("no filament is pushed");
        return section;
    }
    let of = |rate: f64, capacity: Option<f64>| {
        capacity.map_or(number(rate), |capacity| format!("{} of {}", number(rate), number(capacity)))
    };
    let none = if *capacity == crate::findings::Capacity::default() { "; the sheet gives no capacity" } else { "" };
    section.paragraph(&format!(
        "{} mm³/s sustained, {} in a burst{none}",
        of(flow.sustained_peak_mm3_s, capacity.sustained_mm3_s),
        of(flow.burst_peak_mm3_s, capacity.peak_mm3_s),
    ));
    // A push of a moment above it is nothing to worry about.
    let is_over = inspection.findings.iter().any(|finding| finding.check == checks::melt_rate_exceeded::CHECK.id)
        || capacity.sustained_mm3_s.is_some_and(|capacity| flow.sustained_peak_mm3_s > capacity);
    if let Some(over_s) = flow.pushed.over_capacity_s.filter(|over_s| is_over && *over_s > 0.0) {
        let purge = inspection.purge_line.zip(flow.sustained_peak_line);
        let purged = purge.filter(|(purge, line)| (purge.first_line..=purge.last_line).contains(line));
        let most = purged.map_or(String::new(), |(_, line)| format!(", most on the purge line (line {line})"));
        section.paragraph(&format!("for {} above what the hotend sustains{most}", duration(over_s)));
    }
    section
}

fn ringing(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("ringing", look);
    let each = inspection.ringing.iter().map(|ringing| format!("{} {}", ringing.axis, number(ringing.peak_mm)));
    let each: Vec<String> = each.collect();
    let limit = inspection.ringing.iter().find_map(|ringing| ringing.limit_mm);
    let limit = limit.map_or(String::new(), |limit| format!(" of {}", number(limit)));
    if !each.is_empty() {
        section.paragraph(&format!("{}{limit} mm", each.join(", ")));
    }
    section
}

fn reach(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("reach", look);
    let span = |found: &Box3| {
        let axis = |(axis, name)| match [found.min[axis], found.max[axis]].map(number) {
            [low, high] if low == high => format!("{name} {low}"),
            [low, high] => format!("{name} {low} … {high}"),
        };
        ["x", "y", "z"].into_iter().enumerate().map(axis).collect::<Vec<_>>().join(", ")
    };
    match &inspection.reached {
        Some(reached) => section.paragraph(&format!("{} mm", span(reached))),
        None => section.paragraph("nothing moves"),
    };
    if let Some(extruding) = &inspection.extruding {
        let layers = counted(inspection.layers_total, "layer", "layers");
        section.paragraph(&format!("prints {} mm, {layers}", span(extruding)));
    }
    section
}

/// The heaters that get a target, and the highest.
pub(super) fn hottest(inspection: &Inspection) -> impl Iterator<Item = (&'static str, String)> {
    let heat = &inspection.heat;
    let named = [("nozzle", heat.nozzle_max_c), ("bed", heat.bed_max_c), ("chamber", heat.chamber_max_c)];
    let is_on = |(name, most): (_, Option<f64>)| Some((name, quantity(most.filter(|&most| most > 0.0)?, "°C")));
    named.into_iter().filter_map(is_on)
}

fn heat(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("heat", look);
    let hottest: Vec<String> = hottest(inspection).map(|(name, most)| format!("{name} {most}")).collect();
    section.paragraph(&if hottest.is_empty() { "no heater gets a target".to_owned() } else { hottest.join(", ") });
    section
}

fn filament(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("filament", look);
    let used = inspection.filament;
    let mass = used.net_g.map_or(String::new(), |mass| format!(", {}", quantity(mass, "g")));
    let purged = match inspection.purged_mm() {
        purged if purged > 0.0 => format!(", of it {} purged", length(purged)),
        _ => String::new(),
    };
    section.paragraph(&format!("{}{mass}{purged}", length(used.net_mm)));
    section
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::sample;
    use crate::wording::columns;

    const ALL: Extent = Extent { details: true, letters: true };

    fn rendered(outcome: crate::findings::Outcome, width: usize, color: bool, extent: Extent) -> String {
        let mut report = TextReport::new(Look { width, color }, extent);
        let (judged, mut out) = (outcome.map(|inspection| vec![inspection]), Vec::new());
        let mut totals = crate::show::report::matrix::samples::totals_of_none();
        totals.count(&judged);
        report.add(&judged, &mut out).expect("writes");
        report.finish(&totals, &mut out).expect("writes");
        String::from_utf8(out).expect("UTF-8")
    }

    fn render(outcome: crate::findings::Outcome, width: usize, color: bool) -> String {
        rendered(outcome, width, color, Extent::default())
    }

    #[test]
    fn all_that_is_known_at_80_columns() {
        snapbox::assert_data_eq!(
            rendered(Ok(sample::no_go()), 80, false, ALL),
            snapbox::file!["snapshots/details-80.txt"]
        );
    }

    #[test]
    fn a_clean_job_takes_24_lines_at_most() {
        for (width, letters) in [(60, false), (80, false), (80, true), (120, true)] {
            let mut clean = sample::go();
            clean.machine.built_in = true;
            let text = rendered(Ok(clean), width, false, Extent { letters, ..Extent::default() });
            assert!(text.lines().count() <= 24, "{} lines at {width}:\n{text}", text.lines().count());
        }
    }

    #[test]
    fn no_go_at_80_columns() {
        let text = render(Ok(sample::no_go()), 80, false);
        snapbox::assert_data_eq!(text, snapbox::file!["snapshots/no-go-80.txt"]);
    }

    #[test]
    fn no_go_at_48_columns() {
        let text = render(Ok(sample::no_go()), 48, false);
        snapbox::assert_data_eq!(text, snapbox::file!["snapshots/no-go-48.txt"]);
    }

    #[test]
    fn hold_on_the_built_in_machine() {
        let text = render(Ok(sample::hold()), 80, false);
        snapbox::assert_data_eq!(text, snapbox::file!["snapshots/hold-80.txt"]);
    }

    #[test]
    fn go_in_colour() {
        let text = render(Ok(sample::go()), 80, true);
        snapbox::assert_data_eq!(text, snapbox::file!["snapshots/go-colour.txt"]);
    }

    #[test]
    fn accepted_findings_are_told_and_unsafe_ones_in_the_head() {
        let text = render(Ok(sample::accepted()), 80, false);
        snapbox::assert_data_eq!(text, snapbox::file!["snapshots/accepted-80.txt"]);
    }

    #[test]
    fn empty_job() {
        let text = render(Ok(sample::empty()), 80, false);
        snapbox::assert_data_eq!(text, snapbox::file!["snapshots/empty-80.txt"]);
    }

    #[test]
    fn fits_every_width_from_40() {
        for outcome in
            [sample::accepted(), sample::no_go(), sample::hold(), sample::go(), sample::empty(), sample::hostile()]
        {
            for width in 40..=110 {
                let both = [Extent::default(), ALL].map(|extent| rendered(Ok(outcome.clone()), width, false, extent));
                for line in both.iter().flat_map(|text| text.lines()) {
                    assert!(columns(line) <= width, "{} columns instead of {width}: {line:?}", columns(line));
                }
            }
        }
    }

    #[test]
    fn hostile_text_never_reaches_the_terminal() {
        let text = render(Ok(sample::hostile()), 80, false);
        let raw: Vec<char> = text.chars().filter(|c| *c != '\n' && safe(&c.to_string()) != c.to_string()).collect();
        assert_eq!(raw, Vec::<char>::new());
    }

    #[cfg(feature = "cli")]
    #[test]
    fn colour_adds_nothing_but_colour() {
        let text = render(Ok(sample::hostile()), 80, false);
        // In colour only this program's own sequences are left: taking those away leaves the plain page.
        let colored = render(Ok(sample::hostile()), 80, true);
        assert_eq!(anstream::adapter::strip_str(&colored).to_string(), text);
    }

    #[test]
    fn strange_lines_of_a_job_are_no_trouble() {
        for line in ["", "   ", "  G1 ", "日本語 ü", "\t", "\u{301}", ";"] {
            let mut inspection = sample::no_go();
            inspection.findings[0].excerpts[1].text = line.to_owned();
            inspection.findings[0].excerpts[0].line = u64::from(u32::MAX);
            for width in [40, 80] {
                assert!(render(Ok(inspection.clone()), width, false).contains(":20117:"), "{line:?}");
            }
        }
    }

    #[test]
    fn many_findings_stay_readable() {
        let mut inspection = sample::no_go();
        let grave = inspection.findings[0].clone();
        let note = inspection.findings[2].clone();
        let apart = |line| Finding { lines: vec![line], ..grave.clone() };
        inspection.findings = (1..=40).map(apart).chain(std::iter::repeat_n(note, 40)).collect();
        let all = rendered(Ok(inspection.clone()), 80, false, ALL);
        assert_eq!(all.matches("gonogo explain").count(), 8);
        assert!(all.contains("and 48 more") && all.lines().count() < 260, "{all}");
        let text = render(Ok(inspection), 80, false);
        assert_eq!(text.matches("gonogo explain").count(), 3);
        assert!(text.contains("and 31 more: --details"), "{text}");
        assert!(text.lines().count() < 90, "{}", text.lines().count());
    }

    #[test]
    fn what_is_found_on_the_same_lines_is_told_in_one_place() {
        let mut inspection = sample::no_go();
        let alike =
            Finding { check: "bursts".into(), message: "too much at once".into(), ..inspection.findings[0].clone() };
        inspection.findings.insert(1, alike);
        let text = render(Ok(inspection), 80, false);
        assert!(text.contains("├ also: no-go, too much at once [bursts]\n"), "{text}");
        assert!(text.contains("1 more no-go, 1 more hold"), "{text}");
        assert_eq!(text.matches("│ G1 X101.204").count(), 1, "{text}");
    }

    #[test]
    fn says_why_and_where() {
        assert_eq!(
            why(&sample::no_go()),
            "the sustained melt rate reaches 14.2 mm³/s, the hotend keeps up 11 mm³/s (line 20117, first on line 1204); 1 more hold. \
             1 check not run: step rate over limit."
        );
        assert_eq!(why(&sample::go()), "4 checks passed, 1 not run: step rate over limit.");
        let mut open = sample::go();
        open.checks_skipped[0].unchecked = Some("melt rate".into());
        assert_eq!(why(&open), "4 checks passed, 1 not run. Not checked: melt rate.");
    }

    #[test]
    fn an_unread_job_says_so() {
        let text = render(Err(sample::unjudged()), 80, false);
        assert!(
            text.starts_with("? not judged: jobs/lost.gcode\ncannot read jobs/lost.gcode: no such file\n"),
            "{text}"
        );
    }
}
