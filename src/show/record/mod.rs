//! What pictures need of a job: quantities over time as envelopes, and the part layer by layer, in bounded memory for any
//! job. Both are observers that watch besides the checks, see [`Preflight::watch`](crate::preflight::Preflight::watch).

mod envelope;
mod plan;
mod simplify;
mod timeline;

pub use envelope::Envelope;
pub use plan::{
    Drawing, DrawnLayer, FARTHEST_MM, GRID_MM, Place, Plan, PlanOptions, PlanPath, PlanPoint, STEPS_MM, units,
};
pub use timeline::{Event, EventKind, LayerStart, RateTimes, TimeLine, TimeRecord};
