//! Heater limits, and heater power against what it heats.
//!
//! Without losses a power P heats a mass m of specific heat c at P / (m c). A first-order law that tends to T∞ with the
//! time constant τ starts at (T∞ − T_room) / τ. All bounds are common practice without a source; the maker's documents of
//! hotend, sensor, liner and bed come first.

use super::{Comparison, Expected, Outcome, Row, Subject};
use crate::machine::{HeatedBody, Heating, Machine, Tool};
use crate::wording::figure;

/// Limit of the hotend, against what its parts bear.
pub const HOTEND_LIMIT: Comparison = Comparison {
    id: "hotend-limit-against-liner-and-sensor",
    subject: Subject::Heat,
    summary: "Temperature limit of the hotend, against what a plastic liner and a common sensor withstand.",
    compare: hotend_limit,
};

/// Lowest temperature to extrude at, against common filaments.
pub const EXTRUDE_MIN: Comparison = Comparison {
    id: "extrude-min-against-common-filaments",
    subject: Subject::Heat,
    summary: "Lowest temperature at which filament may be pushed, against what common filaments need.",
    compare: extrude_min,
};

/// Limit of the bed, against what common beds bear.
pub const BED_LIMIT: Comparison = Comparison {
    id: "bed-limit-against-common-beds",
    subject: Subject::Heat,
    summary: "Temperature limit of the bed, against what glue, magnets and plastic parts beside it withstand.",
    compare: bed_limit,
};

/// Heating rate by power and mass, against common rates.
pub const HEATING_RATE: Comparison = Comparison {
    id: "heating-rate-against-common-rates",
    subject: Subject::Heat,
    summary: "Heating rate by heater power, mass and specific heat, against what is common.",
    compare: heating_rate,
};

/// Start of the heating law, against power and mass.
pub const HEATING_LAW: Comparison = Comparison {
    id: "heating-law-against-power-and-mass",
    subject: Subject::Heat,
    summary: "Heating rate at the start of the heating law, against that by heater power and mass.",
    compare: heating_law,
};

/// Where a heater that is stuck on ends, against the limit.
pub const STUCK_ON: Comparison = Comparison {
    id: "stuck-on-heater-against-limit",
    subject: Subject::Heat,
    summary: "Temperature a heater that is stuck on tends to, against the lowest limit of what it heats.",
    compare: stuck_on,
};

/// Up to here a plastic liner gives off little, °C, where the sheet gives no limit of its own.
const LINER_C: f64 = 240.0;
/// From here on the usual plastic of liners breaks down, °C.
const LINER_MOST_C: f64 = 260.0;
/// What a common bead sensor and its wiring bear, °C.
const SENSOR_C: f64 = 300.0;
/// Below it no common filament flows, °C.
const FLOWS_C: f64 = 150.0;
/// What glue, magnets and plastic parts by the bed bear, °C.
const BED_C: f64 = 120.0;
/// A heater stuck on that ends so far above the limit can start a fire, K.
const STUCK_K: f64 = 150.0;
/// How far law and power may be apart, as a factor: losses and what is heated beside the block.
const APART: f64 = 2.0;

const FUMES: &str = "a plastic liner this hot gives off harmful fumes: lower the limit, and ventilate";

/// What the liner of a tool withstands, °C; none where there is none, or where the sheet does not say.
fn liner_c(tool: &Tool) -> Option<f64> {
    match tool.plastic_liner {
        Some(false) => None,
        Some(true) => Some(tool.liner_limit_c.unwrap_or(LINER_C)),
        None => tool.liner_limit_c,
    }
}

fn tools(machine: &Machine, row: impl Fn(&str, usize) -> Row) -> Vec<Row> {
    (0..machine.tools.len()).map(|index| row(&format!("tool {index}"), index)).collect()
}

fn hotend_limit(machine: &Machine) -> Vec<Row> {
    tools(machine, |what, index| {
        let tool = &machine.tools[index];
        let Some(limit) = tool.limit_c else {
            return Row::skipped(what, "the sheet gives no `temperature_c` limit for it");
        };
        let liner = liner_c(tool);
        let most = match (liner, tool.plastic_liner) {
            (Some(liner), _) => liner,
            (None, Some(false)) => SENSOR_C,
            (None, _) => LINER_C,
        };
        let (outcome, message) = match liner {
            _ if limit <= most => (Outcome::Go, "as usual".to_owned()),
            Some(liner) if limit > LINER_MOST_C.max(liner) => {
                (Outcome::NoGo, format!("the liner breaks down; {FUMES}"))
            }
            Some(_) => (Outcome::Hold, FUMES.to_owned()),
            None if tool.plastic_liner.is_none() && limit <= SENSOR_C => (
                Outcome::Hold,
                format!("if there is a plastic liner in the heat break: {FUMES}; else write `plastic_liner = false`"),
            ),
            None => (
                Outcome::Hold,
                "beyond common sensors, wiring and insulation: only by the documents of all parts".to_owned(),
            ),
        };
        Row::new(what, outcome, message).set(limit, "°C").expected(Expected::AtMost(most))
    })
}

fn extrude_min(machine: &Machine) -> Vec<Row> {
    tools(machine, |what, index| {
        let Some(min) = machine.tools[index].extrude_min_c else {
            return Row::skipped(what, "the sheet gives no `temperature_c` extrude_min for it");
        };
        let (outcome, message) = match min >= FLOWS_C {
            true => (Outcome::Go, "as usual"),
            false => {
                (Outcome::Hold, "the guard against cold extrusion hardly guards; only for filaments that melt low")
            }
        };
        Row::new(what, outcome, message).set(min, "°C").expected(Expected::AtLeast(FLOWS_C))
    })
}

fn bed_limit(machine: &Machine) -> Vec<Row> {
    let Some(limit) = machine.bed.and_then(|bed| bed.limit_c) else {
        return vec![Row::skipped("bed", "the sheet gives no `[bed] temperature_limit_c`")];
    };
    let (outcome, message) = match limit <= BED_C {
        true => (Outcome::Go, "as usual"),
        false => (Outcome::Hold, "beyond common beds: check glue, magnets, wiring, and a thermal fuse on the bed"),
    };
    vec![Row::new("bed", outcome, message).set(limit, "°C").expected(Expected::AtMost(BED_C))]
}

/// A heater of the machine.
struct Heater {
    what: String,
    body: HeatedBody,
    law: Option<Heating>,
    limit_c: Option<f64>,
    /// What its plastic liner withstands, °C.
    liner_c: Option<f64>,
    /// Heating rates that are common, K/s.
    common_k_s: [f64; 2],
    /// Its keys of power and mass.
    keys: &'static str,
}

impl Heater {
    /// The lowest limit that applies, °C, and in words whose it is where that is not the heater's own.
    fn lowest_limit(&self) -> Result<(f64, &'static str), String> {
        match (self.limit_c, self.liner_c) {
            (limit, Some(liner)) if limit.is_none_or(|limit| liner < limit) => Ok((liner, " of the plastic liner")),
            (Some(limit), _) => Ok((limit, "")),
            (None, _) => Err("the sheet gives no `temperature` limit for it".to_owned()),
        }
    }

    /// P / (m c), K/s, and its formula.
    fn rate(&self) -> Result<(f64, String), String> {
        let (Some(watt), Some(gram)) = (self.body.heater_w, self.body.mass_g) else {
            return Err(format!("the sheet does not give both {} for it", self.keys));
        };
        let specific = self.body.specific_heat_j_g_k;
        let rate = watt / (gram * specific);
        let (watt, gram, specific) = (figure(watt), figure(gram), figure(specific));
        Ok((rate, format!("{watt} W / ({gram} g × {specific} J/(g K)) = {} K/s", figure(rate))))
    }
}

fn heaters(machine: &Machine) -> Vec<Heater> {
    let mut heaters: Vec<Heater> = machine
        .tools
        .iter()
        .enumerate()
        .map(|(index, tool)| Heater {
            what: format!("tool {index}"),
            body: tool.body,
            law: tool.heating,
            limit_c: tool.limit_c,
            liner_c: liner_c(tool),
            common_k_s: [0.5, 15.0],
            keys: "`heater_w` and `block_mass_g`",
        })
        .collect();
    heaters.extend(machine.bed.map(|bed| Heater {
        what: "bed".to_owned(),
        body: bed.body,
        law: bed.heating,
        limit_c: bed.limit_c,
        liner_c: None,
        common_k_s: [0.05, 2.0],
        keys: "`heater_w` and `mass_g`",
    }));
    heaters
}

fn each(machine: &Machine, row: impl Fn(&Heater) -> Result<Row, String>) -> Vec<Row> {
    let heaters = heaters(machine);
    heaters.iter().map(|heater| row(heater).unwrap_or_else(|reason| Row::skipped(&heater.what, reason))).collect()
}

fn heating_rate(machine: &Machine) -> Vec<Row> {
    each(machine, |heater| {
        let (rate, formula) = heater.rate()?;
        let [least, most] = heater.common_k_s;
        let to_limit = match heater.limit_c.map(|limit| (limit - machine.ambient_c) / rate) {
            Some(seconds) if seconds > 0.0 => format!("; without loss {} s to the limit", figure(seconds.round())),
            _ => String::new(),
        };
        let (outcome, what) = match rate {
            rate if rate < least => (Outcome::Hold, "slow: is the power that of one heater, and the mass in g?"),
            rate if rate > most => {
                (Outcome::Hold, "fast: stuck on it passes the limit before anyone is there; is the power right?")
            }
            _ => (Outcome::Go, "as usual"),
        };
        Ok(Row::new(&heater.what, outcome, format!("{what}{to_limit}"))
            .set(rate, "K/s")
            .expected(Expected::Between(least, most))
            .formula(formula))
    })
}

fn heating_law(machine: &Machine) -> Vec<Row> {
    each(machine, |heater| {
        let law = heater.law.ok_or_else(|| "the sheet gives no `heating` for it".to_owned())?;
        let (rate, formula) = heater.rate()?;
        let start = (law.full_power_c - machine.ambient_c) / law.time_constant_s;
        let (outcome, message) = match start / rate {
            ratio if ratio > APART => (Outcome::Hold, "the law heats faster than that power can"),
            ratio if ratio < 1.0 / APART => (Outcome::Hold, "the law heats slower than that power should"),
            _ => (Outcome::Go, "law and power agree"),
        };
        let (full, room, time) = (figure(law.full_power_c), figure(machine.ambient_c), figure(law.time_constant_s));
        Ok(Row::new(&heater.what, outcome, message)
            .set(start, "K/s")
            .expected(Expected::Between(rate / APART, rate * APART))
            .formula(format!("({full} − {room}) K / {time} s = {} K/s; {formula}", figure(start))))
    })
}

fn stuck_on(machine: &Machine) -> Vec<Row> {
    each(machine, |heater| {
        let law = heater.law.ok_or_else(|| "the sheet gives no `heating` for it".to_owned())?;
        let (limit, whose) = heater.lowest_limit()?;
        let over = law.full_power_c - limit;
        let (outcome, message) = match over {
            over if over <= 0.0 => (Outcome::Go, format!("it cannot pass the limit{whose}")),
            over if over <= STUCK_K => (
                Outcome::Note,
                format!("{} K over the limit{whose}: never unattended, and with a thermal cut-out", figure(over)),
            ),
            over => (
                Outcome::Hold,
                format!(
                    "{} K over the limit{whose}: a fire hazard without an independent thermal cut-out",
                    figure(over)
                ),
            ),
        };
        Ok(Row::new(&heater.what, outcome, message).set(law.full_power_c, "°C").expected(Expected::AtMost(limit)))
    })
}

#[cfg(test)]
mod tests {
    use super::super::testing::{heron, heron_with, row};
    use super::*;

    #[test]
    fn a_liner_lowers_the_limit() {
        let at = |limit: &str, liner: &str| {
            let machine = heron_with("plastic_liner = false", liner);
            let mut tool = machine.tools[0].clone();
            tool.limit_c = limit.parse().ok();
            row(&HOTEND_LIMIT, &Machine { tools: vec![tool], ..machine }, "tool 0").outcome
        };
        use Outcome::{Go, Hold, NoGo};
        assert_eq!(["240", "250", "261"].map(|limit| at(limit, "plastic_liner = true")), [Go, Hold, NoGo]);
        assert_eq!(["240", "250", "310"].map(|limit| at(limit, "")), [Go, Hold, Hold]);
        assert_eq!(["300", "301"].map(|limit| at(limit, "plastic_liner = false")), [Go, Hold]);
    }

    #[test]
    fn guards_and_bed() {
        assert_eq!(row(&EXTRUDE_MIN, &heron(), "tool 0").outcome, Outcome::Go);
        let cold = heron_with("extrude_min = 170.0", "extrude_min = 149.0");
        assert_eq!(row(&EXTRUDE_MIN, &cold, "tool 0").outcome, Outcome::Hold);
        assert_eq!(row(&BED_LIMIT, &heron(), "bed").outcome, Outcome::Go);
        let hot = heron_with("temperature_limit_c = 110.0", "temperature_limit_c = 121.0");
        assert_eq!(row(&BED_LIMIT, &hot, "bed").outcome, Outcome::Hold);
    }

    #[test]
    fn rates_by_hand() {
        // 40 W into 22 g of aluminium: 2.03 K/s; the law starts at 280 K / 150 s.
        let rate = row(&HEATING_RATE, &heron(), "tool 0");
        assert!((rate.set.unwrap() - 40.0 / (22.0 * 0.897)).abs() < 1e-12);
        assert_eq!(rate.message, "as usual; without loss 118 s to the limit");
        let law = row(&HEATING_LAW, &heron(), "tool 0");
        assert!((law.set.unwrap() - 280.0 / 150.0).abs() < 1e-12);
        assert_eq!(law.outcome, Outcome::Go);
        let wrong = heron_with("heater_w = 40.0", "heater_w = 400.0");
        assert_eq!(row(&HEATING_RATE, &wrong, "tool 0").outcome, Outcome::Hold);
        assert_eq!(row(&HEATING_LAW, &wrong, "tool 0").outcome, Outcome::Hold);
    }

    #[test]
    fn a_heater_stuck_on() {
        assert_eq!(row(&STUCK_ON, &heron(), "tool 0").outcome, Outcome::Note);
        let strong = heron_with("full_power_c = 300.0", "full_power_c = 500.0");
        assert_eq!(row(&STUCK_ON, &strong, "tool 0").outcome, Outcome::Hold);
        let weak = heron_with("full_power_c = 130.0", "full_power_c = 95.0");
        assert_eq!(row(&STUCK_ON, &weak, "bed").outcome, Outcome::Go);
    }

    #[test]
    fn a_heater_stuck_on_is_held_against_the_liner_where_that_is_lower() {
        let at = |liner: &str, limit: &str| {
            let machine = heron_with("plastic_liner = false", liner);
            let mut tool = machine.tools[0].clone();
            tool.limit_c = limit.parse().ok();
            row(&STUCK_ON, &Machine { tools: vec![tool], ..machine }, "tool 0")
        };
        let bound = |liner: &str, limit: &str| match at(liner, limit).expected {
            Some(Expected::AtMost(bound)) => bound,
            other => panic!("{other:?}"),
        };
        // The heater tends to 300 °C, the hotend's own limit is 260 °C, a liner without a limit counts 240 °C.
        assert_eq!(bound("plastic_liner = false", "260"), 260.0);
        assert_eq!(bound("plastic_liner = true", "260"), 240.0);
        assert_eq!(bound("plastic_liner = true", "230"), 230.0);
        assert_eq!(bound("plastic_liner = true\nliner_limit_c = 120.0", "260"), 120.0);
        assert_eq!(bound("liner_limit_c = 250.0", "260"), 250.0);
        assert_eq!(bound("plastic_liner = true\nliner_limit_c = 250.0", "none"), 250.0);
        let lined = at("plastic_liner = true", "260");
        assert_eq!(lined.outcome, Outcome::Note);
        assert!(lined.message.starts_with("60 K over the limit of the plastic liner"), "{lined:?}");
        assert_eq!(at("plastic_liner = true\nliner_limit_c = 120.0", "260").outcome, Outcome::Hold);
        assert_eq!(at("", "none").outcome, Outcome::Skipped);
    }

    #[test]
    fn a_liner_may_have_a_limit_of_its_own() {
        let at = |limit: f64, liner: &str| {
            let machine = heron_with("plastic_liner = false", liner);
            let mut tool = machine.tools[0].clone();
            tool.limit_c = Some(limit);
            row(&HOTEND_LIMIT, &Machine { tools: vec![tool], ..machine }, "tool 0").outcome
        };
        use Outcome::{Go, Hold, NoGo};
        // Invented limits of liners.
        assert_eq!([225.0, 235.0, 261.0].map(|limit| at(limit, "liner_limit_c = 230.0")), [Go, Hold, NoGo]);
        assert_eq!([275.0, 281.0].map(|limit| at(limit, "plastic_liner = true\nliner_limit_c = 280.0")), [Go, NoGo]);
        let none = super::super::testing::HERON
            .replace("plastic_liner = false", "plastic_liner = false\nliner_limit_c = 240.0");
        assert!(Machine::parse("heron.toml", &none).expect_err("a fault").to_string().contains("without a liner"));
    }
}
