//! HTTP by hand, as far as tests need it: they send what no proper client would.

#![allow(dead_code, reason = "no test needs all of it")]

use serde_json::Value;
use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;

/// An answer.
pub(crate) struct Reply {
    pub(crate) status: u16,
    /// By lower-case names.
    pub(crate) headers: BTreeMap<String, String>,
    pub(crate) body: Vec<u8>,
}

impl Reply {
    pub(crate) fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    pub(crate) fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {}", self.text()))
    }
}

/// Somebody who asks one server.
pub(crate) struct Client {
    pub(crate) address: SocketAddr,
    host: String,
    origin: String,
}

impl Client {
    pub(crate) fn new(address: SocketAddr) -> Self {
        Self {
            address,
            host: address.to_string(),
            origin: format!("http://{address}"),
        }
    }

    /// The header fields of the page's own requests.
    pub(crate) fn own(&self) -> [(&str, &str); 3] {
        [
            ("Host", &self.host),
            ("Origin", &self.origin),
            ("Content-Type", "application/json"),
        ]
    }

    pub(crate) fn get(&self, path: &str) -> Reply {
        self.send("GET", path, &[("Host", &self.host)], b"")
    }

    pub(crate) fn post(&self, path: &str, document: &Value) -> Reply {
        self.send("POST", path, &self.own(), document.to_string().as_bytes())
    }

    pub(crate) fn upload(&self, photo: &[u8]) -> Reply {
        let headers = [
            ("Host", self.host.as_str()),
            ("Origin", &self.origin),
            ("Content-Type", "image/jpeg"),
        ];
        self.send("POST", "/api/photos", &headers, photo)
    }

    pub(crate) fn send(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: &[u8],
    ) -> Reply {
        let mut bytes = format!(
            "{method} {path} HTTP/1.1\r\nConnection: close\r\nContent-Length: {}\r\n",
            body.len()
        )
        .into_bytes();
        for (name, value) in headers {
            bytes.extend(format!("{name}: {value}\r\n").bytes());
        }
        bytes.extend(b"\r\n");
        bytes.extend(body);
        self.raw(&bytes)
    }

    /// Sends bytes as they are and reads to the end.
    pub(crate) fn raw(&self, bytes: &[u8]) -> Reply {
        let mut stream = TcpStream::connect(self.address).expect("connected");
        stream
            .set_read_timeout(Some(Duration::from_secs(20)))
            .expect("time-out");
        // a server that has heard enough hangs up
        let _ = stream.write_all(bytes);
        let mut all = Vec::new();
        let _ = stream.read_to_end(&mut all);
        reply(&all)
    }
}

fn reply(all: &[u8]) -> Reply {
    let split = all
        .windows(4)
        .position(|w| w == b"\r\n\r\n")
        .unwrap_or_else(|| panic!("no answer: {:?}", String::from_utf8_lossy(all)));
    let head = String::from_utf8_lossy(&all[..split]).into_owned();
    let mut lines = head.split("\r\n");
    let status = lines
        .next()
        .and_then(|l| l.split(' ').nth(1))
        .and_then(|s| s.parse().ok())
        .expect("a status");
    let headers = lines
        .filter_map(|l| l.split_once(':'))
        .map(|(n, v)| (n.to_ascii_lowercase(), v.trim().to_owned()))
        .collect();
    Reply {
        status,
        headers,
        body: all[split + 4..].to_vec(),
    }
}
