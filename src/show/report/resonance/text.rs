//! How a job excites the structure, for people.

use std::io::{self, Write};

use anstyle::{Effects, Style};

use super::wave;
use crate::findings::Ringing;
use crate::machine::{Direction, ImpulseShaper, Mode, Ramp};
use crate::show::{
    marks::styled,
    report::{CAUTION, Look, Report, page::Section},
};
use crate::study::resonance::{
    APART_MM, Study, WorstPlace,
    avoid::{Avoid, Drive, ORDERS},
    bands::{Bands, Share},
    shaping::{Candidate, LimitFrom, RaisedKey, RampTrade, Shapers, Shaping, Trade},
    spectrum::{Axis, CELLS_PER_S, NOISE_BANDWIDTH_HZ, SIDE_LOBE_DB, STEP_HZ, WINDOW_CELLS},
};
use crate::wording::{counted, duration, grouped, number, path, safe, units, wrap};

/// Fixed bands with less printing time are left out.
const LEAST_SHARE: f64 = 0.001;
/// Peaks that are shown of each direction, above so many Hz: below is the pace of long lines.
const PEAKS: (usize, f64) = (4, 4.0);
/// Candidates with a column in the table of accelerations.
const COLUMNS: usize = 5;

/// The report for people.
pub struct ResonanceText {
    look: Look,
}

impl ResonanceText {
    /// A renderer of pages that look so.
    pub fn new(look: Look) -> Self {
        Self { look }
    }
}

impl Report<Study, ()> for ResonanceText {
    fn add(&mut self, study: &Study, out: &mut dyn Write) -> io::Result<()> {
        write(study, self.look, out)
    }

    fn finish(&mut self, (): &(), _: &mut dyn Write) -> io::Result<()> {
        Ok(())
    }
}

fn write(study: &Study, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let today = &study.today;
    for line in wrap(&format!("Resonance of {} on {}", path(&today.job.path), safe(&today.machine.name)), look.width) {
        writeln!(out, "{line}")?;
    }
    for line in wrap(&answer(study), look.width) {
        writeln!(out, "{}", styled(&line, Style::new().effects(Effects::BOLD), look.color))?;
    }
    writeln!(out)?;
    let spectrum = &study.seen.spectrum;
    let waits = match study.waits_s {
        waits_s if waits_s > 0.0 => {
            let waits = if waits_s < 1.0 { format!("{:.0} ms", waits_s * 1000.0) } else { duration(waits_s) };
            format!(" Not in it: waits for the last impulse of the sheet's shaper, {waits} in all.")
        }
        _ => String::new(),
    };
    let moving = format!(
        "{} in all, {} in motion, {} extruding.{waits}",
        duration(today.time_s.total()),
        duration(spectrum.moving_s),
        duration(today.time_s.extruding)
    );
    for line in wrap(&moving, look.width) {
        writeln!(out, "{line}")?;
    }
    writeln!(out)?;
    waves(study, look, out)?;
    for bands in &study.seen.bands {
        time(bands, look, out)?;
    }
    for avoid in &study.avoid {
        feeds(avoid, study.today.limits_set_in_job, look, out)?;
    }
    places(&study.seen.places, look, out)?;
    match &study.shaping {
        Ok(shaping) => shapers(shaping, look, out)?,
        Err(why) => {
            let mut section = Section::new("shapers", look);
            section.paragraph(&format!("Not told: {}.", safe(why))).write(out)?;
        }
    }
    if study.modes.is_empty() {
        let mut section = Section::new("modes", look);
        let text = "The sheet gives no `[[structure]]`: without a mode there are no feed rates to avoid, no places, no \
            shapers. `gonogo trial ringing` measures one.";
        section.paragraph(text).write(out)?;
    }
    for line in wrap(CAUTION, look.width) {
        writeln!(out, "{line}")?;
    }
    Ok(())
}

/// Whether the job rings the frame, where, and what to change.
fn answer(study: &Study) -> String {
    // One limit holds along all directions.
    let worst = study.today.ringing.iter().max_by(|a, b| a.peak_mm.total_cmp(&b.peak_mm));
    let Some(worst) = worst else {
        return "Whether this job rings the frame is not known: the sheet gives no mode. `gonogo trial ringing` measures one."
            .to_owned();
    };
    let at = worst.peak_hz.map_or(String::new(), |hz| format!(" at {} Hz", number(hz)));
    let line = worst.peak_line.map_or(String::new(), |line| format!(" (line {line})"));
    let most = format!("{} mm along {}{at}{line}", number(worst.peak_mm), worst.axis);
    let Some(limit_mm) = worst.limit_mm else {
        return format!("This job swings the frame by up to {most}; the sheet does not say how much is accepted.");
    };
    let limit = number(limit_mm);
    if worst.peak_mm <= limit_mm {
        return format!("This job does not ring the frame: it swings by at most {most}, of {limit} mm accepted.");
    }
    let changes = [feeds_to_avoid(study, worst), shaper_to_try(study)].into_iter().flatten();
    let changes: Vec<String> = changes.chain(["lower the acceleration".to_owned()]).collect();
    format!("This job rings the frame: {most}, where {limit} mm is accepted. What helps: {}.", changes.join("; or "))
}

/// The speeds to keep off, of the strokes along the direction that rings which the job has most of.
fn feeds_to_avoid(study: &Study, worst: &Ringing) -> Option<String> {
    let rings = study.avoid.iter().filter(|avoid| {
        avoid.mode.along.word() == worst.axis && worst.peak_hz.is_none_or(|hz| avoid.mode.natural_hz == hz)
    });
    let rows = rings.flat_map(|avoid| avoid.rows.iter().map(move |row| (avoid.mode.along, row)));
    let driven = rows.filter(|(_, row)| matches!(row.drives[0], Drive::Between(..)));
    let (along, row) = driven.filter(|(_, row)| row.count.is_some()).max_by_key(|(_, row)| row.count)?;
    let (stroke, speeds) = (number(row.stroke_mm), drive(row.drives[0]));
    Some(format!("keep strokes of {stroke} mm along {} off {speeds} mm/s", along.word()))
}

/// The shortest shaper that leaves no more ringing than is accepted at today's acceleration.
fn shaper_to_try(study: &Study) -> Option<String> {
    let shaping = study.shaping.as_ref().ok()?;
    let others = shaping.candidates.iter().filter(|of| !of.present && of.shapers != [None, None]);
    let fit = others.filter(|of| of.today.peak_mm <= shaping.limit_mm);
    let best = fit.min_by(|a, b| a.duration_s.total_cmp(&b.duration_s))?;
    let left = number((best.today.peak_mm * 1000.0).round() / 1000.0);
    Some(format!("an impulse shaper, {}, which would leave {left} mm at most", name(&best.shapers)))
}

fn waves(study: &Study, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let spectrum = &study.seen.spectrum;
    let top = spectrum.shown_top();
    for axis in &spectrum.axes {
        let mut section = Section::new(axis.along.word(), look);
        if axis.power <= 0.0 {
            section.paragraph("never accelerates").write(out)?;
            continue;
        }
        let modes: Vec<Mode> = study.modes.iter().filter(|mode| mode.along == axis.along).copied().collect();
        section.paragraph(&format!("acceleration, (mm/s²)²/Hz over Hz{}", key(&modes)));
        for line in wave::lines(axis, &modes, top, section.width()) {
            section.line(line);
        }
        section.paragraph(&summary(axis));
        section.write(out)?;
    }
    let mut section = Section::new("method", look);
    let seconds = WINDOW_CELLS / CELLS_PER_S;
    section.paragraph(&format!(
        "{} of {seconds} s (Hann), one each {} s: lines {STEP_HZ} Hz apart, noise bandwidth {NOISE_BANDWIDTH_HZ} Hz, \
         leakage at most {} dB. Exact means of the planned acceleration over 1/{CELLS_PER_S} s, steps of speed at \
         corners included. Densities are over the time in motion: rests do not dilute them.",
        counted(spectrum.windows, "window", "windows"),
        number(seconds as f64 / 4.0),
        number(SIDE_LOBE_DB).replace('-', "−"),
    ));
    section.write(out)
}

fn key(modes: &[Mode]) -> &'static str {
    match modes.len() {
        0 => "; no mode in the sheet",
        1 => "; its mode is marked",
        _ => "; its modes are marked",
    }
}

fn summary(axis: &Axis) -> String {
    let peaks: Vec<String> =
        axis.peaks(PEAKS.1, PEAKS.0).iter().map(|peak| format!("{} Hz", number(peak.hz))).collect();
    let rms = number(axis.mean_square.sqrt());
    if peaks.is_empty() {
        return format!("root mean square {rms} mm/s²");
    }
    format!("highest peaks from {} Hz on: {}; root mean square {rms} mm/s²", PEAKS.1, peaks.join(", "))
}

fn label(along: Direction) -> &'static str {
    match along {
        Direction::X => "time, x",
        Direction::Y => "time, y",
        Direction::Z => "time, z",
        Direction::Sum => "time, x+y",
        Direction::Difference => "time, x-y",
    }
}

fn percent(share: f64) -> String {
    format!("{:.1} %", share * 100.0)
}

fn time(bands: &Bands, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let mut section = Section::new(label(bands.along), look);
    let told: Vec<&Share> = bands.fixed.iter().filter(|share| share.time_share >= LEAST_SHARE).collect();
    if bands.printing_s <= 0.0 || (told.is_empty() && bands.modes.is_empty()) {
        return Ok(());
    }
    section.paragraph(
        "Time spent oscillating, by frequency: a stroke, from one reversal to the next, counts at \
         1 / (its time + that of the stroke before).",
    );
    let mut rows = vec![["band, Hz", "time", "at ×3, ×5", "rms, mm/s²", ""].map(str::to_owned).to_vec()];
    let row = |share: &Share| {
        let note = share.mode.map_or(String::new(), |mode| format!("mode at {} Hz", number(mode.natural_hz)));
        let higher = share.harmonic_share.map_or(String::new(), percent);
        vec![ends(share), percent(share.time_share), higher, number(share.rms_mm_s2), note]
    };
    rows.extend(bands.modes.iter().map(row));
    rows.extend(told.into_iter().map(row));
    section.rows(">>>>", &rows).write(out)
}

fn ends(share: &Share) -> String {
    let short = |hz: f64| if hz >= 10.0 { format!("{hz:.0}") } else { format!("{hz:.1}") };
    match (share.low_hz, share.high_hz) {
        (low, high) if low <= 0.0 => format!("below {}", short(high)),
        (low, high) if high.is_infinite() => format!("above {}", short(low)),
        (low, high) if share.mode.is_some() => format!("{}–{}", number(low), number(high)),
        (low, high) => format!("{}–{}", short(low), short(high)),
    }
}

fn feeds(avoid: &Avoid, own_limits: bool, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let mut section = Section::new("avoid", look);
    let Mode { along, natural_hz, .. } = avoid.mode;
    section.paragraph(&format!(
        "Feed rates at which strokes straight to and fro along {} drive the mode at {} Hz, planned at {} mm/s² and turning \
         at {} mm/s, and how quick their cycle can get; ×{}: three cycles of the mode to one of theirs, more weakly.",
        along.word(),
        number(natural_hz),
        number(avoid.accel_mm_s2),
        number(avoid.turning_mm_s),
        ORDERS[1],
    ));
    if own_limits {
        section.paragraph(
            "The job sets limits of its own (see limits-changed-in-job): the table is for those of the sheet and does not \
             hold where the job's are in force; the times above and the places below are the job's.",
        );
    }
    let mut rows = vec![["stroke, mm", "up to, Hz", "mm/s", "×3, mm/s", ""].map(str::to_owned).to_vec()];
    for row in &avoid.rows {
        let own = row.count.map_or(String::new(), |count| format!("{} in the job", grouped(count)));
        let most = format!("{:.1}", row.most_hz);
        rows.push(vec![number(row.stroke_mm), most, drive(row.drives[0]), drive(row.drives[1]), own]);
    }
    section.rows(">>>>", &rows).write(out)
}

fn drive(drive: Drive) -> String {
    let mm_s = |feed: f64| format!("{feed:.1}");
    match drive {
        Drive::Between(low, high) => format!("{}–{}", mm_s(low), mm_s(high)),
        Drive::From(low) => format!("from {} on", mm_s(low)),
        Drive::Never => "none".to_owned(),
    }
}

fn places(places: &[WorstPlace], look: Look, out: &mut dyn Write) -> io::Result<()> {
    let mut section = Section::new("worst", look);
    if places.is_empty() {
        return Ok(());
    }
    section.paragraph(&format!(
        "Largest amplitudes while extruding, one for each place: at least {APART_MM} mm apart in x and y."
    ));
    let heads = ["mm", "line", "layer", "x", "y", "z", "mode", "marks, mm"];
    let mut rows = vec![heads.map(str::to_owned).to_vec()];
    for place in places {
        let [x, y, _] = place.position.map(|mm| format!("{mm:.1}"));
        let z = format!("{:.2}", place.position[2]);
        rows.push(vec![
            format!("{:.3}", place.ringing_mm),
            place.line.to_string(),
            place.layer.to_string(),
            x,
            y,
            z,
            format!("{} {} Hz", place.mode.along.word(), number(place.mode.natural_hz)),
            format!("{:.2}", place.mark_spacing_mm),
        ]);
    }
    section.rows(">>>>>>>>", &rows).write(out)
}

/// A candidate in words.
pub(super) fn name(shapers: &Shapers) -> String {
    let tuned = |shaper: &ImpulseShaper| number(shaper.tuned_hz);
    match shapers {
        [None, None] => "none".to_owned(),
        [Some(x), None] => format!("{} x {}", x.kind.word(), tuned(x)),
        [None, Some(y)] => format!("{} y {}", y.kind.word(), tuned(y)),
        [Some(x), Some(y)] if x.kind == y.kind => format!("{} x {} y {}", x.kind.word(), tuned(x), tuned(y)),
        [Some(x), Some(y)] => format!("{} x {}, {} y {}", x.kind.word(), tuned(x), y.kind.word(), tuned(y)),
    }
}

/// The candidates as a trade of the job's time against its ringing.
fn shapers(shaping: &Shaping, look: Look, out: &mut dyn Write) -> io::Result<()> {
    let mut section = Section::new("shapers", look);
    let tuned = shaping.candidates.iter().find(|of| of.shapers != [None, None] && !of.present);
    let at = tuned.map_or(String::new(), |of| format!(" ({})", tuning(&of.shapers)));
    let from = match shaping.limit_from {
        LimitFrom::Asked => "as asked",
        LimitFrom::Sheet => "by the sheet",
        LimitFrom::Today => "as the job rings today",
    };
    section.paragraph(&format!(
        "Time of this job against its ringing, with impulse shapers at the modes{at} and without. Each number is the \
         ringing in mm that is not exceeded for 95 % of the extruding time; {} mm is accepted ({from}).",
        number(shaping.limit_mm)
    ));
    section.paragraph(match shaping.raised {
        RaisedKey::Printing => "Down the table the printing acceleration (`motion.acceleration_mm_s2.printing`) rises.",
        RaisedKey::Axes => {
            "The job sets its acceleration itself (M204), which holds in place of the sheet's. So down the table that of \
             the axes rises: `motion.acceleration_limit_mm_s2` of x and y, for printing and travel alike."
        }
    });
    if !shaping.has_effect {
        section.paragraph("That changes nothing on this job: limits of its own hold in its place.");
    }
    for told in shaping.candidates.chunks(COLUMNS) {
        section.rows(">>>>>>>", &trades(shaping, told));
    }
    section.paragraph(
        "• marks what no plan of any candidate betters in both time and ringing; * is what the sheet has today. How far an \
         acceleration may go, and what else limits it, is for `gonogo headroom`.",
    );
    let rounds = shaping.candidates.iter().filter(|of| of.shapers != [None, None]);
    let rounds: Vec<String> = rounds
        .map(|of| {
            format!(
                "{} by up to {:.3} mm within {:.0} ms",
                name(&of.shapers),
                of.rounding.most_mm,
                of.duration_s * 1000.0
            )
        })
        .collect();
    if !rounds.is_empty() {
        section.paragraph(&format!("Corners are rounded at the job's speeds: {}.", rounds.join("; ")));
    }
    section.paragraph(
        "Other ramps in place of the sheet's (`motion.ramp`), all else as it is today; only of use where the controller can \
         drive them:",
    );
    if shaping.ramps_in_time {
        section.paragraph(
            "Commands come late on this job: these are plans as if all came in time, since a limited jerk cannot be planned \
             otherwise, and the waiting is in none of them.",
        );
    }
    section.rows("<>>>", &ramps(shaping));
    section.paragraph(&format!(
        "Where the machine waits until it is at rest ({} on this job), it waits for the last impulse too: that is in \
         these times.",
        counted(shaping.stops, "time", "times")
    ));
    section.write(out)
}

/// One row for each ramp: its price in time, and the ringing it leaves.
fn ramps(shaping: &Shaping) -> Vec<Vec<String>> {
    let now = shaping.ramps.iter().find(|of| of.present).map(|of| of.today.time_s);
    let head = ["ramp", "time", "95 % mm", "most mm"].map(str::to_owned).to_vec();
    let row = |of: &RampTrade| {
        let mark = if of.present { "*" } else { "" };
        vec![
            format!("{}{mark}", ramp_name(of.ramp)),
            difference(of.today.time_s, now),
            format!("{:.3}", of.today.p95_mm),
            format!("{:.3}", of.today.peak_mm),
        ]
    };
    std::iter::once(head).chain(shaping.ramps.iter().map(row)).collect()
}

/// A ramp in words.
pub(super) fn ramp_name(ramp: Ramp) -> String {
    match ramp {
        Ramp::Trapezoid => "trapezoid".to_owned(),
        Ramp::SameTimeQuintic => "same-time-quintic".to_owned(),
        Ramp::JerkLimited([x, y, ..]) => format!("jerk x {} y {} {}", number(x), number(y), units("mm/s3")),
    }
}

/// What shapers are tuned to.
fn tuning(shapers: &Shapers) -> String {
    let axes = ["x", "y"].into_iter().zip(shapers);
    let of = axes.filter_map(|(axis, shaper)| Some(format!("{axis} {} Hz", number(shaper.as_ref()?.tuned_hz))));
    of.collect::<Vec<_>>().join(", ")
}

/// A difference of times, s.
fn difference(time_s: f64, today: Option<f64>) -> String {
    let Some(today) = today else { return duration(time_s) };
    let tenths = ((time_s - today) * 10.0).round() / 10.0;
    if tenths == 0.0 { "0 s".to_owned() } else { format!("{tenths:+.1} s").replace('-', "−") }
}

/// One row for each acceleration that was tried, one column for each of some candidates.
fn trades(shaping: &Shaping, told: &[Candidate]) -> Vec<Vec<String>> {
    let Some(first) = told.first() else { return Vec::new() };
    let one_each = told.iter().all(|of| same_kind(shaping, of) == 1);
    let mut heads = vec![units("mm/s2"), "time".to_owned()];
    // Room for the mark behind each number.
    heads.extend(told.iter().map(|of| {
        let what = if one_each { kinds(&of.shapers) } else { name(&of.shapers) };
        format!("{what}{}", if of.present { "*" } else { " " })
    }));
    let now = first.scan.iter().find(|trade| trade.accel_mm_s2 == shaping.today_mm_s2).map(|trade| trade.time_s);
    let mut rows = vec![heads];
    for (at, trade) in first.scan.iter().enumerate() {
        let is_today = trade.accel_mm_s2 == shaping.today_mm_s2;
        if !shaping.has_effect && !is_today {
            continue;
        }
        let today = if is_today { "today " } else { "" };
        let mut row = vec![format!("{today}{}", number(trade.accel_mm_s2)), difference(trade.time_s, now)];
        row.extend(told.iter().map(|of| of.scan.get(at).map_or(String::new(), cell)));
        rows.push(row);
    }
    rows
}

/// How many candidates have the kinds of this one.
fn same_kind(shaping: &Shaping, of: &Candidate) -> usize {
    let kinds = |of: &Candidate| of.shapers.map(|shaper| shaper.map(|shaper| shaper.kind));
    shaping.candidates.iter().filter(|other| kinds(other) == kinds(of)).count()
}

fn cell(trade: &Trade) -> String {
    format!("{:.3}{}", trade.p95_mm, if trade.undominated { "•" } else { " " })
}

/// The kinds of a candidate.
fn kinds(shapers: &Shapers) -> String {
    let kinds: Vec<&str> = shapers.iter().flatten().map(|shaper| shaper.kind.word()).collect();
    match kinds[..] {
        [] => "none".to_owned(),
        [one] => one.to_owned(),
        [x, y] if x == y => x.to_owned(),
        _ => kinds.join("/"),
    }
}
