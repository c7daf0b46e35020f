//! The socket: bytes in, bytes out, with limits on size, time and number.

use super::app::App;
use super::clients::Clients;
use super::http::{Answer, Request};
use super::timed_stream::TimedStream;
use super::{ServeError, guard};
use crate::store;
use http_body_util::{BodyExt, Full, Limited};
use hyper::body::{Bytes, Incoming};
use hyper::header::{HeaderName, HeaderValue};
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use std::collections::btree_map::Entry;
use std::convert::Infallible;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;

/// How many ports are tried after the one asked for.
const MAX_MORE_PORTS: u16 = 20;
/// How much of a body that is too large is read before it is refused, bytes, and for how long.
const MAX_DRAINED_BYTES: usize = 256 << 20;
/// See [`MAX_DRAINED_BYTES`].
const DRAIN_TIMEOUT: Duration = Duration::from_secs(20);
/// A client that sends nothing for so long is waiting for its answer.
const DRAIN_PAUSE: Duration = Duration::from_millis(500);
/// How long a connection may take to send its header.
const HEADER_TIMEOUT: Duration = Duration::from_secs(15);
/// How long a request may take to send its body: a photo over a weak wireless link takes minutes.
const BODY_TIMEOUT: Duration = Duration::from_secs(180);
/// Largest photo file, bytes (a JPEG of 48 megapixels has some 25 MB).
pub const MAX_UPLOAD_BYTES: usize = 60 << 20;
/// Largest body of any other request, bytes.
pub const MAX_REQUEST_BYTES: usize = 1 << 20;
/// Largest header, bytes.
const MAX_HEADER_BYTES: usize = 64 << 10;

/// A listening socket.
#[derive(Debug)]
pub struct Listener {
    socket: std::net::TcpListener,
    /// Its address.
    pub address: SocketAddr,
}

/// Listens on `port` (0: any), or on the first free one of those after it.
///
/// # Errors
/// When all are taken.
pub fn listen(ip: Ipv4Addr, port: u16) -> Result<Listener, ServeError> {
    let last = if port == 0 {
        0
    } else {
        port.saturating_add(MAX_MORE_PORTS)
    };
    let mut last_error = None;
    for port in port..=last {
        match std::net::TcpListener::bind((ip, port)) {
            Ok(socket) => {
                let address = socket.local_addr().map_err(ServeError::Socket)?;
                return Ok(Listener { socket, address });
            }
            Err(error) => last_error = Some(error),
        }
    }
    Err(ServeError::Ports {
        first: port,
        last,
        detail: last_error.map_or_else(String::new, |e| e.to_string()),
    })
}

/// The address at which others on the network reach this machine, if there is one. Nothing is sent: connecting a datagram socket
/// to an address of the documentation range (RFC 5737) only selects the route.
#[must_use]
pub fn own_address() -> Option<Ipv4Addr> {
    let socket = std::net::UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).ok()?;
    socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9)).ok()?;
    match socket.local_addr().ok()? {
        SocketAddr::V4(v4) if !v4.ip().is_unspecified() => Some(*v4.ip()),
        _ => None,
    }
}

/// Answers requests until the process ends.
///
/// # Errors
/// When the socket can't be used.
pub fn serve(listening: Listener, app: &Arc<App>) -> Result<(), ServeError> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(ServeError::Socket)?;
    runtime.block_on(async {
        listening
            .socket
            .set_nonblocking(true)
            .map_err(ServeError::Socket)?;
        let socket = TcpListener::from_std(listening.socket).map_err(ServeError::Socket)?;
        let own = listening.address.ip();
        let clients = Clients::default();
        let one_photo = Arc::new(Semaphore::new(1));
        loop {
            let Ok((stream, peer)) = socket.accept().await else {
                // too many open files, or the client has gone: the next connection may work
                tokio::time::sleep(Duration::from_millis(50)).await;
                continue;
            };
            // one client too many is sent away at once, so that it keeps nobody waiting
            let Some(place) = clients.admit(peer.ip(), own) else {
                continue;
            };
            let (app, one_photo) = (Arc::clone(app), Arc::clone(&one_photo));
            tokio::spawn(async move {
                connection(stream, peer.ip(), app, one_photo).await;
                drop(place);
            });
        }
    })
}

async fn connection(stream: TcpStream, peer: IpAddr, app: Arc<App>, one_photo: Arc<Semaphore>) {
    let _ = stream.set_nodelay(true);
    let service = service_fn(move |request| {
        let (app, one_photo) = (Arc::clone(&app), Arc::clone(&one_photo));
        async move { Ok::<_, Infallible>(response(answer(request, peer, app, one_photo).await)) }
    });
    // a client that has gone can't be answered
    let _ = hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_TIMEOUT)
        .max_buf_size(MAX_HEADER_BYTES)
        .serve_connection(TokioIo::new(TimedStream::new(stream)), service)
        .await;
}

async fn answer(
    request: hyper::Request<Incoming>,
    peer: IpAddr,
    app: Arc<App>,
    one_photo: Arc<Semaphore>,
) -> Answer {
    let (parts, body) = request.into_parts();
    let mut request = Request {
        method: parts.method.as_str().to_owned(),
        path: parts.uri.path().to_owned(),
        peer: Some(peer),
        ..Request::default()
    };
    for (name, value) in &parts.headers {
        let name = name.as_str().to_owned();
        match request.headers.entry(name) {
            Entry::Occupied(there) => request.repeated.push(there.key().clone()),
            Entry::Vacant(free) => {
                free.insert(String::from_utf8_lossy(value.as_bytes()).into_owned());
            }
        }
    }
    // an address in the request line counts as the host too (RFC 9112, section 3.2.2)
    if let Some(authority) = parts.uri.authority() {
        request
            .headers
            .insert("host".to_owned(), authority.as_str().to_owned());
    }
    // checked before the body is read
    if let Err(refused) = app.admit(&request) {
        return refused;
    }
    let upload = request.path == super::UPLOAD;
    let max_bytes = if upload {
        MAX_UPLOAD_BYTES
    } else {
        MAX_REQUEST_BYTES
    };
    let length = request
        .header("content-length")
        .and_then(|l| l.parse::<usize>().ok());
    if length.is_some_and(|l| l > max_bytes) {
        // a client that still sends would not see an answer given before its end
        let rest = Limited::new(body, MAX_DRAINED_BYTES);
        let _ = tokio::time::timeout(DRAIN_TIMEOUT, drained(rest)).await;
        return too_large(max_bytes);
    }
    let mut incoming = if upload {
        match app.incoming() {
            Ok(incoming) => BodyBuffer::File(incoming),
            Err(refused) => return refused,
        }
    } else {
        BodyBuffer::Memory(Vec::new())
    };
    let received = received(Limited::new(body, max_bytes), &mut incoming);
    match tokio::time::timeout(BODY_TIMEOUT, received).await {
        Ok(Ok(())) => {}
        Ok(Err(error)) if error.is::<http_body_util::LengthLimitError>() => {
            return too_large(max_bytes);
        }
        Ok(Err(_)) => {
            return Answer::problem(400, "body", "the request broke off: try once more");
        }
        Err(_) => {
            return Answer::problem(408, "time", "the request took too long: try once more");
        }
    }
    // one photo at a time is taken into memory, however many are sent
    let _turn = match &incoming {
        BodyBuffer::File(_) => one_photo.acquire().await.ok(),
        BodyBuffer::Memory(_) => None,
    };
    // file access and computation must not block the other connections
    let done = tokio::task::spawn_blocking(move || {
        request.body = match incoming {
            BodyBuffer::Memory(body) => body,
            BodyBuffer::File(file) => match file.read() {
                Ok(body) => body,
                Err(error) => return Answer::problem(500, "photo", &error.to_string()),
            },
        };
        app.answer(&request)
    })
    .await;
    done.unwrap_or_else(|_| {
        Answer::problem(
            500,
            "internal",
            "the program met a fault of its own; your work up to here is saved: reload the page",
        )
    })
}

/// Where a request's body is kept while it arrives.
enum BodyBuffer {
    /// Small ones.
    Memory(Vec<u8>),
    /// Photos, of which many may arrive at a time.
    File(store::IncomingFile),
}

/// Takes a body in, piece by piece.
async fn received(
    mut body: Limited<Incoming>,
    to: &mut BodyBuffer,
) -> Result<(), Box<dyn std::error::Error + Send + Sync>> {
    while let Some(frame) = body.frame().await {
        let frame = frame?;
        if let Some(piece) = frame.data_ref() {
            match to {
                BodyBuffer::Memory(bytes) => bytes.extend_from_slice(piece),
                BodyBuffer::File(file) => file.append(piece)?,
            }
        }
    }
    Ok(())
}

/// Reads a body and forgets it.
async fn drained(mut body: Limited<Incoming>) {
    while let Ok(Some(Ok(_))) = tokio::time::timeout(DRAIN_PAUSE, body.frame()).await {}
}

fn too_large(max_bytes: usize) -> Answer {
    Answer::problem(
        413,
        "size",
        &format!(
            "this is larger than {} MB: send a smaller copy",
            max_bytes >> 20
        ),
    )
}

fn response(answer: Answer) -> hyper::Response<Full<Bytes>> {
    let mut response = hyper::Response::new(Full::new(Bytes::from(answer.body)));
    *response.status_mut() = hyper::StatusCode::from_u16(answer.status)
        .unwrap_or(hyper::StatusCode::INTERNAL_SERVER_ERROR);
    let caching = if answer.cacheable {
        "no-cache"
    } else {
        "no-store"
    };
    let mut fields: Vec<(&str, String)> = guard::headers()
        .iter()
        .map(|(n, v)| (*n, (*v).to_owned()))
        .collect();
    fields.push(("Content-Type", answer.kind.to_owned()));
    fields.push(("Cache-Control", caching.to_owned()));
    fields.extend(answer.headers);
    for (name, value) in fields {
        if let (Ok(name), Ok(value)) = (
            HeaderName::from_bytes(name.as_bytes()),
            HeaderValue::from_str(&value),
        ) {
            response.headers_mut().insert(name, value);
        }
    }
    response
}
