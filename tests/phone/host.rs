//! A host of static files, as any web space is: it reads files and answers `GET`, nothing else.

use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// The host, until it is stopped or dropped.
pub(crate) struct Host {
    port: u16,
    stopped: Arc<AtomicBool>,
    seen: Arc<Seen>,
}

/// What a host was asked for, and what it does about it.
#[derive(Default)]
struct Seen {
    asked: Mutex<Vec<String>>,
    /// Bytes sent.
    sent: AtomicUsize,
    /// Programs are not sent now.
    held_back: AtomicBool,
}

impl Host {
    pub(crate) fn start(folder: &Path) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let port = listener.local_addr().expect("address").port();
        let stopped = Arc::new(AtomicBool::new(false));
        let seen: Arc<Seen> = Arc::default();
        let (end, log, folder) = (Arc::clone(&stopped), Arc::clone(&seen), folder.to_owned());
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                if end.load(Ordering::SeqCst) {
                    return;
                }
                let (log, folder) = (Arc::clone(&log), folder.clone());
                std::thread::spawn(move || stream.map(|s| answer(s, &folder, &log)));
            }
        });
        Self {
            port,
            stopped,
            seen,
        }
    }

    pub(crate) fn link(&self) -> String {
        format!("http://localhost:{}/", self.port)
    }

    /// Nobody listens any more.
    pub(crate) fn stop(&mut self) {
        self.stopped.store(true, Ordering::SeqCst);
        // wakes the thread that listens
        let _ = TcpStream::connect(("127.0.0.1", self.port));
    }

    pub(crate) fn asked(&self) -> Vec<String> {
        let asked = self
            .seen
            .asked
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        asked.clone()
    }

    /// Sends programs from now on, or keeps whoever asks for one waiting.
    pub(crate) fn hold_programs_back(&self, held: bool) {
        self.seen.held_back.store(held, Ordering::SeqCst);
    }

    /// Bytes of the files sent so far.
    pub(crate) fn sent(&self) -> usize {
        self.seen.sent.load(Ordering::SeqCst)
    }

    /// Whether the page only ever asked for files, and named nothing in doing so.
    pub(crate) fn only_reads(&self) -> bool {
        let asked = self.asked();
        asked
            .iter()
            .all(|a| a.starts_with("GET /") && !a.contains('?'))
    }
}

impl Drop for Host {
    fn drop(&mut self) {
        self.stop();
    }
}

fn answer(stream: TcpStream, folder: &Path, seen: &Seen) {
    let mut lines = BufReader::new(&stream).lines();
    let Some(Ok(first)) = lines.next() else {
        return;
    };
    while lines.next().is_some_and(|l| l.is_ok_and(|l| !l.is_empty())) {}
    let mut words = first.split(' ');
    let (method, path) = (words.next().unwrap_or(""), words.next().unwrap_or("/"));
    let asked = format!("{method} {path}");
    seen.asked
        .lock()
        .unwrap_or_else(PoisonError::into_inner)
        .push(asked);
    let name = path
        .split('?')
        .next()
        .unwrap_or("/")
        .trim_start_matches('/');
    while name.contains(".wasm") && seen.held_back.load(Ordering::SeqCst) {
        std::thread::sleep(Duration::from_millis(10));
    }
    let file = folder.join(if name.is_empty() { "index.html" } else { name });
    let (status, kind, body) = match std::fs::read(&file) {
        Ok(body) if !name.contains("..") => ("200 OK", kind(&file), body),
        _ => ("404 Not Found", "text/plain", Vec::new()),
    };
    let head = format!(
        "HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {}\r\nConnection: close\r\n\r\n",
        body.len()
    );
    seen.sent.fetch_add(body.len(), Ordering::SeqCst);
    let mut stream = &stream;
    let _ = stream
        .write_all(head.as_bytes())
        .and_then(|()| stream.write_all(&body));
}

fn kind(file: &Path) -> &'static str {
    match file.extension().and_then(|e| e.to_str()) {
        Some("html") => "text/html; charset=utf-8",
        Some("js") => "text/javascript",
        Some("css") => "text/css",
        Some("wasm") => "application/wasm",
        Some("svg") => "image/svg+xml",
        Some("png") => "image/png",
        Some("jpg") => "image/jpeg",
        Some("json") => "application/json",
        _ => "application/octet-stream",
    }
}
