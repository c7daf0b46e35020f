//! A stream that ends when the other side neither takes nor sends anything for too long.

use std::future::Future;
use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Sleep, sleep};

/// How long a client may take nothing of an answer.
const WRITE_TIMEOUT: Duration = Duration::from_secs(30);
/// How long a client may send nothing: it may wait for an answer, and browsers keep connections for their next request.
const READ_TIMEOUT: Duration = Duration::from_secs(300);

/// A connection with both time limits.
#[derive(Debug)]
pub(super) struct TimedStream {
    stream: TcpStream,
    read: Waiting,
    written: Waiting,
}

/// Since when a direction has been waiting.
#[derive(Debug)]
struct Waiting {
    limit: Duration,
    timer: Option<Pin<Box<Sleep>>>,
}

impl Waiting {
    const fn new(limit: Duration) -> Self {
        Self { limit, timer: None }
    }

    /// The result of a try, or an error where too many have come to nothing.
    fn limited<T>(
        &mut self,
        context: &mut Context<'_>,
        tried: Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        if tried.is_ready() {
            self.timer = None;
            return tried;
        }
        let limit = self.limit;
        let timer = self.timer.get_or_insert_with(|| Box::pin(sleep(limit)));
        match timer.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl TimedStream {
    pub(super) const fn new(stream: TcpStream) -> Self {
        Self {
            stream,
            read: Waiting::new(READ_TIMEOUT),
            written: Waiting::new(WRITE_TIMEOUT),
        }
    }
}

impl AsyncRead for TimedStream {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let tried = Pin::new(&mut self.stream).poll_read(context, buffer);
        self.read.limited(context, tried)
    }
}

impl AsyncWrite for TimedStream {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let tried = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.written.limited(context, tried)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let tried = Pin::new(&mut self.stream).poll_flush(context);
        self.written.limited(context, tried)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let tried = Pin::new(&mut self.stream).poll_shutdown(context);
        self.written.limited(context, tried)
    }
}
