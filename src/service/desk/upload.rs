//! A body of any size into a job that is kept.
//!
//! Bytes go through a short queue to a thread that writes them, so that a large job needs no more memory than a small one. An
//! answer that it is kept is given when it is on the disk under its name, and not before.

use std::io::{self, Read};
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::extract::multipart::{Field, MultipartError};
use axum::extract::{FromRequest, Multipart, Request, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use http_body_util::{BodyExt, Limited};
use serde::Serialize;
use tokio::sync::mpsc::{self, Receiver, Sender};
use tokio::time::Instant;

use super::super::gate::Kept;
use super::problem::Problem;
use super::{Desk, In, pages};

/// Pieces of a body that wait to be written.
const PIECES: usize = 4;
/// A piece that does not come so soon ends it.
const PIECE_WITHIN: Duration = Duration::from_secs(30);
/// Fewest bytes in a second on average, behind the time for a piece.
const BYTES_S_MIN: u64 = 8 << 10;
/// So much of a body that is refused is still read, for its sender to get to the answer.
const READ_ON_BYTES: u64 = 16 << 20;
/// Room for what stands around a job in a form.
const AROUND_BYTES: u64 = 1 << 20;
/// Longest name, bytes.
const NAME_MAX_BYTES: usize = 512;

/// What became of it, for programs.
#[derive(Serialize)]
struct Answer<'a> {
    schema: &'static str,
    name: &'a str,
    digest: &'a str,
    is_new: bool,
    page: String,
}

/// `PUT /api/jobs/{name}`.
pub async fn raw(State(desk): State<Arc<Desk>>, name: In<String>, request: Request) -> Result<Response, Problem> {
    let name = super::named(name)?;
    let kept = raw_kept(&desk, &name, request).await;
    desk.counts.upload(&kept);
    let kept = kept?;
    let page = format!("/jobs/{}", pages::in_path(&kept.name));
    let api = format!("/api{page}");
    let answer =
        Answer { schema: super::api::SCHEMA, name: &kept.name, digest: &kept.digest, is_new: kept.is_new, page };
    let status = if kept.is_new { StatusCode::CREATED } else { StatusCode::OK };
    Ok((status, [(header::LOCATION, api)], axum::Json(answer)).into_response())
}

async fn raw_kept(desk: &Arc<Desk>, name: &str, request: Request) -> Result<Kept, Problem> {
    let announced = request.headers().get(header::CONTENT_LENGTH).and_then(|length| length.to_str().ok()?.parse().ok());
    let body = limited(desk, request.into_body());
    keep(desk, name, announced.unwrap_or(0), Source::Body(body)).await
}

/// `POST /jobs`: the same as an ordinary form.
pub async fn form(State(desk): State<Arc<Desk>>, request: Request) -> Result<Redirect, Problem> {
    let kept = form_kept(&desk, request).await;
    desk.counts.upload(&kept);
    Ok(Redirect::to(&format!("/jobs/{}", pages::in_path(&kept?.name))))
}

async fn form_kept(desk: &Arc<Desk>, request: Request) -> Result<Kept, Problem> {
    let (head, body) = request.into_parts();
    let body = Request::from_parts(head, limited(desk, body));
    let form = Multipart::from_request(body, &()).await;
    let mut form = form.map_err(|error| Problem::wrong(error.to_string()))?;
    loop {
        let field = tokio::time::timeout(PIECE_WITHIN, form.next_field()).await.map_err(|_| too_slow())?;
        match field.map_err(|error| broken(&error))? {
            Some(field) if field.name() == Some("job") => {
                let name = field.file_name().unwrap_or_default().to_owned();
                // Some browsers send the whole path.
                let name = name.rsplit(['/', '\\']).next().unwrap_or_default().to_owned();
                return keep(desk, &name, 0, Source::Field(Box::new(field))).await;
            }
            Some(_) => {}
            None => return Err(Problem::wrong("no job was chosen")),
        }
    }
}

fn limited(desk: &Desk, body: Body) -> Body {
    let most = desk.intake.limit_bytes().unwrap_or(u64::MAX).saturating_add(AROUND_BYTES);
    Body::new(Limited::new(body, usize::try_from(most).unwrap_or(usize::MAX)))
}

/// Where the bytes come from.
enum Source<'f> {
    Body(Body),
    Field(Box<Field<'f>>),
}

impl Source<'_> {
    /// The next piece, or none behind the last one.
    async fn next(&mut self) -> Result<Option<Bytes>, Problem> {
        match self {
            Self::Body(body) => loop {
                match body.frame().await {
                    None => return Ok(None),
                    Some(Err(error)) => return Err(cut(&error)),
                    // Trailers are no part of a job.
                    Some(Ok(frame)) => {
                        if let Ok(bytes) = frame.into_data() {
                            return Ok(Some(bytes));
                        }
                    }
                }
            },
            Self::Field(field) => field.chunk().await.map_err(|error| broken(&error)),
        }
    }
}

fn cut(error: &(dyn std::error::Error + 'static)) -> Problem {
    let mut cause = Some(error);
    while let Some(of) = cause {
        if of.is::<http_body_util::LengthLimitError>() {
            return too_large();
        }
        cause = of.source();
    }
    Problem::wrong("it did not come whole")
}

fn broken(error: &MultipartError) -> Problem {
    if error.status() == StatusCode::PAYLOAD_TOO_LARGE { too_large() } else { cut(error) }
}

fn too_large() -> Problem {
    let detail = "it has more bytes than this gate takes: raise --limit-bytes where it is started";
    Problem::new(StatusCode::PAYLOAD_TOO_LARGE, "Too large", detail)
}

fn too_slow() -> Problem {
    Problem::new(StatusCode::REQUEST_TIMEOUT, "Too slow", "its bytes came too slowly, or not at all")
}

/// A name as it may come; in the gate it gets another one, fit for any card.
fn named(name: &str) -> Result<&str, Problem> {
    let is_path = name.contains(['/', '\\']) || name == "." || name == "..";
    match name {
        "" => Err(Problem::wrong("the job has no name")),
        _ if is_path => Err(Problem::wrong("the name of a job is no path")),
        _ if name.chars().any(char::is_control) => Err(Problem::wrong("the name has control characters in it")),
        _ if name.len() > NAME_MAX_BYTES => Err(Problem::wrong("the name is too long")),
        _ => Ok(name),
    }
}

async fn keep(desk: &Arc<Desk>, name: &str, announced: u64, source: Source<'_>) -> Result<Kept, Problem> {
    let name = named(name)?.to_owned();
    let permit = Arc::clone(&desk.uploads).try_acquire_owned();
    let Ok(_permit) = permit else { return Err(Problem::busy("too many jobs are on their way", 5)) };
    let (pieces, queue) = mpsc::channel(PIECES);
    let intake = desk.intake.clone();
    let writing = tokio::task::spawn_blocking(move || intake.take(&name, Pieces::new(queue), announced));
    let sent = send(source, pieces).await;
    let kept = writing.await.map_err(|_| Problem::fault())?;
    match (kept, sent) {
        // What came wrong over the wire is told in its own words.
        (Err(_), Err(problem)) => Err(problem),
        (kept, _) => Ok(kept?),
    }
}

/// Hands the pieces on, not faster than they are written. Where nobody writes any more, the rest is read for a while.
async fn send(mut source: Source<'_>, pieces: Sender<Option<Bytes>>) -> Result<(), Problem> {
    let (start, mut read, mut unwanted) = (Instant::now(), 0_u64, 0_u64);
    loop {
        let allowed = PIECE_WITHIN + Duration::from_secs(read / BYTES_S_MIN);
        let within = PIECE_WITHIN.min(allowed.saturating_sub(start.elapsed()));
        let piece = tokio::time::timeout(within, source.next()).await.map_err(|_| too_slow())??;
        let is_last = piece.is_none();
        read += piece.as_ref().map_or(0, |piece| piece.len() as u64);
        unwanted += if pieces.is_closed() { piece.as_ref().map_or(0, |piece| piece.len() as u64) } else { 0 };
        let is_taken = pieces.send(piece).await.is_ok();
        if is_last || (!is_taken && unwanted > READ_ON_BYTES) {
            return Ok(());
        }
    }
}

/// The pieces as a stream: nothing behind the last one; broken off where they end without it.
struct Pieces {
    queue: Receiver<Option<Bytes>>,
    piece: Bytes,
    is_over: bool,
}

impl Pieces {
    fn new(queue: Receiver<Option<Bytes>>) -> Self {
        Self { queue, piece: Bytes::new(), is_over: false }
    }
}

impl Read for Pieces {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        while self.piece.is_empty() && !self.is_over {
            match self.queue.blocking_recv() {
                Some(Some(piece)) => self.piece = piece,
                Some(None) => self.is_over = true,
                None => return Err(io::Error::new(io::ErrorKind::ConnectionAborted, "the connection broke")),
            }
        }
        let count = self.piece.len().min(buffer.len());
        buffer[..count].copy_from_slice(&self.piece.split_to(count));
        Ok(count)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_no_path() {
        for name in ["a.gcode", "a b.gcode.gz", "'; DROP TABLE jobs; --.gcode", "CON", "ü.gcode", ".hidden", "%2e%2e"]
        {
            assert_eq!(named(name), Ok(name));
        }
        for name in [
            "",
            ".",
            "..",
            "../a",
            "/etc/passwd",
            "a\\b",
            "C:\\a",
            "a\0b",
            "a\nb",
            "a\r\nSet-Cookie: x",
            &"a".repeat(513),
        ] {
            assert!(named(name).is_err(), "{name:?}");
        }
    }

    #[test]
    fn what_breaks_off_is_not_whole() {
        let read = |pieces: &[Option<&'static [u8]>]| {
            let (sender, queue) = mpsc::channel(8);
            for piece in pieces {
                sender.blocking_send(piece.map(Bytes::from_static)).expect("has room");
            }
            drop(sender);
            let mut text = String::new();
            Pieces::new(queue).read_to_string(&mut text).map(|_| text).map_err(|error| error.kind())
        };
        assert_eq!(read(&[Some(b"G28\n"), Some(b""), Some(b"G1"), None]), Ok("G28\nG1".to_owned()));
        assert_eq!(read(&[Some(b"G28\n")]), Err(io::ErrorKind::ConnectionAborted));
        assert_eq!(read(&[None]), Ok(String::new()));
    }
}
