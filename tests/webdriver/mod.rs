//! A browser to test with: the few commands of WebDriver (W3C Recommendation) that the journeys need, over plain HTTP.

#![allow(dead_code, reason = "no test needs all of it")]

use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Where the browser's driver is, if not on the path.
const DRIVER: &str = "BOSSMARK_CHROMEDRIVER";
/// Set to `required`: no browser is a failure.
const MODE: &str = "BOSSMARK_BROWSER";
/// A step that takes longer has failed (measuring a photo takes seconds, and a minute on a machine that is shared).
const PATIENCE: Duration = Duration::from_secs(120);

/// Keys by their code points in WebDriver, section 17.4.2.
pub(crate) mod key {
    pub(crate) const TAB: &str = "\u{e004}";
    pub(crate) const ENTER: &str = "\u{e007}";
    pub(crate) const SHIFT: &str = "\u{e008}";
    pub(crate) const CONTROL: &str = "\u{e009}";
    pub(crate) const ESCAPE: &str = "\u{e00c}";
    pub(crate) const LEFT: &str = "\u{e012}";
    pub(crate) const UP: &str = "\u{e013}";
    pub(crate) const RIGHT: &str = "\u{e014}";
    pub(crate) const DOWN: &str = "\u{e015}";
    pub(crate) const DELETE: &str = "\u{e017}";
}

/// What the page is looked at with.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Screen {
    pub(crate) width: u32,
    pub(crate) height: u32,
    pub(crate) touch: bool,
    pub(crate) dark: bool,
}

/// A browser with one page.
pub(crate) struct Browser {
    process: Child,
    port: u16,
    session: String,
    _profile: Option<tempfile::TempDir>,
}

impl Drop for Browser {
    fn drop(&mut self) {
        let path = format!("/session/{}", self.session);
        let _ = request(self.port, "DELETE", &path, None);
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

fn on_path(names: &[&str]) -> Option<PathBuf> {
    let paths = std::env::var_os("PATH")?;
    names.iter().find_map(|n| {
        std::env::split_paths(&paths)
            .map(|p| p.join(n))
            .find(|p| p.is_file())
    })
}

/// The driver and the browser of this machine, if it has both.
fn installed() -> Option<(PathBuf, PathBuf)> {
    let driver = std::env::var_os(DRIVER)
        .map(PathBuf::from)
        .or_else(|| on_path(&["chromedriver"]))?;
    let browser = on_path(&["chromium", "chromium-browser", "google-chrome"])?;
    Some((driver, browser))
}

impl Browser {
    /// Starts a browser; `None`, said aloud, where there is none and none is required.
    pub(crate) fn start(screen: Screen) -> Option<Self> {
        let profile = tempfile::tempdir().expect("profile");
        let mut browser = Self::start_in(screen, profile.path())?;
        browser._profile = Some(profile);
        Some(browser)
    }

    /// The same with what the browser keeps in a folder that outlives it.
    pub(crate) fn start_in(screen: Screen, profile: &Path) -> Option<Self> {
        let Some((driver, browser)) = installed() else {
            assert!(
                std::env::var(MODE).as_deref() != Ok("required"),
                "a browser is required: install chromium and chromedriver (Debian: chromium, chromium-driver)"
            );
            let test = std::thread::current().name().unwrap_or("a test").to_owned();
            // straight to the terminal: what a test prints that passes is thrown away, and this one has tested nothing
            let _ = writeln!(
                std::io::stderr(),
                "\n*** SKIPPED: {test} has tested nothing: no chromium with chromedriver on this machine (Debian: chromium, chromium-driver) ***"
            );
            return None;
        };
        let mut process = Command::new(driver)
            .arg("--port=0")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver starts");
        let port = port_of(&mut process);
        let mut args = vec![
            "--headless=new".to_owned(),
            "--no-sandbox".to_owned(),
            "--disable-gpu".to_owned(),
            "--hide-scrollbars".to_owned(),
            "--disable-dev-shm-usage".to_owned(),
            "--no-first-run".to_owned(),
            format!("--user-data-dir={}", profile.display()),
            format!("--window-size={},{}", screen.width, screen.height),
        ];
        if screen.dark {
            args.push("--blink-settings=preferredColorScheme=0".to_owned());
        }
        let mut options = json!({"binary": browser.display().to_string(), "args": args});
        if screen.touch {
            options["mobileEmulation"] = json!({"deviceMetrics": {"width": screen.width, "height": screen.height, "pixelRatio": 2.0, "touch": true}});
        }
        let wanted = json!({"capabilities": {"alwaysMatch": {"browserName": "chrome", "goog:chromeOptions": options,
            "goog:loggingPrefs": {"browser": "ALL"}, "timeouts": {"script": 30_000}}}});
        let started = request(port, "POST", "/session", Some(&wanted)).expect("a session");
        let session = started["sessionId"].as_str().expect("its name").to_owned();
        let browser = Self {
            process,
            port,
            session,
            _profile: None,
        };
        if !screen.touch {
            // what is asked for is the page's size, not the window's
            browser.tool("Emulation.setDeviceMetricsOverride",
                &json!({"width": screen.width, "height": screen.height, "deviceScaleFactor": 1, "mobile": false}));
        }
        Some(browser)
    }

    /// The process below which all of the browser's are.
    pub(crate) fn process_id(&self) -> u32 {
        self.process.id()
    }

    fn call(&self, method: &str, path: &str, body: Option<&Value>) -> Value {
        let path = format!("/session/{}{path}", self.session);
        request(self.port, method, &path, body).unwrap_or_else(|e| panic!("{method} {path}: {e}"))
    }

    /// Ends the browser at once, as a phone does that needs the memory.
    pub(crate) fn kill(&self) {
        let path = format!("/session/{}/goog/cdp/execute", self.session);
        let command = json!({"cmd": "Browser.crash", "params": {}});
        let _ = request(self.port, "POST", &path, Some(&command));
    }

    /// A command of the browser's own tools.
    pub(crate) fn tool(&self, name: &str, parameters: &Value) -> Value {
        self.call(
            "POST",
            "/goog/cdp/execute",
            Some(&json!({"cmd": name, "params": parameters})),
        )
    }

    pub(crate) fn open(&self, address: &str) {
        self.call("POST", "/url", Some(&json!({"url": address})));
    }

    pub(crate) fn reload(&self) {
        self.call("POST", "/refresh", Some(&json!({})));
    }

    pub(crate) fn back(&self) {
        self.call("POST", "/back", Some(&json!({})));
    }

    /// Runs a function body in the page.
    pub(crate) fn js(&self, body: &str) -> Value {
        self.call(
            "POST",
            "/execute/sync",
            Some(&json!({"script": body, "args": []})),
        )
    }

    /// Runs a function body that calls its last argument when it is done.
    pub(crate) fn js_later(&self, body: &str) -> Value {
        self.call(
            "POST",
            "/execute/async",
            Some(&json!({"script": body, "args": []})),
        )
    }

    /// Waits until an expression is true.
    pub(crate) fn wait(&self, expression: &str) {
        let start = Instant::now();
        while start.elapsed() < PATIENCE {
            if self.js(&format!("return Boolean({expression})")) == true {
                return;
            }
            std::thread::sleep(Duration::from_millis(40));
        }
        panic!(
            "not within {PATIENCE:?}: {expression}\n{}",
            self.js("return document.body.innerText")
        );
    }

    fn actions(&self, actions: &Value) {
        self.call("POST", "/actions", Some(&json!({"actions": [actions]})));
    }

    /// Presses keys one after the other; those before one are held while it is pressed, if `held` names them.
    pub(crate) fn keys(&self, held: &[&str], keys: &[&str]) {
        let mut list: Vec<Value> = held
            .iter()
            .map(|k| json!({"type": "keyDown", "value": k}))
            .collect();
        for k in keys {
            list.push(json!({"type": "keyDown", "value": k}));
            list.push(json!({"type": "keyUp", "value": k}));
        }
        list.extend(
            held.iter()
                .rev()
                .map(|k| json!({"type": "keyUp", "value": k})),
        );
        self.actions(&json!({"type": "key", "id": "keyboard", "actions": list}));
    }

    /// Types text.
    pub(crate) fn write(&self, text: &str) {
        let letters: Vec<String> = text.chars().map(String::from).collect();
        self.keys(&[], &letters.iter().map(String::as_str).collect::<Vec<_>>());
    }

    /// Presses, moves through `points` and releases: by mouse, or by a finger.
    pub(crate) fn drag(&self, finger: bool, points: &[(f64, f64)]) {
        let to = |p: &(f64, f64), ms: u32| json!({"type": "pointerMove", "duration": ms, "x": whole(p.0), "y": whole(p.1), "origin": "viewport"});
        let (first, rest) = points.split_first().expect("a place");
        let mut list = vec![to(first, 0), json!({"type": "pointerDown", "button": 0})];
        list.extend(rest.iter().map(|p| to(p, 60)));
        list.push(json!({"type": "pause", "duration": 20}));
        list.push(json!({"type": "pointerUp", "button": 0}));
        let kind = if finger { "touch" } else { "mouse" };
        self.actions(&json!({"type": "pointer", "id": kind, "parameters": {"pointerType": kind}, "actions": list}));
    }

    /// A click or tap.
    pub(crate) fn tap(&self, finger: bool, at: (f64, f64)) {
        self.drag(finger, &[at]);
    }

    /// Two taps in quick succession.
    pub(crate) fn tap_twice(&self, finger: bool, at: (f64, f64)) {
        let kind = if finger { "touch" } else { "mouse" };
        let mut list = vec![
            json!({"type": "pointerMove", "duration": 0, "x": whole(at.0), "y": whole(at.1), "origin": "viewport"}),
        ];
        for _ in 0..2 {
            list.push(json!({"type": "pointerDown", "button": 0}));
            list.push(json!({"type": "pointerUp", "button": 0}));
            list.push(json!({"type": "pause", "duration": 40}));
        }
        self.actions(&json!({"type": "pointer", "id": kind, "parameters": {"pointerType": kind}, "actions": list}));
    }

    /// Two fingers that move apart or together about a place.
    pub(crate) fn pinch(&self, middle: (f64, f64), from: f64, to: f64) {
        let finger = |id: &str, side: f64| {
            let at = |d: f64, ms: u32| json!({"type": "pointerMove", "duration": ms, "x": whole(middle.0 + side * d), "y": whole(middle.1), "origin": "viewport"});
            json!({"type": "pointer", "id": id, "parameters": {"pointerType": "touch"}, "actions": [
                at(from, 0), {"type": "pointerDown", "button": 0}, at(f64::midpoint(from, to), 60), at(to, 60), {"type": "pointerUp", "button": 0}]})
        };
        self.call(
            "POST",
            "/actions",
            Some(&json!({"actions": [finger("one", 1.0), finger("two", -1.0)]})),
        );
    }

    /// Scrolls an element into view and clicks or taps its middle.
    pub(crate) fn press(&self, finger: bool, css: &str) {
        self.wait(&format!("document.querySelector({css:?})"));
        // what comes in late moves what is below it: pressed is what has kept its place for a third of a second
        let at = self.js_later(&format!(
            "const done = arguments[0]; const e = document.querySelector({css:?}); const start = Date.now(); let last = '', same = 0;
             const look = () => {{
               e.scrollIntoView({{block: 'center', behavior: 'instant'}});
               const b = e.getBoundingClientRect(); const now = [b.left + b.width / 2, b.top + b.height / 2, b.width, b.height];
               same = String(now) === last ? same + 1 : 0; last = String(now);
               if (same >= 8 || Date.now() - start > 5000) done(now); else setTimeout(() => requestAnimationFrame(look), 40); }};
             look();"
        ));
        let n = |i: usize| at[i].as_f64().expect("number");
        assert!(n(2) > 0.0 && n(3) > 0.0, "{css} is not to be seen");
        self.tap(finger, (n(0), n(1)));
    }

    /// Chooses a file in a file field (as a script returned it).
    pub(crate) fn fill_file(&self, field: &Value, file: &Path) {
        let id = field
            .as_object()
            .and_then(|o| o.values().next())
            .and_then(Value::as_str)
            .expect("an element");
        let text = file.display().to_string();
        self.call(
            "POST",
            &format!("/element/{id}/value"),
            Some(&json!({"text": text})),
        );
    }

    /// Saves what is seen, if pictures are asked for (`BOSSMARK_PICTURES`: the folder).
    pub(crate) fn picture(&self, name: &str) {
        use base64::Engine;
        let Some(folder) = std::env::var_os("BOSSMARK_PICTURES") else {
            return;
        };
        let shot = self.call("GET", "/screenshot", None);
        let bytes = base64::engine::general_purpose::STANDARD
            .decode(shot.as_str().expect("a picture"))
            .expect("base 64");
        std::fs::write(Path::new(&folder).join(format!("{name}.png")), bytes).expect("written");
    }

    /// What is seen, as JPEG of this quality.
    pub(crate) fn jpeg(&self, quality: u32) -> Vec<u8> {
        use base64::Engine;
        let shot = self.tool(
            "Page.captureScreenshot",
            &json!({"format": "jpeg", "quality": quality}),
        );
        base64::engine::general_purpose::STANDARD
            .decode(shot["data"].as_str().expect("a picture"))
            .expect("base 64")
    }

    /// What the page complained of.
    pub(crate) fn complaints(&self) -> Vec<String> {
        let log = self.call("POST", "/se/log", Some(&json!({"type": "browser"})));
        let entries = log.as_array().cloned().unwrap_or_default();
        entries
            .iter()
            .filter(|e| e["level"] == "SEVERE")
            .map(|e| e["message"].to_string())
            .collect()
    }
}

#[expect(clippy::cast_possible_truncation, reason = "places on a screen")]
fn whole(v: f64) -> i64 {
    v.round() as i64
}

/// The port that the driver says it listens on.
fn port_of(process: &mut Child) -> u16 {
    let mut out = BufReader::new(process.stdout.take().expect("output"));
    let mut line = String::new();
    while out.read_line(&mut line).expect("a line") > 0 {
        if line.contains("started successfully on port") {
            let digits: String = line.chars().filter(char::is_ascii_digit).collect();
            // it goes on writing: somebody has to read
            std::thread::spawn(move || std::io::copy(&mut out, &mut std::io::sink()));
            return digits.parse().expect("a port");
        }
        line.clear();
    }
    panic!("chromedriver ended before it listened");
}

fn request(port: u16, method: &str, path: &str, body: Option<&Value>) -> Result<Value, String> {
    let body = body.map_or(String::new(), Value::to_string);
    let fault = |e: std::io::Error| e.to_string();
    let mut stream = TcpStream::connect(("127.0.0.1", port)).map_err(fault)?;
    stream
        .set_read_timeout(Some(Duration::from_secs(60)))
        .map_err(fault)?;
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n",
        body.len()
    );
    stream.write_all(head.as_bytes()).map_err(fault)?;
    stream.write_all(body.as_bytes()).map_err(fault)?;
    let mut reader = BufReader::new(stream);
    let mut length = 0;
    let mut line = String::new();
    loop {
        line.clear();
        if reader.read_line(&mut line).map_err(fault)? == 0 || line == "\r\n" {
            break;
        }
        if let Some(v) = line.to_ascii_lowercase().strip_prefix("content-length:") {
            length = v.trim().parse().unwrap_or(0);
        }
    }
    let mut bytes = vec![0; length];
    reader.read_exact(&mut bytes).map_err(fault)?;
    let answer: Value = serde_json::from_slice(&bytes).map_err(|e| e.to_string())?;
    match answer["value"].get("error") {
        Some(error) => Err(format!("{error}: {}", answer["value"]["message"])),
        None => Ok(answer["value"].clone()),
    }
}
