//! A real browser: Debian's chromium by its chromedriver, and axe-core to judge what people who cannot see, or not use a
//! mouse, would meet.

#![allow(unreachable_pub, reason = "it is a module of a test")]

use fantoccini::actions::{
    Actions, InputSource, KeyAction, KeyActions, MOUSE_BUTTON_LEFT, MouseActions, PointerAction, TouchActions,
};
use fantoccini::key::Key;
use fantoccini::wd::{Capabilities, PrintConfiguration};
use fantoccini::{Client, ClientBuilder, Locator};
use hyper_util::client::legacy::connect::HttpConnector;
use serde_json::{Value, json};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// What is looked through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Eyes {
    /// 1400 pixels wide, light.
    Desk,
    /// 360 pixels wide, dark.
    Phone,
}

/// chromedriver, ended with this.
pub struct Driver {
    child: Child,
    port: u16,
    downloads: tempfile::TempDir,
}

impl Driver {
    pub fn start() -> Self {
        let wanted =
            "this test needs a browser: install Debian's packages chromium and chromium-driver, as tests/run does";
        let port = crate::common::free_port();
        let child = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap_or_else(|error| panic!("{wanted} ({error})"));
        crate::common::wait_for("chromedriver to listen", || std::net::TcpStream::connect(("127.0.0.1", port)).is_ok());
        Self { child, port, downloads: tempfile::tempdir().expect("a folder") }
    }

    /// A window.
    pub async fn open(&self, eyes: Eyes) -> Page {
        let mut args = vec!["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"];
        let mut options = json!({});
        match eyes {
            Eyes::Desk => args.push("--window-size=1400,900"),
            Eyes::Phone => {
                // 0 is dark.
                args.push("--blink-settings=preferredColorScheme=0");
                let screen = json!({ "width": 360, "height": 740, "pixelRatio": 1.0 });
                options["mobileEmulation"] = json!({ "deviceMetrics": screen });
            }
        }
        options["args"] = json!(args);
        options["prefs"] =
            json!({ "download.default_directory": self.downloads.path(), "download.prompt_for_download": false });
        let mut capabilities = Capabilities::new();
        capabilities.insert("goog:chromeOptions".into(), options);
        let client = ClientBuilder::new(HttpConnector::new())
            .capabilities(capabilities)
            .connect(&format!("http://127.0.0.1:{}", self.port))
            .await
            .expect("chromium opens: install Debian's package chromium, as tests/run does");
        Page(client)
    }

    /// A file the browser has saved, once it is whole; its name begins so.
    pub fn saved(&self, begins: &str, ends: &str) -> PathBuf {
        let found = || {
            let all = std::fs::read_dir(self.downloads.path()).expect("a folder").filter_map(Result::ok);
            all.map(|entry| entry.path()).find(|path| {
                let name = path.file_name().unwrap_or_default().to_string_lossy();
                name.starts_with(begins) && name.ends_with(ends)
            })
        };
        crate::common::wait_for(&format!("{begins}…{ends} to be saved"), || found().is_some());
        found().expect("it was there")
    }
}

impl Drop for Driver {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What a person does and sees.
pub struct Page(pub Client);

impl Page {
    pub async fn goto(&self, address: &str) {
        self.0.goto(address).await.expect(address);
    }

    /// The text of the first element that fits.
    pub async fn text(&self, css: &str) -> String {
        self.0.find(Locator::Css(css)).await.unwrap_or_else(|error| panic!("{css}: {error}")).text().await.expect(css)
    }

    pub async fn click(&self, css: &str) {
        let found = self.0.find(Locator::Css(css)).await.unwrap_or_else(|error| panic!("{css}: {error}"));
        found.click().await.unwrap_or_else(|error| panic!("{css}: {error}"));
    }

    pub async fn fill(&self, css: &str, text: &str) {
        let found = self.0.find(Locator::Css(css)).await.unwrap_or_else(|error| panic!("{css}: {error}"));
        found.send_keys(text).await.unwrap_or_else(|error| panic!("{css}: {error}"));
    }

    /// Moves the mouse over an element, to shares of half its width from its middle; from one to the other with the button down.
    pub async fn drag(&self, css: &str, from: f64, to: Option<f64>) {
        let element = self.0.find(Locator::Css(css)).await.unwrap_or_else(|error| panic!("{css}: {error}"));
        let half = element.rectangle().await.expect(css).2 / 2.0;
        let over = |share: f64| PointerAction::MoveToElement {
            element: element.clone(),
            duration: Some(Duration::from_millis(50)),
            x: (share * half).round(),
            y: 0.0,
        };
        let mut mouse = MouseActions::new("mouse".into()).then(over(from));
        if let Some(to) = to {
            mouse = mouse.then(PointerAction::Down { button: MOUSE_BUTTON_LEFT }).then(over((from + to) / 2.0));
            mouse = mouse.then(over(to)).then(PointerAction::Up { button: MOUSE_BUTTON_LEFT });
        }
        self.0.perform_actions(mouse).await.unwrap_or_else(|error| panic!("{css}: {error}"));
    }

    /// Two fingers on an element, each from one share of half its width beside the middle to another.
    pub async fn pinch(&self, css: &str, from: f64, to: f64) {
        let element = self.0.find(Locator::Css(css)).await.unwrap_or_else(|error| panic!("{css}: {error}"));
        let half = element.rectangle().await.expect(css).2 / 2.0;
        let finger = |id: &str, side: f64| {
            let over = |share: f64| PointerAction::MoveToElement {
                element: element.clone(),
                duration: Some(Duration::from_millis(60)),
                x: (side * share * half).round(),
                y: 0.0,
            };
            TouchActions::new(id.to_owned())
                .then(over(from))
                .then(PointerAction::Down { button: MOUSE_BUTTON_LEFT })
                .then(over((from + to) / 2.0))
                .then(over(to))
                .then(PointerAction::Up { button: MOUSE_BUTTON_LEFT })
        };
        let both = Actions::from(finger("thumb", -1.0)).and(finger("finger", 1.0));
        self.0.perform_actions(both).await.unwrap_or_else(|error| panic!("{css}: {error}"));
    }

    /// One stroke of a key, whoever has the focus.
    pub async fn key(&self, key: impl Into<char>) {
        let value = key.into();
        let stroke = KeyActions::new("keys".into()).then(KeyAction::Down { value }).then(KeyAction::Up { value });
        self.0.perform_actions(stroke).await.unwrap_or_else(|error| panic!("{value:?}: {error}"));
    }

    /// Characters one after the other, into whatever has the focus.
    pub async fn write(&self, text: &str) {
        for character in text.chars() {
            self.key(character).await;
        }
    }

    /// Tabs on until an element that fits has the focus. Everywhere on the way somebody who sees must be able to tell where they
    /// are: a place within the window, an outline of two pixels or more (WCAG 2.2, 2.4.7 and 2.4.11; two pixels as in 2.4.13).
    pub async fn tab_to(&self, css: &str) {
        let script = format!(
            "const at = document.activeElement, area = at.getBoundingClientRect(), style = getComputedStyle(at);
             const inside = area.width > 0 && area.height > 0 && area.bottom > 0 && area.right > 0
                 && area.top < innerHeight && area.left < innerWidth;
             const ringed = style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
             return [at.matches({css:?}), inside && ringed,
                 at.outerHTML.slice(0, 200) + ' ' + JSON.stringify(area) + ' ' + style.outline];"
        );
        let mut way = Vec::new();
        for _ in 0..80 {
            self.key(Key::Tab).await;
            let found = self.run(&script).await;
            // Past the last one the window itself has it.
            if !found[2].as_str().is_some_and(|html| html.starts_with("<body")) {
                assert_eq!(found[1], true, "where the focus is cannot be seen: {}", found[2]);
            }
            if found[0] == true {
                return;
            }
            way.push(found[2].clone());
        }
        panic!("no tab leads to {css}: {way:#?}");
    }

    /// What is on the paper: its text, and pages; kept beside the pictures, where those are wanted.
    pub async fn printed(&self, name: &str) -> (String, usize) {
        let pdf = self.0.print(PrintConfiguration::default()).await.expect("it prints");
        let kept = tempfile::tempdir().expect("a folder");
        let folder = std::env::var_os("ROUNDSMAN_SCREENSHOTS").map_or(kept.path().to_owned(), PathBuf::from);
        let path = folder.join(format!("{name}.pdf"));
        std::fs::write(&path, pdf).expect("written");
        let words = Command::new("pdftotext").arg("-layout").arg(&path).arg("-").output();
        let words =
            words.expect("this test needs pdftotext: install Debian's package poppler-utils, as tests/run does");
        assert!(words.status.success(), "{}", String::from_utf8_lossy(&words.stderr));
        let text = String::from_utf8_lossy(&words.stdout).into_owned();
        let pages = text.matches('\u{c}').count();
        (text, pages)
    }

    /// Waits until the text of an element has this in it.
    pub async fn until(&self, css: &str, part: &str) {
        let began = Instant::now();
        loop {
            let text = match self.0.find(Locator::Css(css)).await {
                // The list may take it away in between.
                Ok(found) => found.text().await.unwrap_or_default(),
                Err(_) => String::new(),
            };
            if text.contains(part) {
                return;
            }
            assert!(
                began.elapsed() < crate::common::PATIENCE,
                "waited in vain for {part:?} in {css}, which is {text:?}"
            );
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }

    /// Waits until a picture is drawn as it was last asked for.
    pub async fn until_still(&self, css: &str) {
        let script = format!("return document.querySelector({css:?}).closest('.late') === null");
        let began = Instant::now();
        // What was just done asks for a new one only in its turn.
        tokio::time::sleep(Duration::from_millis(300)).await;
        while self.run(&script).await != true {
            assert!(began.elapsed() < crate::common::PATIENCE, "{css} is never drawn");
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }

    pub async fn run(&self, script: &str) -> Value {
        self.0.execute(script, Vec::new()).await.unwrap_or_else(|error| panic!("{script}: {error}"))
    }

    /// Nothing sticks out to the side, and axe-core finds nothing.
    pub async fn assert_well_made(&self, what: &str) {
        let wide = self.run("return [document.documentElement.scrollWidth, window.innerWidth]").await;
        assert!(wide[0].as_u64() <= wide[1].as_u64(), "{what} is wider than its window: {wide}");
        self.0.execute(&axe(), Vec::new()).await.expect("axe-core loads");
        let script = "const done = arguments[arguments.length - 1];
            axe.run(document, { resultTypes: ['violations'] }).then(
                (found) => done({ violations: found.violations, passes: found.passes.length }),
                (error) => done({ error: String(error) }));";
        let found = self.0.execute_async(script, Vec::new()).await.expect("axe-core runs");
        assert!(found["passes"].as_u64() > Some(5), "{what}: axe-core looked at next to nothing: {found}");
        let violations = found["violations"].as_array().expect("a list");
        let words = |one: &Value| {
            let nodes = one["nodes"].as_array().into_iter().flatten();
            let nodes: Vec<String> =
                nodes.map(|node| format!("    {} {}", node["html"], node["failureSummary"])).collect();
            format!("  {}: {}\n{}", one["id"], one["help"], nodes.join("\n"))
        };
        assert!(violations.is_empty(), "{what}:\n{}", violations.iter().map(words).collect::<Vec<_>>().join("\n"));
    }

    /// For a person to look at, where `ROUNDSMAN_SCREENSHOTS` names a folder.
    pub async fn picture(&self, name: &str) {
        let Some(folder) = std::env::var_os("ROUNDSMAN_SCREENSHOTS") else { return };
        let image = self.0.screenshot().await.expect("a picture");
        std::fs::write(PathBuf::from(folder).join(format!("{name}.png")), image).expect("it is written");
    }
}

fn axe() -> String {
    let wanted = "this test needs axe-core: `npm pack axe-core@4 && tar xzf axe-core-4*.tgz`, then \
                  ROUNDSMAN_AXE=$PWD/package/axe.min.js; tests/run does that";
    let path = std::env::var_os("ROUNDSMAN_AXE").expect(wanted);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}: {wanted}", path.display()))
}
