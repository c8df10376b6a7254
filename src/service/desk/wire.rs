//! Connections: accepted as long as there are not too many, given up where they are too slow, ended within seconds.

use std::net::{SocketAddr, TcpListener};
use std::sync::Arc;
use std::time::Duration;

use axum::extract::connect_info::ConnectInfo;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use hyper_util::service::TowerToHyperService;
use tokio::sync::Semaphore;
use tower_service::Service as _;

use super::{Desk, routes};

/// Most connections at a time.
const CONNECTIONS_MOST: usize = 512;
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
    let routes = routes(desk);
    loop {
        let Ok(permit) = Arc::clone(&room).acquire_owned().await else { break };
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            _ = ending.wait_for(|ends| *ends) => break,
        };
        let Ok((stream, address)) = accepted else {
            // Such as too many open files: others may end meanwhile.
            tokio::time::sleep(Duration::from_millis(50)).await;
            continue;
        };
        let routes = routes.clone();
        let service = tower_service_fn(routes, address);
        let connection = hyper::server::conn::http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(HEAD_WITHIN)
            .max_buf_size(HEAD_MAX_BYTES)
            .serve_connection(TokioIo::new(stream), TowerToHyperService::new(service));
        let connection = all.watch(connection);
        tokio::spawn(async move {
            // Whoever breaks a connection off knows it.
            let _ = connection.await;
            drop(permit);
        });
    }
    drop(listener);
    tokio::select! {
        () = all.shutdown() => {}
        () = tokio::time::sleep(END_WITHIN) => {}
    }
}

/// Requests of one connection, with the address they come from.
fn tower_service_fn(
    routes: axum::Router,
    address: SocketAddr,
) -> impl tower_service::Service<
    axum::http::Request<hyper::body::Incoming>,
    Response = axum::response::Response,
    Error = std::convert::Infallible,
    Future: Send,
> + Clone {
    tower::service_fn(move |request: axum::http::Request<hyper::body::Incoming>| {
        let mut routes = routes.clone();
        let mut request = request.map(axum::body::Body::new);
        request.extensions_mut().insert(ConnectInfo(address));
        async move { routes.call(request).await }
    })
}
