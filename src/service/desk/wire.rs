//! Connections: accepted as long as there are not too many, given up where they are too slow, ended within seconds.

use std::collections::HashMap;
use std::net::{IpAddr, TcpListener};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::extract::connect_info::ConnectInfo;
use hyper::Request;
use hyper::body::Incoming;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use tokio::sync::Semaphore;
use tokio_io_timeout::TimeoutStream;
use tower_service::Service as _;

use super::{Desk, routes};

/// Most connections at a time.
const CONNECTIONS_MOST: usize = 512;
/// Most of one address.
const EACH_MOST: usize = 128;
/// Whoever does not read its answer for so long gets no more of it.
const WRITE_WITHIN: Duration = Duration::from_secs(30);
/// A head that is longer on its way is given up.
const HEAD_WITHIN: Duration = Duration::from_secs(10);
/// Largest head, bytes.
const HEAD_MAX_BYTES: usize = 32 << 10;
/// What is not done so long after the end was asked for is given up: what was not acknowledged was not promised.
const END_WITHIN: Duration = Duration::from_secs(2);

/// Serves until the desk ends.
pub async fn serve(listener: TcpListener, desk: Arc<Desk>) {
    let Ok(listener) = tokio::net::TcpListener::from_std(listener) else { return };
    let mut ending = desk.ending.clone();
    let all = GracefulShutdown::new();
    let room = Arc::new(Semaphore::new(CONNECTIONS_MOST));
    let addresses = Arc::new(Addresses::default());
    let routes = routes(desk);
    loop {
        let permit = tokio::select! {
            permit = Arc::clone(&room).acquire_owned() => permit,
            _ = ending.wait_for(|ends| *ends) => break,
        };
        let Ok(permit) = permit else { break };
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            _ = ending.wait_for(|ends| *ends) => break,
        };
        let Ok((stream, address)) = accepted else {
            // Such as too many open files: others may end meanwhile.
            tokio::time::sleep(Duration::from_millis(50)).await;
            continue;
        };
        // Whoever takes too many gets no more, and the others theirs.
        let Some(place) = addresses.place(address.ip()) else { continue };
        let mut stream = TimeoutStream::new(stream);
        stream.set_write_timeout(Some(WRITE_WITHIN));
        let routes = routes.clone();
        let service = service_fn(move |mut request: Request<Incoming>| {
            request.extensions_mut().insert(ConnectInfo(address));
            routes.clone().call(request)
        });
        let connection = hyper::server::conn::http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(HEAD_WITHIN)
            .max_buf_size(HEAD_MAX_BYTES)
            .serve_connection(TokioIo::new(Box::pin(stream)), service);
        let connection = all.watch(connection);
        tokio::spawn(async move {
            // Whoever breaks a connection off knows it.
            let _ = connection.await;
            drop((permit, place));
        });
    }
    drop(listener);
    tokio::select! {
        () = all.shutdown() => {}
        () = tokio::time::sleep(END_WITHIN) => {}
    }
}

/// How many connections each address has.
#[derive(Default)]
struct Addresses(Mutex<HashMap<IpAddr, usize>>);

/// One of them; given back when it is dropped.
struct Place {
    of: Arc<Addresses>,
    address: IpAddr,
}

impl Addresses {
    fn place(self: &Arc<Self>, address: IpAddr) -> Option<Place> {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let count = all.entry(address).or_default();
        // All who come through a proxy on this computer have its address.
        if *count >= EACH_MOST && !address.is_loopback() {
            return None;
        }
        *count += 1;
        Some(Place { of: Arc::clone(self), address })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut all = self.of.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = all.get_mut(&self.address) {
            *count -= 1;
            if *count == 0 {
                all.remove(&self.address);
            }
        }
    }
}
