//! Tells pages that something has changed, as server-sent events (HTML, 9.2): each carries what tells that
//! moment from every other.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::State;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::stream::{self, Stream};
use tokio::sync::{OwnedSemaphorePermit, watch};

use super::super::gate::Held;
use super::Desk;
use super::problem::Problem;

/// Most pages that listen at a time.
pub const STREAMS_MOST: usize = 256;
/// Changes within this time are told as one.
const GATHER: Duration = Duration::from_millis(150);

/// A page that listens.
struct Listener {
    desk: Arc<Desk>,
    changes: watch::Receiver<u64>,
    ending: watch::Receiver<bool>,
    is_first: bool,
    _permit: OwnedSemaphorePermit,
}

/// The stream of changes; it ends with the desk.
pub async fn stream(
    State(desk): State<Arc<Desk>>,
) -> Result<Sse<impl Stream<Item = Result<Event, Infallible>>>, Problem> {
    let permit = Arc::clone(&desk.streams).try_acquire_owned();
    let Ok(permit) = permit else { return Err(Problem::busy("too many pages listen already", 30)) };
    let listener =
        Listener { changes: desk.shelf.follow(), ending: desk.ending.clone(), desk, is_first: true, _permit: permit };
    let told = stream::unfold(listener, |mut listener| async move {
        if !listener.is_first {
            tokio::select! {
                changed = listener.changes.changed() => changed.ok()?,
                _ = listener.ending.wait_for(|ends| *ends) => return None,
            }
            tokio::time::sleep(GATHER).await;
        }
        listener.is_first = false;
        listener.changes.mark_unchanged();
        let moment = listener.desk.shelf.read(Held::moment);
        Some((Ok(Event::default().event("change").data(moment)), listener))
    });
    Ok(Sse::new(told).keep_alive(KeepAlive::new().interval(Duration::from_secs(20))))
}
