//! From the flat sheet to a [`Machine`]: rules across keys, defaults, and where every value came from.

mod drive;
mod melting;
mod origins;
mod pressure;
mod structure;

use super::Macro;
use std::collections::BTreeMap;
use std::path::Path;

use toml::de::DeValue;

use super::keys::{self, Key, Kind, Preset, TEXT_MAX};
use super::sheet::{CheckIds, Entry, Sheet};
use super::value::{self, Found, Value};
use super::{
    Bed, BedShape, Carriage, Chamber, Cone, Controller, CornerRule, DriveLayout, ExtrusionMode, Feature, Head, Heating,
    KeepOut, LearnedClock, Limits, LookAhead, Machine, Motion, Override, Power, PurgeZone, Ramp, Rectangle, Retraction,
    ThinQueue, Tool, Travel,
};
use crate::machine::Severity;
use crate::wording::safe;

pub use origins::{Origin, Origins};

const AXES: [&str; 4] = ["x", "y", "z", "e"];
const BED: &str = "travel.bed";
const HOMES_Z_AT: &str = "travel.homes_z_at_mm";
const LAYOUT: &str = "motion.drive_layout";
const TOWERS: &str = "motion.towers";
const AMBIENT: &str = "room.ambient_c";

/// Resolves a sheet; adds what is wrong across keys to `found`. The machine counts only when `found` stays empty:
/// required keys that are missing or faulty read as not a number.
pub(super) fn resolve(sheet: &mut Sheet, source: &str, digest: String, checks: CheckIds<'_>) -> Machine {
    let reader = Reader { sheet };
    let mut found = Vec::new();
    reader.cross_check(&mut found);
    let machine = Machine {
        name: reader.text("name").unwrap_or_else(|| name_of(source)),
        source: source.to_owned(),
        digest,
        text: String::new(),
        known_checks: checks.to_vec(),
        built_in: false,
        travel: reader.travel(),
        motion: reader.motion(),
        drive: reader.drives(),
        structure: reader.structure(),
        controller: reader.controller(),
        tools: (0..reader.count("tool[]")).map(|i| reader.tool(i)).collect(),
        macros: reader.macros(),
        head: reader.head(),
        probe_offset_mm: reader.has("probe").then(|| reader.numbers("probe.offset_mm")),
        bed: reader.has("bed").then(|| Bed {
            limit_c: reader.number("bed.temperature_limit_c"),
            heating: reader.heating("bed.heating"),
            body: reader.heated_body("bed", "mass_g"),
        }),
        chamber: reader.has("chamber").then(|| Chamber {
            limit_c: reader.number("chamber.temperature_limit_c"),
            heating: reader.heating("chamber.heating"),
        }),
        power: reader.power(),
        ambient_c: reader.required(AMBIENT),
        clock: reader.clock(),
        severities: reader.severities(checks),
        origins: Origins::default(),
    };
    sheet.found.extend(found);
    machine
}

impl Machine {
    /// The machine as if its sheet had come from `source`, which names it where the sheet does not.
    pub fn from_elsewhere(&self, source: &str) -> Self {
        let mut machine = Self { source: source.to_owned(), ..self.clone() };
        if let Some(origins) = machine.origins.of_source(&name_of(source)) {
            (machine.name, machine.origins) = (name_of(source), origins);
        }
        machine
    }
}

/// Name of a machine whose sheet gives none: that of the file.
pub(super) fn name_of(source: &str) -> String {
    let stem = Path::new(source).file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
    match stem.chars().any(char::is_alphanumeric) {
        true => safe(&stem).chars().take(TEXT_MAX).collect(),
        false => "unnamed machine".to_owned(),
    }
}

struct Reader<'a> {
    sheet: &'a Sheet,
}

impl Reader<'_> {
    fn entry(&self, path: &str) -> Option<&Entry> {
        self.sheet.entries.get(path)
    }

    fn has(&self, path: &str) -> bool {
        self.entry(path).is_some()
    }

    fn count(&self, list: &str) -> usize {
        self.sheet.lists.get(list).copied().unwrap_or(0)
    }

    /// The value written, else the one that holds without; none where nothing is known.
    fn value(&self, path: &str) -> Option<Value> {
        match self.entry(path) {
            Some(entry) => Some(entry.value.clone()),
            None => self.default(path),
        }
    }

    fn default(&self, path: &str) -> Option<Value> {
        let key = keys::find(&keys::template(path))?;
        match key.preset {
            Preset::Value(text) => default_value(key, text),
            Preset::RequiredInFirst => {
                let (_, name) = path.rsplit_once('.')?;
                self.entry(&format!("tool[0].{name}")).map(|entry| entry.value.clone())
            }
            Preset::Depends(_) if path == BED => {
                let disc = self.word(LAYOUT) == "three-towers";
                Some(Value::Word(if disc { "disc" } else { "rectangle" }.to_owned()))
            }
            Preset::Depends(_) if path.ends_with(".feed_in_c") => self.value(AMBIENT),
            Preset::Depends(_) if path.ends_with("recover_feed_rate_mm_s") => {
                let table = path.rsplit_once('.')?.0;
                self.value(&format!("{table}.feed_rate_mm_s"))
            }
            Preset::Depends(_) | Preset::Required | Preset::Unset => None,
        }
    }

    fn number(&self, path: &str) -> Option<f64> {
        match self.value(path)? {
            Value::Number(number) => Some(number),
            _ => None,
        }
    }

    fn required(&self, path: &str) -> f64 {
        self.number(path).unwrap_or(f64::NAN)
    }

    fn text(&self, path: &str) -> Option<String> {
        match self.value(path)? {
            Value::Word(word) => Some(word),
            _ => None,
        }
    }

    fn word(&self, path: &str) -> String {
        self.text(path).unwrap_or_default()
    }

    fn numbers<const N: usize>(&self, path: &str) -> [f64; N] {
        match self.value(path) {
            Some(Value::Numbers(numbers)) => numbers.try_into().unwrap_or([f64::NAN; N]),
            _ => [f64::NAN; N],
        }
    }

    fn per_axis(&self, table: &str) -> [f64; 4] {
        AXES.map(|axis| self.required(&format!("{table}.{axis}")))
    }

    /// Lowest and highest corner of three ranges.
    fn span(&self, table: &str) -> ([f64; 3], [f64; 3]) {
        let ranges: [[f64; 2]; 3] = ["x", "y", "z"].map(|axis| self.numbers(&format!("{table}.{axis}")));
        (ranges.map(|range| range[0]), ranges.map(|range| range[1]))
    }

    fn travel(&self) -> Travel {
        let (min, max) = self.span("travel");
        let keep_out = |i| {
            let path = format!("travel.keep_out[{i}]");
            let (min, max) = self.span(&path);
            KeepOut { what: self.word(&format!("{path}.what")), min, max }
        };
        let area = |path: &str| self.area(path);
        let purge = |i| {
            let path = format!("bed.purge[{i}]");
            PurgeZone { what: self.word(&format!("{path}.what")), area: area(&path) }
        };
        Travel {
            min,
            max,
            bed: if self.word(BED) == "disc" { BedShape::Disc } else { BedShape::Rectangle },
            home: self.numbers("travel.home"),
            home_given: self.has("travel.home"),
            homes_z_at_mm: self.has(HOMES_Z_AT).then(|| self.numbers(HOMES_Z_AT)),
            keep_out: (0..self.count("travel.keep_out[]")).map(keep_out).collect(),
            printable: self.has("bed.printable").then(|| area("bed.printable")),
            purge: (0..self.count("bed.purge[]")).map(purge).collect(),
        }
    }

    /// A rectangle by its two ranges.
    fn area(&self, table: &str) -> Rectangle {
        let [x, y]: [[f64; 2]; 2] = ["x", "y"].map(|axis| self.numbers(&format!("{table}.{axis}")));
        Rectangle { min: [x[0], y[0]], max: [x[1], y[1]] }
    }

    fn head(&self) -> Option<Head> {
        let cone = self.has("head.cone").then(|| Cone {
            height_mm: self.required("head.cone.height_mm"),
            radius_mm: self.required("head.cone.radius_mm"),
        });
        let carriage = self
            .has("head.carriage")
            .then(|| Carriage { above_mm: self.required("head.carriage.above_mm"), area: self.area("head.carriage") });
        (cone.is_some() || carriage.is_some()).then_some(Head { cone, carriage })
    }

    fn macros(&self) -> Vec<Macro> {
        let described = |i| {
            let at = |key: &str| format!("macro[{i}].{key}");
            let says = |key: &str| self.value(&at(key)) == Some(Value::Bool(true));
            let heats = ["nozzle", "bed", "chamber"].map(|heater| self.text(&at(&format!("{heater}_argument"))));
            Macro {
                name: self.word(&at("name")),
                homes: says("homes"),
                heats,
                takes_s: self.number(&at("takes_s")).unwrap_or(0.0),
                leaves_at_mm: self.has(&at("leaves_at_mm")).then(|| self.numbers(&at("leaves_at_mm"))),
                acceleration_argument: self.text(&at("acceleration_argument")),
                jerk_argument: self.text(&at("jerk_argument")),
                right_angle_argument: self.text(&at("right_angle_argument")),
                lead_argument: self.text(&at("lead_argument")),
                ends: says("ends"),
                harmless: says("harmless"),
            }
        };
        (0..self.count("macro[]")).map(described).collect()
    }

    fn motion(&self) -> Motion {
        let arms_mm = self.number("motion.towers.arm_mm").zip(self.number("motion.towers.radius_mm"));
        let rule = CornerRule::ALL.into_iter().find(|rule| self.has(rule.key()));
        let corner = match rule.unwrap_or(CornerRule::JunctionDeviation) {
            CornerRule::Jerk if self.word("motion.jerk_at_reversal") == "larger-speed" => CornerRule::JerkByLargerSpeed,
            rule => rule,
        };
        let limits = Limits {
            feed_rate_mm_s: self.per_axis("motion.feed_rate_limit_mm_s"),
            acceleration_mm_s2: self.per_axis("motion.acceleration_limit_mm_s2"),
            printing_mm_s2: self.required("motion.acceleration_mm_s2.printing"),
            travel_mm_s2: self.required("motion.acceleration_mm_s2.travel"),
            retraction_mm_s2: self.required("motion.acceleration_mm_s2.retraction"),
            corner,
            jerk_mm_s: match corner {
                CornerRule::Jerk | CornerRule::JerkByLargerSpeed => self.per_axis(corner.key()),
                CornerRule::JunctionDeviation => [0.0; 4],
            },
            junction_deviation_mm: self.number("motion.corner.junction_deviation_mm").unwrap_or(0.0),
            lead_s: self.number("tool[0].extrusion_lead_s").unwrap_or(0.0),
            lead_jump_mm_s: self.number("controller.lead_jump_limit_mm_s").unwrap_or(f64::INFINITY),
        };
        Motion {
            drive_layout: match self.word(LAYOUT).as_str() {
                "crossed-belts" => DriveLayout::CrossedBelts,
                "three-towers" => DriveLayout::ThreeTowers { arms_mm },
                _ => DriveLayout::OnePerAxis,
            },
            limits,
            look_ahead: match self.value("motion.look_ahead_moves") {
                Some(Value::Count(moves)) => LookAhead::Moves(u32::try_from(moves).unwrap_or(u32::MAX)),
                _ => LookAhead::Unlimited,
            },
            ramp: match self.value("motion.ramp") {
                Some(Value::Table) => Ramp::JerkLimited(self.per_axis("motion.ramp.jerk_mm_s3")),
                Some(Value::Word(word)) if word == "same-time-quintic" => Ramp::SameTimeQuintic,
                _ => Ramp::Trapezoid,
            },
        }
    }

    fn controller(&self) -> Controller {
        let lacks = match self.value("controller.lacks") {
            Some(Value::Words(words)) => words,
            _ => Vec::new(),
        };
        let own_words = self.word("controller.extrusion_mode") == "own-words";
        Controller {
            extrusion_mode: if own_words { ExtrusionMode::OwnWords } else { ExtrusionMode::LatestWord },
            obeys_limits_in_job: self.value("controller.obeys_limits_in_job") == Some(Value::Bool(true)),
            default_feed_rate_mm_s: self.required("controller.default_feed_rate_mm_s"),
            dwell_p_s: if self.word("controller.dwell_p") == "seconds" { 1.0 } else { 0.001 },
            first_command_only: self.word("controller.commands_per_line") == "first",
            pause: Some(self.word("controller.pause")).filter(|word| word != "timed"),
            steps_per_mm: AXES.map(|axis| self.number(&format!("controller.steps_per_mm.{axis}"))),
            step_rate_limit_hz: self.number("controller.step_rate_limit_hz"),
            command_rate_limit_hz: self.number("controller.command_rate_limit_hz"),
            serial_baud: self.number("controller.serial_baud"),
            sends_comments: self.value("controller.sends_comments") == Some(Value::Bool(true)),
            acknowledge_s: self.number("controller.acknowledge_s"),
            thin_queue: self.has("controller.thin_queue").then(|| ThinQueue {
                below: self.required("controller.thin_queue.below"),
                least_s: self.required("controller.thin_queue.least_s"),
            }),
            line_length_limit_bytes: match self.value("controller.line_length_limit_bytes") {
                Some(Value::Count(bytes)) => Some(bytes),
                _ => None,
            },
            lacks: Feature::ALL.into_iter().filter(|feature| lacks.iter().any(|word| word == feature.word())).collect(),
            homing_s: self.number("controller.homing_s"),
            probing_s: self.number("controller.probing_s"),
            no_tool_number: self.number("controller.no_tool_number"),
            tool_change_s: self.number("controller.tool_change_s"),
            step_spread_s: self.number("controller.step_spread_s"),
        }
    }

    fn tool(&self, index: usize) -> Tool {
        let at = |name: &str| format!("tool[{index}].{name}");
        let number = |name: &str| self.number(&at(name));
        Tool {
            filament_diameter_mm: self.required(&at("filament_diameter_mm")),
            nozzle_diameter_mm: number("nozzle_diameter_mm"),
            limit_c: number("temperature_c.limit"),
            extrude_min_c: number("temperature_c.extrude_min"),
            sustained_mm3_s: number("melt_rate_mm3_s.sustained"),
            peak_mm3_s: number("melt_rate_mm3_s.peak"),
            melt_rate_measured_at_c: number("melt_rate_measured_at_c"),
            melt_by_heat: self.melt_by_heat(index),
            melt_window_s: self.required(&at("melt_window_s")),
            nozzle_offset_c: self.required(&at("nozzle_offset_c")),
            layer_time_min_s: number("layer_time_min_s"),
            filaments: match self.value(&at("filaments")) {
                Some(Value::Count(count)) => u32::try_from(count).unwrap_or(1),
                _ => 1,
            },
            retraction_limit_mm: self.required(&at("retraction_limit_mm")),
            heating: self.heating(&at("heating")),
            body: self.heated_body(&format!("tool[{index}]"), "block_mass_g"),
            plastic_liner: match self.value(&at("plastic_liner")) {
                Some(Value::Bool(liner)) => Some(liner),
                _ => None,
            },
            liner_limit_c: number("liner_limit_c"),
            density_g_cm3: number("density_g_cm3"),
            filament_specific_heat_j_g_k: number("filament_specific_heat_j_g_k"),
            on_spool_mm: number("on_spool_mm"),
            offset_mm: self.numbers(&at("offset_mm")),
            retraction: self.has(&at("retraction")).then(|| Retraction {
                length_mm: self.required(&at("retraction.length_mm")),
                feed_rate_mm_s: self.required(&at("retraction.feed_rate_mm_s")),
                recover_extra_mm: self.required(&at("retraction.recover_extra_mm")),
                recover_feed_rate_mm_s: self.required(&at("retraction.recover_feed_rate_mm_s")),
                lift_mm: self.required(&at("retraction.lift_mm")),
            }),
            extrusion_lead_s: number("extrusion_lead_s"),
            pressure_lag: self.pressure_lag(index),
            bulge_limit_mm3: number("bulge_limit_mm3"),
        }
    }

    fn heating(&self, table: &str) -> Option<Heating> {
        self.has(table).then(|| Heating {
            time_constant_s: self.required(&format!("{table}.time_constant_s")),
            full_power_c: self.required(&format!("{table}.full_power_c")),
        })
    }

    fn clock(&self) -> Option<LearnedClock> {
        let number = |name: &str| self.number(&format!("clock.{name}"));
        self.has("clock").then(|| LearnedClock {
            start_s: self.required("clock.start_s"),
            factor: self.required("clock.factor"),
            spread: self.required("clock.spread"),
            factor_spread: number("factor_spread"),
            motion_s: number("motion_s"),
            from_prints: match self.value("clock.from_prints") {
                Some(Value::Count(prints)) => prints,
                _ => 0,
            },
            bed_time_constant_s: number("bed_time_constant_s"),
            nozzle_time_constant_s: number("nozzle_time_constant_s"),
            homing_s: number("homing_s"),
            probing_s: number("probing_s"),
            tool_change_s: number("tool_change_s"),
        })
    }

    fn power(&self) -> Option<Power> {
        self.has("power").then(|| Power {
            electronics_w: self.required("power.electronics_w"),
            motors_w: self.required("power.motors_w"),
            nozzle_w: self.number("power.nozzle_w"),
            bed_w: self.number("power.bed_w").or(self.number("bed.heater_w")),
            chamber_w: self.number("power.chamber_w"),
        })
    }

    fn severities(&self, checks: CheckIds<'_>) -> BTreeMap<String, Override> {
        let set = |id: &str| match self.word(&format!("checks.{id}")).as_str() {
            "no-go" => Some(Override::Severity(Severity::NoGo)),
            "hold" => Some(Override::Severity(Severity::Hold)),
            "note" => Some(Override::Severity(Severity::Note)),
            "off" => Some(Override::Off),
            _ => None,
        };
        let said = self.sheet.entries.keys().any(|path| path.starts_with("checks."));
        let checks = checks.iter().filter(|_| said);
        checks.filter_map(|(id, _)| Some(((*id).to_owned(), set(id)?))).collect()
    }
}

/// Rules across keys.
impl Reader<'_> {
    fn cross_check(&self, found: &mut Vec<Found>) {
        self.check_homing(found);
        self.check_towers(found);
        self.check_drives(found);
        self.check_structure(found);
        self.check_queue(found);
        self.check_lead(found);
        let mut heatings = vec!["bed.heating".to_owned(), "chamber.heating".to_owned()];
        for i in 0..self.count("tool[]") {
            let temperature = format!("tool[{i}].temperature_c");
            self.not_above(found, &format!("{temperature}.extrude_min"), &format!("{temperature}.limit"));
            let melt_rate = format!("tool[{i}].melt_rate_mm3_s");
            self.not_above(found, &format!("{melt_rate}.sustained"), &format!("{melt_rate}.peak"));
            self.check_melting(found, i);
            self.check_pressure(found, i);
            self.check_liner(found, i);
            heatings.push(format!("tool[{i}].heating"));
        }
        for heating in heatings {
            self.check_heating(found, &format!("{heating}.full_power_c"));
        }
    }

    /// The place where Z is homed is one that the nozzle can reach, on a machine that homes Z by itself.
    fn check_homing(&self, found: &mut Vec<Found>) {
        let Some(entry) = self.entry(HOMES_Z_AT) else { return };
        let mut fault = |message: String, advice: &str| {
            found.push(Found::new(entry.span.clone(), message).suggest(advice.to_owned()));
        };
        if self.word(LAYOUT) == "three-towers" {
            return fault("`homes_z_at_mm` is not for three towers: they home together".to_owned(), "leave it out");
        }
        let place: [f64; 2] = self.numbers(HOMES_Z_AT);
        for (axis, at) in ["x", "y"].into_iter().zip(place) {
            let [low, high]: [f64; 2] = self.numbers(&format!("travel.{axis}"));
            // A range that is faulty itself has no numbers.
            if at < low || at > high {
                let message = format!("`homes_z_at_mm` lies outside travel: {axis} {at} is not within {low} to {high}");
                fault(message, "write where the nozzle is in machine coordinates while Z is homed");
            }
        }
    }

    /// A queue that commands fill at some rate has a length.
    fn check_queue(&self, found: &mut Vec<Found>) {
        const CARD: &str = "controller.command_rate_limit_hz";
        const LINE: &str = "controller.serial_baud";
        let needs = [
            ("controller.sends_comments", &[LINE][..]),
            ("controller.acknowledge_s", &[LINE]),
            ("controller.thin_queue", &[CARD, LINE]),
        ];
        for (key, needed) in needs {
            let Some(entry) = self.entry(key).filter(|_| !needed.iter().any(|needed| self.has(needed))) else {
                continue;
            };
            let names: Vec<_> = needed.iter().map(|needed| format!("`{}`", last(needed))).collect();
            let message = format!("`{}` does nothing without {}", last(key), names.join(" or "));
            let advice = "write how fast commands come, or leave it out".to_owned();
            found.push(Found::new(entry.span.clone(), message).suggest(advice));
        }
        if !matches!(self.value("motion.look_ahead_moves"), Some(Value::Word(_))) {
            return;
        }
        for key in ["controller.command_rate_limit_hz", "controller.serial_baud", "controller.thin_queue"] {
            let Some(entry) = self.entry(key) else { continue };
            let message = format!("`{}` needs a queue of some length, and `look_ahead_moves` is unlimited", last(key));
            let advice = "write how many moves the controller holds as `motion.look_ahead_moves`; where it plans whole \
                          jobs, leave this key out";
            found.push(Found::new(entry.span.clone(), message).suggest(advice.to_owned()));
        }
    }

    /// A limit of a liner that is not there.
    fn check_liner(&self, found: &mut Vec<Found>, index: usize) {
        let liner = self.entry(&format!("tool[{index}].plastic_liner"));
        let Some(limit) = self.entry(&format!("tool[{index}].liner_limit_c")) else { return };
        if let Some(liner) = liner.filter(|liner| liner.value == Value::Bool(false)) {
            let message = format!("`liner_limit_c` without a liner: `plastic_liner` is false in line {}", liner.line);
            found.push(Found::new(limit.span.clone(), message).suggest("keep what is true of the hotend".to_owned()));
        }
    }

    /// The value at `low` must not be above that at `high`, where both are written.
    fn not_above(&self, found: &mut Vec<Found>, low: &str, high: &str) {
        let (Some(at), Some(limit)) = (self.entry(low), self.entry(high)) else { return };
        let (Value::Number(value), Value::Number(most)) = (&at.value, &limit.value) else { return };
        if value > most {
            let (low, high) = (last(low), last(high));
            let message = format!(
                "`{low}` {} is above `{high}` {} of line {}",
                keys::short(*value),
                keys::short(*most),
                limit.line
            );
            found.push(Found::new(at.span.clone(), message).suggest(format!("lower `{low}` or raise `{high}`")));
        }
    }

    fn check_heating(&self, found: &mut Vec<Found>, path: &str) {
        let (Some(entry), Some(ambient)) = (self.entry(path), self.number(AMBIENT)) else { return };
        if let Value::Number(full_power) = entry.value
            && full_power <= ambient
        {
            let message = format!(
                "`full_power_c` {} does not reach above the room's {} °C: the heater would never heat",
                keys::short(full_power),
                keys::short(ambient)
            );
            let advice = "write the temperature reached after a long time at full power".to_owned();
            found.push(Found::new(entry.span.clone(), message).suggest(advice));
        }
    }

    fn check_towers(&self, found: &mut Vec<Found>) {
        let Some(towers) = self.entry(TOWERS) else { return };
        // A faulty layout has a fault of its own.
        if matches!(self.word(LAYOUT).as_str(), "one-per-axis" | "crossed-belts") {
            let message = format!("`towers` is for drive_layout \"three-towers\", not \"{}\"", self.word(LAYOUT));
            let advice = "set drive_layout = \"three-towers\" or remove `towers`".to_owned();
            found.push(Found::new(towers.span.clone(), message).suggest(advice));
        }
        let radius = self.entry("motion.towers.radius_mm");
        let (Some(arm), Some(radius)) = (self.number("motion.towers.arm_mm"), radius) else { return };
        if let Value::Number(radius_mm) = radius.value
            && radius_mm >= arm
        {
            let (radius_mm, arm) = (keys::short(radius_mm), keys::short(arm));
            let message = format!("`radius_mm` {radius_mm} must be below `arm_mm` {arm}: the arms would not reach");
            found.push(Found::new(radius.span.clone(), message));
        }
    }
}

fn last(path: &str) -> &str {
    path.rsplit('.').next().unwrap_or(path)
}

/// The default of a key, read like a value of the sheet.
pub(super) fn default_value(key: &Key, text: &str) -> Option<Value> {
    // Most are numbers, which TOML writes as everybody does.
    if let (Kind::Number { .. }, Ok(number)) = (key.kind, text.parse()) {
        return Some(Value::Number(number));
    }
    let value = DeValue::parse(text).ok()?;
    value::read(key, &value).ok()
}
