//! Totals and peaks: observers that find no fault and write into the [`Inspection`](crate::findings::Inspection).
//! Each quantity has one owner here. Sums are kept on exact binary grids, so they do not depend on blocks.

mod energy;
mod extent;
mod flow;
mod heat;
mod layers;
mod series;
mod time;
mod widths;

use crate::checks::{command_rate_exceeded, step_rate_exceeded};
use crate::findings::Observer;
use crate::machine::Machine;

/// One of each, in the order in which they write.
pub fn observers(machine: &Machine) -> Vec<Box<dyn Observer>> {
    let mut observers: Vec<Box<dyn Observer>> = vec![
        Box::new(time::Time::new(machine)),
        Box::new(flow::FlowTotals::new(machine)),
        Box::new(extent::Extent::new(machine)),
        Box::new(heat::Hottest::default()),
        Box::new(layers::Layers::new(machine)),
        Box::new(series::Series::new(machine)),
    ];
    if let Some(energy) = energy::EnergyTotals::new(machine) {
        observers.push(Box::new(energy));
    }
    if let Some(widths) = widths::WidthTotals::new(machine) {
        observers.push(Box::new(widths));
    }
    // Rates are measured by the checks that judge them; where those are not made, here.
    observers.extend(step_rate_exceeded::measured_only(machine));
    observers.extend(command_rate_exceeded::measured_only(machine));
    observers
}

/// The time alone.
pub fn time_only(machine: &Machine) -> Vec<Box<dyn Observer>> {
    vec![Box::new(time::Time::new(machine))]
}
