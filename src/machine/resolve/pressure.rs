//! The lag of the pressure in a nozzle, and the rules across its keys.

use super::Reader;
use crate::machine::{LagRow, value::Found};

impl Reader<'_> {
    pub(super) fn pressure_lag(&self, tool: usize) -> Vec<LagRow> {
        if let Some(lag_s) = self.number(&format!("tool[{tool}].pressure_lag_s")) {
            return vec![LagRow { layer_mm: 0.0, lag_s }];
        }
        let list = format!("tool[{tool}].pressure_lag_at");
        let row = |i| LagRow {
            layer_mm: self.required(&format!("{list}[{i}].layer_mm")),
            lag_s: self.required(&format!("{list}[{i}].lag_s")),
        };
        let mut rows: Vec<LagRow> = (0..self.count(&format!("{list}[]"))).map(row).collect();
        rows.sort_by(|a, b| a.layer_mm.total_cmp(&b.layer_mm));
        rows
    }

    pub(super) fn check_pressure(&self, found: &mut Vec<Found>, tool: usize) {
        let at = |name: &str| format!("tool[{tool}].{name}");
        let list = at("pressure_lag_at");
        let count = self.count(&format!("{list}[]"));
        let one = self.entry(&at("pressure_lag_s"));
        if let Some(entry) = one.filter(|_| count > 0) {
            let message = "`pressure_lag_s` and `pressure_lag_at` on one tool: a lag comes from one of them".to_owned();
            let advice = "keep `pressure_lag_at` where the lag was measured at two heights of layers".to_owned();
            found.push(Found::new(entry.span.clone(), message).suggest(advice));
        }
        for i in 0..count {
            let entry = |i: usize| self.entry(&format!("{list}[{i}].layer_mm"));
            let Some(layer) = entry(i) else { continue };
            if let Some(before) = (0..i).filter_map(entry).find(|before| before.value == layer.value) {
                let message = format!("`layer_mm` is that of line {} again", before.line);
                found.push(Found::new(layer.span.clone(), message).suggest("keep one of the two".to_owned()));
            }
        }
        if let Some(entry) = self.entry(&at("bulge_limit_mm3")).filter(|_| one.is_none() && count == 0) {
            let message = "`bulge_limit_mm3` does nothing without a lag".to_owned();
            let advice =
                "write `pressure_lag_s` of the tool too (gonogo trial lead measures it), or leave it out".to_owned();
            found.push(Found::new(entry.span.clone(), message).suggest(advice));
        }
    }

    /// What the controller does with a lead says nothing where no tool has a lag.
    pub(super) fn check_lead(&self, found: &mut Vec<Found>) {
        let tools = self.count("tool[]");
        let lags = tools == 0 || (0..tools).any(|tool| !self.pressure_lag(tool).is_empty());
        if let Some(entry) = self.entry("controller.step_spread_s").filter(|_| !lags) {
            let message = "`step_spread_s` does nothing without a lag of a tool".to_owned();
            let advice =
                "write `pressure_lag_s` of the tool too (gonogo trial lead measures it), or leave it out".to_owned();
            found.push(Found::new(entry.span.clone(), message).suggest(advice));
        }
    }
}
