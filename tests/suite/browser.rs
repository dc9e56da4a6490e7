//! A real browser for the tests of the page, spoken to over its debugging pipe: messages are JSON, each ended by a zero byte.
//!
//! `TAKEPROOF_BROWSER` names another one than the `chromium` on the path. Without a browser the tests say so and pass.

use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

const PATIENCE: Duration = Duration::from_secs(60);

pub(crate) struct Browser {
    child: Child,
    to: ChildStdin,
    from: Receiver<Value>,
    next: u64,
    session: String,
    /// Everything the page reported: requests, console messages, exceptions.
    events: Vec<Value>,
    _profile: tempfile::TempDir,
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A browser with an empty page, or `None` after saying that the test is skipped.
pub(crate) fn browser(test: &str) -> Option<Browser> {
    let program = std::env::var("TAKEPROOF_BROWSER").unwrap_or_else(|_| "chromium".into());
    let there = Command::new(&program)
        .arg("--version")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status();
    if !there.is_ok_and(|s| s.success()) {
        eprintln!("skipped: {test} needs a browser ({program} was not found)");
        return None;
    }
    let profile = tempfile::tempdir().unwrap();
    // The browser reads commands from descriptor 3 and answers on 4; its own output is of no interest.
    let mut child = Command::new("sh")
        .arg("-c")
        .arg("exec \"$0\" \"$@\" 3<&0 4>&1 0</dev/null 1>/dev/null 2>&1")
        .arg(&program)
        .args([
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--disable-dev-shm-usage",
            "--no-first-run",
            "--no-default-browser-check",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--mute-audio",
            "--autoplay-policy=no-user-gesture-required",
            "--hide-scrollbars",
            "--remote-debugging-pipe",
        ])
        .arg(format!("--user-data-dir={}", profile.path().display()))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let to = child.stdin.take().unwrap();
    let mut reader = BufReader::new(child.stdout.take().unwrap());
    let (send, from) = channel();
    std::thread::spawn(move || {
        let mut buffer = Vec::new();
        while matches!(reader.read_until(0, &mut buffer), Ok(n) if n > 0) {
            if buffer.last() == Some(&0) {
                buffer.pop();
            }
            if let Ok(message) = serde_json::from_slice(&buffer)
                && send.send(message).is_err()
            {
                break;
            }
            buffer.clear();
        }
    });
    let mut browser = Browser {
        child,
        to,
        from,
        next: 0,
        session: String::new(),
        events: Vec::new(),
        _profile: profile,
    };
    let target = browser.call("Target.createTarget", json!({"url": "about:blank"}));
    let attached = browser.call(
        "Target.attachToTarget",
        json!({"targetId": target["targetId"], "flatten": true}),
    );
    browser.session = attached["sessionId"].as_str().unwrap().to_owned();
    for domain in ["Page", "Runtime", "Log", "Network"] {
        browser.call(&format!("{domain}.enable"), json!({}));
    }
    browser.size(1280, 900);
    Some(browser)
}

impl Browser {
    /// One command, answered.
    pub(crate) fn call(&mut self, method: &str, params: Value) -> Value {
        self.next += 1;
        let mut message = json!({"id": self.next, "method": method, "params": params});
        if !self.session.is_empty() {
            message["sessionId"] = json!(self.session);
        }
        let mut bytes = serde_json::to_vec(&message).unwrap();
        bytes.push(0);
        self.to.write_all(&bytes).unwrap();
        let until = Instant::now() + PATIENCE;
        loop {
            let left = until.saturating_duration_since(Instant::now());
            match self.from.recv_timeout(left) {
                Ok(answer) if answer["id"] == json!(self.next) => {
                    assert!(
                        answer.get("error").is_none(),
                        "{method}: {}",
                        answer["error"]
                    );
                    return answer["result"].clone();
                }
                Ok(event) => self.events.push(event),
                Err(RecvTimeoutError::Timeout) => panic!("{method}: no answer"),
                Err(RecvTimeoutError::Disconnected) => panic!("{method}: the browser is gone"),
            }
        }
    }

    pub(crate) fn size(&mut self, width: u32, height: u32) {
        self.call(
            "Emulation.setDeviceMetricsOverride",
            json!({"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false}),
        );
    }

    /// Open a file and wait until the page says it is ready; seconds that took.
    pub(crate) fn open(&mut self, path: &std::path::Path, hash: &str) -> f64 {
        let url = format!("file://{}{hash}", path.canonicalize().unwrap().display());
        // The same file with another hash would not be loaded again.
        self.call("Page.navigate", json!({"url": "about:blank"}));
        self.events.clear();
        let start = Instant::now();
        self.call("Page.navigate", json!({"url": url}));
        self.wait("document.documentElement?.dataset.ready === 'true'");
        start.elapsed().as_secs_f64()
    }

    /// Value of an expression; promises are waited for.
    pub(crate) fn eval(&mut self, expression: &str) -> Value {
        let answer = self.call(
            "Runtime.evaluate",
            json!({"expression": expression, "returnByValue": true, "awaitPromise": true}),
        );
        assert!(
            answer.get("exceptionDetails").is_none(),
            "{expression}: {}",
            answer["exceptionDetails"]
        );
        answer["result"]["value"].clone()
    }

    /// Wait until an expression is true.
    pub(crate) fn wait(&mut self, expression: &str) {
        let until = Instant::now() + PATIENCE;
        while self.eval(expression) != json!(true) {
            assert!(Instant::now() < until, "never true: {expression}");
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Press a key as a person does.
    pub(crate) fn key(&mut self, key: &str) {
        let (code, text) = match key {
            "Enter" => (13, "\r".to_owned()),
            "Escape" => (27, String::new()),
            "Tab" => (9, String::new()),
            "ArrowRight" => (39, String::new()),
            "ArrowLeft" => (37, String::new()),
            other => (0, other.to_owned()),
        };
        let mut down = json!({"type": "keyDown", "key": key, "windowsVirtualKeyCode": code});
        if !text.is_empty() {
            down["text"] = json!(text);
        }
        self.call("Input.dispatchKeyEvent", down);
        self.call(
            "Input.dispatchKeyEvent",
            json!({"type": "keyUp", "key": key, "windowsVirtualKeyCode": code}),
        );
    }

    /// Type into what has the focus.
    pub(crate) fn text(&mut self, text: &str) {
        self.call("Input.insertText", json!({"text": text}));
    }

    /// Move the mouse, with or without a click.
    pub(crate) fn mouse(&mut self, x: f64, y: f64, click: bool) {
        let mut send = |kind: &str, buttons: u32| {
            self.call(
                "Input.dispatchMouseEvent",
                json!({"type": kind, "x": x, "y": y, "button": if buttons > 0 {"left"} else {"none"}, "buttons": buttons, "clickCount": u32::from(buttons > 0)}),
            );
        };
        send("mouseMoved", 0);
        if click {
            send("mousePressed", 1);
            send("mouseReleased", 1);
        }
    }

    /// Keep a picture of the page when `TAKEPROOF_KEEP=folder` is set.
    pub(crate) fn keep(&mut self, name: &str) {
        let Some(folder) = std::env::var_os("TAKEPROOF_KEEP") else {
            return;
        };
        std::thread::sleep(Duration::from_millis(300));
        let shot = self.call("Page.captureScreenshot", json!({"format": "png"}));
        std::fs::write(
            std::path::Path::new(&folder).join(format!("{name}.png")),
            plain(shot["data"].as_str().unwrap()),
        )
        .unwrap();
    }

    /// Nothing went wrong in the page, and nothing was asked of a network: console, exceptions, requests.
    pub(crate) fn assert_quiet(&mut self) {
        self.eval("1");
        assert_eq!(
            self.eval("JSON.stringify(window.takeproof.errors)"),
            json!("[]")
        );
        for event in &self.events {
            let method = event["method"].as_str().unwrap_or_default();
            let params = &event["params"];
            match method {
                "Runtime.exceptionThrown" => panic!("exception: {params}"),
                "Log.entryAdded" => panic!("browser log: {params}"),
                "Runtime.consoleAPICalled" => panic!("console: {params}"),
                "Network.requestWillBeSent" => {
                    let url = params["request"]["url"].as_str().unwrap_or_default();
                    let local = ["file:", "data:", "blob:", "about:"];
                    assert!(local.iter().any(|l| url.starts_with(l)), "request to {url}");
                }
                _ => {}
            }
        }
    }
}

/// Bytes of a base64 text.
pub(crate) fn plain(text: &str) -> Vec<u8> {
    let value = |c: u8| match c {
        b'A'..=b'Z' => c - b'A',
        b'a'..=b'z' => c - b'a' + 26,
        b'0'..=b'9' => c - b'0' + 52,
        b'+' => 62,
        _ => 63,
    };
    let mut out = Vec::new();
    for part in text.trim_end_matches('=').as_bytes().chunks(4) {
        let word = (0..4).fold(0u32, |w, i| {
            w << 6 | part.get(i).map_or(0, |&c| u32::from(value(c)))
        });
        out.extend_from_slice(&word.to_be_bytes()[1..1 + part.len() * 3 / 4]);
    }
    out
}
