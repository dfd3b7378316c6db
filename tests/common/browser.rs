//! A Chromium without a window, driven by its own protocol (DevTools, JSON texts that end in a
//! zero byte) over two pipes. A test that needs one fails where none is installed: on Debian
//! `apt-get install chromium`, which `scripts/check` does.

// Each test file is a crate of its own and uses its own part of this.
#![allow(dead_code)]

use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::thread;
use std::time::{Duration, Instant};

/// What the browser may be called.
const NAMES: [&str; 2] = ["chromium", "chromium-browser"];
/// Nothing takes longer, on however busy a machine.
const PATIENCE: Duration = Duration::from_secs(120);

/// A browser with one page.
pub struct Browser {
    process: Child,
    to: ChildStdin,
    from: Receiver<Value>,
    session: Option<String>,
    next: u64,
    /// Errors and failures that the page reported.
    pub complaints: Vec<String>,
    /// All addresses that were asked for.
    pub requests: Vec<String>,
    _folder: tempfile::TempDir,
}

impl Browser {
    /// Starts one.
    pub fn start() -> Self {
        let folder = tempfile::tempdir().expect("a folder for the browser");
        let is_there = |name: &&&str| {
            let run = Command::new(name).arg("--version").output();
            run.is_ok_and(|run| run.status.success())
        };
        let name = NAMES.iter().find(is_there).unwrap_or_else(|| {
            panic!("this test needs Chromium: `apt-get install chromium` (scripts/check does it)")
        });
        let profile = folder.path().display();
        // The protocol is on the handles 3 and 4; what it prints is of no use.
        let line = format!(
            "exec {name} --headless=new --no-sandbox --disable-gpu --disable-dev-shm-usage \
             --no-first-run --disable-extensions --disable-background-networking \
             --disable-component-update --mute-audio --hide-scrollbars --lang=en \
             --user-data-dir='{profile}' --remote-debugging-pipe about:blank \
             3<&0 4>&1 </dev/null >/dev/null 2>/dev/null"
        );
        let mut process = Command::new("sh")
            .args(["-c", &line])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the browser starts");
        let to = process.stdin.take().expect("a pipe");
        let mut answers = BufReader::new(process.stdout.take().expect("a pipe"));
        let (send, from) = channel();
        thread::spawn(move || {
            let mut bytes = Vec::new();
            while answers.read_until(0, &mut bytes).is_ok_and(|n| n > 0) {
                bytes.pop();
                let Ok(value) = serde_json::from_slice(&bytes) else {
                    break;
                };
                if send.send(value).is_err() {
                    break;
                }
                bytes.clear();
            }
        });
        let mut browser = Browser {
            process,
            to,
            from,
            session: None,
            next: 0,
            complaints: Vec::new(),
            requests: Vec::new(),
            _folder: folder,
        };
        let target = browser.ask("Target.createTarget", json!({ "url": "about:blank" }));
        let attached = json!({ "targetId": target["targetId"], "flatten": true });
        let attached = browser.ask("Target.attachToTarget", attached);
        browser.session = attached["sessionId"].as_str().map(str::to_owned);
        for domain in ["Page", "Runtime", "Network", "Log"] {
            browser.ask(&format!("{domain}.enable"), json!({}));
        }
        browser
    }

    /// One command of the protocol; its result.
    pub fn ask(&mut self, method: &str, parameters: Value) -> Value {
        self.next += 1;
        let id = self.next;
        let mut command = json!({ "id": id, "method": method, "params": parameters });
        if let Some(session) = &self.session {
            command["sessionId"] = session.as_str().into();
        }
        let mut text = command.to_string().into_bytes();
        text.push(0);
        self.to.write_all(&text).expect("the browser listens");
        self.to.flush().expect("the browser listens");
        loop {
            let answer = self
                .from
                .recv_timeout(PATIENCE)
                .unwrap_or_else(|e| panic!("no answer to {method}: {e}"));
            if answer["id"] == id {
                assert!(answer.get("error").is_none(), "{method}: {answer}");
                return answer["result"].clone();
            }
            self.note(&answer);
        }
    }

    /// Keeps what an event says.
    fn note(&mut self, event: &Value) {
        let of = &event["params"];
        match event["method"].as_str().unwrap_or_default() {
            "Network.requestWillBeSent" => {
                let address = of["request"]["url"].as_str().unwrap_or_default();
                self.requests.push(address.chars().take(200).collect());
            }
            "Runtime.exceptionThrown" => self.complaints.push(of.to_string()),
            "Runtime.consoleAPICalled" if of["type"] == "error" || of["type"] == "warning" => {
                self.complaints.push(of["args"].to_string());
            }
            "Log.entryAdded" => self.complaints.push(of["entry"].to_string()),
            _ => {}
        }
    }

    /// Opens a file and waits until it is loaded.
    pub fn open(&mut self, page: &Path) {
        let address = format!("file://{}", page.display());
        self.ask("Page.navigate", json!({ "url": address }));
        self.until("document.readyState === 'complete' && location.protocol === 'file:'");
    }

    /// How large the page is shown.
    pub fn size(&mut self, width: u32, height: u32) {
        let size = json!({
            "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false,
        });
        self.ask("Emulation.setDeviceMetricsOverride", size);
    }

    /// The light or the dark look, on the screen or (`print`) on paper.
    pub fn look(&mut self, media: &str, scheme: &str) {
        let feature = json!([{ "name": "prefers-color-scheme", "value": scheme }]);
        let media = json!({ "media": media, "features": feature });
        self.ask("Emulation.setEmulatedMedia", media);
    }

    /// The value of an expression, promises waited for.
    pub fn value(&mut self, expression: &str) -> Value {
        let asked = json!({
            "expression": expression, "awaitPromise": true, "returnByValue": true,
            "userGesture": true,
        });
        let result = self.ask("Runtime.evaluate", asked);
        let failed = result.get("exceptionDetails");
        assert!(failed.is_none(), "{expression}: {result}");
        result["result"]["value"].clone()
    }

    /// Waits until an expression is true.
    #[track_caller]
    pub fn until(&mut self, expression: &str) {
        let begun = Instant::now();
        while self.value(&format!("Boolean({expression})")) != true {
            assert!(begun.elapsed() < PATIENCE, "never: {expression}");
            thread::sleep(Duration::from_millis(20));
        }
    }

    /// The middle of the first element of a selector, scrolled into view.
    fn middle(&mut self, selector: &str) -> (f64, f64) {
        let place = self.value(&format!(
            "(() => {{ const e = document.querySelector({selector:?}); \
             e.scrollIntoView({{ block: 'center', behavior: 'instant' }}); \
             const b = e.getBoundingClientRect(); \
             return [b.x + b.width / 2, b.y + b.height / 2]; }})()"
        ));
        let at = |k: usize| place[k].as_f64().expect("a place");
        (at(0), at(1))
    }

    fn mouse(&mut self, kind: &str, x: f64, y: f64) {
        let event = json!({
            "type": kind, "x": x, "y": y, "button": "left", "clickCount": 1,
            "buttons": if kind == "mouseReleased" { 0 } else { 1 },
        });
        self.ask("Input.dispatchMouseEvent", event);
    }

    /// Clicks an element as a hand would.
    pub fn click(&mut self, selector: &str) {
        let (x, y) = self.middle(selector);
        self.mouse("mousePressed", x, y);
        self.mouse("mouseReleased", x, y);
    }

    /// Drags within an element, from one part of its width to another.
    pub fn drag(&mut self, selector: &str, from: f64, to: f64) {
        let (_, y) = self.middle(selector);
        let edges = self.value(&format!(
            "(() => {{ const b = document.querySelector({selector:?}).getBoundingClientRect(); \
             return [b.left, b.width]; }})()"
        ));
        let (left, width) = (edges[0].as_f64().unwrap(), edges[1].as_f64().unwrap());
        self.mouse("mousePressed", left + from * width, y);
        self.mouse("mouseMoved", left + 0.5 * (from + to) * width, y);
        self.mouse("mouseMoved", left + to * width, y);
        self.mouse("mouseReleased", left + to * width, y);
    }

    /// Presses a key: a character, or a name such as `ArrowLeft`.
    pub fn key(&mut self, key: &str) {
        let mut down = json!({ "type": "keyDown", "key": key });
        if key.chars().count() == 1 {
            down["text"] = key.into();
        }
        let code = match key {
            " " => Some(32),
            "Escape" => Some(27),
            "Enter" => Some(13),
            _ => None,
        };
        if let Some(code) = code {
            down["windowsVirtualKeyCode"] = code.into();
        }
        self.ask("Input.dispatchKeyEvent", down);
        self.ask(
            "Input.dispatchKeyEvent",
            json!({ "type": "keyUp", "key": key }),
        );
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // Its end of the pipes closed, the browser would end too, but later than its folder.
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}
