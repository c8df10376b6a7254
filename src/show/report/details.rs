//! What `--details` adds to the report for people on one job: section by section, all that is known.

use std::io::{self, Write};

use anstyle::{Effects, Style};

use super::page::Section;
use super::{
    Look, reckoned, strip,
    text::{CLOCK_NOT_SET, hottest},
};
use crate::findings::{Capacity, Energy, Flow, Inspection, Layer, Pushed, Ringing};
use crate::geometry::Box3;
use crate::wording::{bytes, counted, duration, grouped, length, number, path, quantity, safe, short_digest, units};

/// Writes all sections.
///
/// # Errors
/// When they cannot be written.
pub(super) fn write(inspection: &Inspection, look: Look, out: &mut dyn Write) -> io::Result<()> {
    for section in [time, melt_rate, widths, ringing, reach, heat, energy, filament, layers, job, checks, left_out] {
        section(inspection, look).write(out)?;
    }
    Ok(())
}

/// What became of the entries of accepted findings; nothing where all of them hold.
pub(super) fn accepted(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("accepted", look);
    for remark in inspection.acceptance.iter().flat_map(|acceptance| &acceptance.remarks) {
        section.item("–", &units(&safe(remark)));
    }
    section
}

fn time(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("time", look);
    let parts = inspection.time_s;
    let total = parts.total();
    section.styled_paragraph(&reckoned(inspection), Style::new().effects(Effects::BOLD));
    match inspection.wall_time {
        Some(time) => {
            let prints = counted(time.from_prints, "print", "prints");
            section.paragraph(&format!("by the clock learned from {prints}; planned {}:", duration(total)))
        }
        None => section.paragraph(CLOCK_NOT_SET),
    };
    let named = parts.named();
    let room = section.width().saturating_sub(38).min(24);
    let row = |(name, seconds): (&str, f64)| {
        let share = if total > 0.0 { (seconds / total).clamp(0.0, 1.0) } else { 0.0 };
        let bar = "▪".repeat((share * room as f64).round() as usize);
        vec![name.to_owned(), duration(seconds), format!("{:.1} %", share * 100.0), bar]
    };
    let rows: Vec<_> = named.into_iter().filter(|(_, seconds)| *seconds != 0.0).map(row).collect();
    section.rows("<>><", &rows);
    if let Some(waiting) = super::waiting_left_out(inspection) {
        section.paragraph(&waiting);
    }
    if inspection.pauses > 0 {
        let pauses = counted(inspection.pauses, "pause waits", "pauses wait");
        section.paragraph(&format!("{pauses} for a person, not in this time"));
    }
    section
}

fn melt_rate(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("melt rate", look);
    let Flow { burst_peak_mm3_s: burst, sustained_peak_mm3_s: sustained_peak, pushed, .. } = inspection.flow;
    let Pushed { peak_mm3_s: peak, mean_mm3_s: mean, quantiles_mm3_s: quantiles, .. } = pushed;
    if peak <= 0.0 {
        section.paragraph("no filament is pushed");
        return section;
    }
    let Capacity { sustained_mm3_s: sustained, peak_mm3_s: momentary } = inspection.capacity;
    let line = |line: Option<u64>| line.map(|line| format!("line {line}")).unwrap_or_default();
    let of = |capacity: Option<f64>| capacity.map_or("no capacity given".to_owned(), |c| format!("of {}", number(c)));
    let row = |name: &str, rate: f64, capacity: Option<f64>, at: Option<u64>| {
        vec![name.to_owned(), quantity(rate, "mm3/s"), of(capacity), line(at)]
    };
    section.rows(
        "<><<",
        &[
            row("in a burst", burst, momentary, inspection.flow.burst_peak_line),
            row("sustained", sustained_peak, sustained, inspection.flow.sustained_peak_line),
        ],
    );
    let moment = pushed.peak_line.map(|line| format!(" (line {line})")).unwrap_or_default();
    section.paragraph(&format!("for a moment {}{moment}", quantity(peak, "mm3/s")));
    if let Some(mean) = mean {
        section.paragraph(&format!("mean {}", quantity(mean, "mm3/s")));
    }
    if let Some([p50, p90, p95, p99]) = quantiles.map(|quantiles| quantiles.map(number)) {
        section.paragraph(&format!("p50 {p50} · p90 {p90} · p95 {p95} · p99 {p99} mm³/s"));
    }
    if let Some(seconds) = pushed.over_capacity_s {
        section.paragraph(&format!("momentarily above the sustained capacity for {}", duration(seconds)));
    }
    let strip = strip::lines(&inspection.series, sustained, section.width(), look);
    if !strip.is_empty() {
        let line = sustained.map_or(String::new(), |c| {
            format!("; what rises over the line {} exceeds the capacity of {}", strip::LINE, number(c))
        });
        section.line(String::new()).paragraph(&format!("sustained, mm³/s over time{line}"));
        strip.into_iter().for_each(|line| {
            section.line(line);
        });
    }
    section
}

/// Nothing where the sheet gives no lag of a nozzle.
fn widths(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("line width", look);
    let Some(widths) = inspection.widths else { return section };
    let share = |mm: f64| if widths.laid_mm > 0.0 { mm / widths.laid_mm } else { 0.0 };
    section.paragraph(&format!(
        "{:.1} % of the lines more than 15 % too wide, {:.1} % more than 15 % too thin",
        share(widths.wide_mm) * 100.0,
        share(widths.thin_mm) * 100.0
    ));
    let at = |line: Option<u64>| line.map(|line| format!(" (line {line})")).unwrap_or_default();
    if widths.bulge_mm3 > 0.0 {
        section.paragraph(&format!("largest bulge {}{}", quantity(widths.bulge_mm3, "mm3"), at(widths.bulge_line)));
    }
    if let Some(share) = widths.start_share {
        let start = format!("the thinnest start of a line gets {:.0} % over its first millimetre", share * 100.0);
        section.paragraph(&format!("{start}{}", at(widths.start_line)));
    }
    if let Some(led) = widths.led {
        let (speed, jump) = (quantity(led.speed_mm_s, "mm/s"), quantity(led.jump_mm_s, "mm/s"));
        let (speed_at, jump_at) = (at(led.speed_line), at(led.jump_line));
        section.paragraph(&format!(
            "with its lead the extruder runs at up to {speed}{speed_at}, jumps of {jump}{jump_at}"
        ));
    }
    section
}

/// Nothing where the sheet gives no modes: the checks say so.
fn ringing(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("ringing", look);
    let row = |ringing: &Ringing| {
        let limit = ringing.limit_mm.map_or("no limit given".to_owned(), |limit| format!("of {}", number(limit)));
        let p95 = ringing.p95_mm.map_or(String::new(), |p95| format!("p95 {}", number(p95)));
        let line = ringing.peak_line.map_or(String::new(), |line| format!("line {line}"));
        vec![ringing.axis.to_string(), quantity(ringing.peak_mm, "mm"), limit, p95, line]
    };
    let rows: Vec<_> = inspection.ringing.iter().map(row).collect();
    if rows.is_empty() {
        return section;
    }
    section.rows("<><<<", &rows);
    for ringing in &inspection.ringing {
        if let Some((hz, spacing)) = ringing.peak_hz.zip(ringing.mark_spacing_mm) {
            let (hz, spacing) = (quantity(hz, "Hz"), quantity(spacing, "mm"));
            let over = match ringing.over_limit_s {
                Some(over_s) if over_s > 0.0 => format!("; above the limit for {}", duration(over_s)),
                _ => String::new(),
            };
            section.paragraph(&format!("{} at {hz}, marks {spacing} apart at the worst place{over}", ringing.axis));
        }
    }
    section
}

fn reach(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("reach", look);
    let boxes = [("reached", inspection.reached), ("extruding", inspection.extruding)];
    let known: Vec<(&str, Box3)> = boxes.into_iter().filter_map(|(name, found)| Some((name, found?))).collect();
    if known.is_empty() {
        section.paragraph("nothing moves");
        return section;
    }
    let mut rows =
        vec![std::iter::once(String::new()).chain(known.iter().map(|(name, _)| (*name).to_owned())).collect()];
    for (axis, name) in ["x", "y", "z"].into_iter().enumerate() {
        let span = |(_, found): &(&str, Box3)| format!("{} … {}", number(found.min[axis]), number(found.max[axis]));
        let unit = std::iter::once("mm".to_owned());
        rows.push(std::iter::once(name.to_owned()).chain(known.iter().map(span)).chain(unit).collect::<Vec<_>>());
    }
    section.rows("<>>", &rows);
    let path = inspection.path_mm;
    let (all, extruding, travel) = (length(path.total()), length(path.extruding), length(path.travel));
    section.paragraph(&format!("path {all}: {extruding} extruding, {travel} travel"));
    section
}

fn heat(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("heat", look);
    let heat = &inspection.heat;
    let hottest: Vec<String> = hottest(inspection).map(|(name, most)| format!("{name} up to {most}")).collect();
    if hottest.is_empty() {
        section.paragraph("no heater gets a target");
        return section;
    }
    section.paragraph(&hottest.join(" · "));
    if heat.tools_max_c.len() > 1 {
        let tools = heat.tools_max_c.iter().map(|(tool, hottest)| format!("tool {tool} {}", quantity(*hottest, "°C")));
        section.paragraph(&tools.collect::<Vec<_>>().join(" · "));
    }
    let waits = match (heat.waits_modelled, inspection.time_s.heating > 0.0) {
        (true, _) => "in the time",
        (false, true) => "only partly in the time",
        (false, false) => "not in the time",
    };
    section.paragraph(&format!("waiting for heaters is {waits}"));
    section
}

/// Nothing where the sheet does not say what the machine draws.
fn energy(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("energy", look);
    if let Some(Energy { used_wh, mean_w, peak_w }) = inspection.energy {
        let [used, mean, peak] =
            [(used_wh, "Wh"), (mean_w, "W"), (peak_w, "W")].map(|(value, unit)| quantity(value, unit));
        section.paragraph(&format!("{used} from the mains in the planned time · {mean} on average · {peak} at most"));
    }
    section
}

fn filament(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("filament", look);
    let used = inspection.filament;
    let mass = used.net_g.map_or("mass unknown: a tool has no density".to_owned(), |mass| quantity(mass, "g"));
    let net = [
        format!("{:.1} mm", used.net_mm),
        format!("{:.2} m", used.net_mm / 1000.0),
        format!("{:.0} mm³", used.net_mm3),
        mass,
    ];
    section.paragraph(&net.join(" · "));
    let purged = length(inspection.purged_mm());
    let beside = match inspection.purge_line {
        Some(line) if used.purged_mm > 0.0 => {
            format!(" ({} on a line beside the print, line {})", length(line.filament_mm), line.first_line)
        }
        Some(line) => format!(" on a line beside the print (line {})", line.first_line),
        None => String::new(),
    };
    section.paragraph(&format!("pushed {}, of this purged {purged}{beside}", length(used.pushed_mm)));
    section
}

fn layers(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("layers", look);
    let (Some(first), Some(last)) = (inspection.layers.first(), inspection.layers.last()) else {
        section.paragraph(&counted(inspection.layers_total, "layer", "layers"));
        return section;
    };
    let kept = inspection.layers.len() as u64;
    let of = if kept < inspection.layers_total {
        format!(" (numbers of the first {})", grouped(kept))
    } else {
        String::new()
    };
    let total = grouped(inspection.layers_total);
    let (low, high) = (number(first.z_mm), number(last.z_mm));
    let grows = match last.z_top_mm > last.z_mm {
        true => format!(", which grows to z {} mm", number(last.z_top_mm)),
        false => String::new(),
    };
    section.paragraph(&format!("{total}{of}, first at z {low}, last at z {high} mm{grows}"));
    let longer = |a: &&Layer, b: &&Layer| a.time_s.total_cmp(&b.time_s);
    if let Some(longest) = inspection.layers.iter().rev().max_by(longer) {
        let (z, line) = (number(longest.z_mm), longest.first_line);
        section.paragraph(&format!("longest {} at z {z} mm, line {line}", duration(longest.time_s)));
    }
    section
}

fn job(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("job", look);
    let (job, machine) = (&inspection.job, &inspection.machine);
    let facts = [
        counted(job.lines, "line", "lines"),
        counted(job.commands, "command", "commands"),
        counted(job.moves, "move", "moves"),
        bytes(job.bytes),
    ];
    section.paragraph(&facts.join(" · "));
    section.paragraph(&format!("{} {}", path(&job.path), safe(short_digest(&job.digest))));
    section.paragraph(&format!("machine sheet {} {}", safe(&machine.source), safe(short_digest(&machine.digest))));
    section
}

fn checks(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("checks", look);
    let (made, skipped) = (&inspection.checks_run, &inspection.checks_skipped);
    section.paragraph(&format!("{} made, {} not made", made.len(), skipped.len()));
    section.styled_paragraph(&made.join(" · "), Style::new().effects(Effects::DIMMED));
    for skipped in skipped {
        section.item("–", &format!("not made: {} – {}", skipped.check, safe(&skipped.reason)));
    }
    section
}

fn left_out(inspection: &Inspection, look: Look) -> Section {
    let mut section = Section::new("left out", look);
    for sentence in &inspection.left_out {
        section.item("–", &safe(sentence));
    }
    section
}
