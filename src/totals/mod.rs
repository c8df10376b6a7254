//! Totals and peaks: observers that find no fault and write into the [`Inspection`](crate::inspection::Inspection).
//! Each quantity has one owner here. Sums are kept on exact binary grids, so they do not depend on blocks.

mod extent;
mod flow;
mod heat;
mod layers;
mod series;
mod time;

use crate::machine::Machine;
use crate::observe::Observer;

/// One of each, in the order in which they write.
pub fn observers(machine: &Machine) -> Vec<Box<dyn Observer>> {
    vec![
        Box::new(time::Time::new(machine)),
        Box::new(flow::FlowTotals::new(machine)),
        Box::new(extent::Extent::default()),
        Box::new(heat::Hottest::default()),
        Box::new(layers::Layers::default()),
        Box::new(series::Series::default()),
    ]
}

/// The time alone.
pub fn time_only(machine: &Machine) -> Vec<Box<dyn Observer>> {
    vec![Box::new(time::Time::new(machine))]
}
