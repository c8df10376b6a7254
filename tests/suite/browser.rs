//! Pages in a real browser, driven over WebDriver (W3C recommendation). Needs chromium and chromedriver; where they are not
//! installed these tests say loudly that they did not run, and fail where GONOGO_BROWSER=required is set. An accessibility
//! engine is injected where GONOGO_AXE names its script.

use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use fantoccini::actions::{InputSource, KeyAction, KeyActions};
use fantoccini::wd::WebDriverCompatibleCommand;
use fantoccini::{Client, ClientBuilder};
use serde_json::{Value, json};

/// Where Debian and others put them.
const BROWSERS: [&str; 3] = ["/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"];
const DRIVERS: [&str; 2] = ["/usr/bin/chromedriver", "/usr/lib/chromium/chromedriver"];

/// A driver process; it ends with the test.
struct Driver {
    process: Child,
    port: u16,
}

impl Drop for Driver {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// Something only this kind of browser knows, or a log.
#[derive(Debug)]
struct Raw {
    path: &'static str,
    body: Value,
}

impl WebDriverCompatibleCommand for Raw {
    fn endpoint(&self, base: &url::Url, session: Option<&str>) -> Result<url::Url, url::ParseError> {
        base.join(&format!("session/{}/{}", session.unwrap_or_default(), self.path))
    }

    fn method_and_body(&self, _: &url::Url) -> (http::Method, Option<String>) {
        (http::Method::POST, Some(self.body.to_string()))
    }
}

fn found(places: &[&str]) -> Option<PathBuf> {
    places.iter().map(PathBuf::from).find(|place| place.is_file())
}

/// Past the test harness, which shows nothing of a test that passes.
fn loudly(message: &str) {
    let _ = writeln!(std::io::stderr(), "\n*** {message} ***\n");
}

fn start() -> Option<(Driver, PathBuf)> {
    let (Some(browser), Some(driver)) = (found(&BROWSERS), found(&DRIVERS)) else {
        assert!(
            std::env::var_os("GONOGO_BROWSER").is_none(),
            "chromium and chromedriver are required and not installed"
        );
        loudly("BROWSER TESTS DID NOT RUN: chromium and chromedriver are not installed");
        return None;
    };
    let mut process = Command::new(driver)
        .arg("--port=0")
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("chromedriver starts");
    let output = BufReader::new(process.stdout.take().expect("piped"));
    let port = output
        .lines()
        .map_while(Result::ok)
        .find_map(|line| line.split_once("started successfully on port ")?.1.trim_end_matches('.').trim().parse().ok());
    Some((Driver { process, port: port.expect("chromedriver says its port") }, browser))
}

/// Runs a test in a fresh browser whose window is so large.
pub fn in_browser(size: (u32, u32), test: impl AsyncFnOnce(&Client)) {
    let Some((driver, browser)) = start() else { return };
    let profile = tempfile::tempdir().expect("temporary directory");
    let arguments = [
        "--headless".to_owned(),
        "--no-sandbox".to_owned(),
        "--disable-gpu".to_owned(),
        "--no-first-run".to_owned(),
        "--disable-background-networking".to_owned(),
        "--disable-component-update".to_owned(),
        "--disable-sync".to_owned(),
        "--disable-dev-shm-usage".to_owned(),
        format!("--window-size={},{}", size.0, size.1),
        format!("--user-data-dir={}", profile.path().display()),
    ];
    let wanted = json!({
        "goog:chromeOptions": { "args": arguments, "binary": browser },
        "goog:loggingPrefs": { "browser": "ALL", "performance": "ALL" },
    });
    let Value::Object(wanted) = wanted else { unreachable!() };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let client = ClientBuilder::new(hyper_util::client::legacy::connect::HttpConnector::new())
            .capabilities(wanted)
            .connect(&format!("http://127.0.0.1:{}", driver.port))
            .await
            .expect("a session");
        test(&client).await;
        client.close().await.expect("closes");
    });
}

/// Runs the program as a user would.
fn gonogo(arguments: &[&str], directory: &Path) {
    let output =
        Command::new(env!("CARGO_BIN_EXE_gonogo")).args(arguments).current_dir(directory).output().expect("runs");
    assert!(output.status.code().is_some_and(|code| code < 2), "{}", String::from_utf8_lossy(&output.stderr));
}

/// The page of a job of the corpus on a machine of the corpus.
fn page_of(job: &str, machine: &str, at: &Path) -> String {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus");
    let file = at.join("page.html");
    let (job, machine) = (root.join("jobs").join(job), root.join("machines").join(machine));
    let arguments = ["check", path(&job), "--machine", path(&machine), "--format", "html", "-o", path(&file)];
    gonogo(&arguments, at);
    format!("file://{}", file.display())
}

fn path(path: &Path) -> &str {
    path.to_str().expect("a path in UTF-8")
}

async fn open(client: &Client, page: &str) {
    client.goto(page).await.expect("opens");
    for _ in 0..200 {
        if run(client, "return document.documentElement.dataset.ready || ''").await == "1" {
            return;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("the script of {page} never ended: {:?}", logs(client, "browser").await);
}

pub async fn run(client: &Client, script: &str) -> Value {
    client.execute(script, Vec::new()).await.expect("runs in the page")
}

/// What the page says at an element.
async fn text(client: &Client, id: &str) -> String {
    let script = format!("return document.getElementById('{id}').textContent");
    run(client, &script).await.as_str().expect("a text").to_owned()
}

/// After the browser has drawn twice.
async fn drawn(client: &Client) {
    let wait = "const done = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))";
    client.execute_async(wait, Vec::new()).await.expect("draws");
}

pub async fn logs(client: &Client, kind: &str) -> Vec<Value> {
    let log = client.issue_cmd(Raw { path: "se/log", body: json!({ "type": kind }) }).await.expect("a log");
    log.as_array().cloned().unwrap_or_default()
}

pub async fn devtools(client: &Client, command: &str, parameters: Value) -> Value {
    let body = json!({ "cmd": command, "params": parameters });
    client.issue_cmd(Raw { path: "goog/cdp/execute", body }).await.expect("a command of the browser")
}

/// Presses a key where the focus of an element is.
async fn key(client: &Client, id: &str, key: char) {
    run(client, &format!("document.getElementById('{id}').focus()")).await;
    let pressed =
        KeyActions::new("keys".into()).then(KeyAction::Down { value: key }).then(KeyAction::Up { value: key });
    client.perform_actions(pressed).await.expect("takes keys");
    drawn(client).await;
}

/// Nothing in the console, nothing asked of any other place.
async fn is_quiet(client: &Client) {
    let console = logs(client, "browser").await;
    // Advice on speed is for the test, which reads the canvas.
    let faults: Vec<_> = console.iter().filter(|entry| entry["source"] != "rendering").collect();
    assert!(faults.is_empty(), "{faults:?}");
    for entry in logs(client, "performance").await {
        let message: Value = serde_json::from_str(entry["message"].as_str().expect("a text")).expect("JSON");
        let parameters = &message["message"]["params"];
        // A new window of the browser asks for things of its own.
        let by_page = parameters["documentURL"].as_str().is_some_and(|from| !from.starts_with("chrome://"));
        if message["message"]["method"] == "Network.requestWillBeSent" && by_page {
            let asked = parameters["request"]["url"].as_str().expect("an address");
            assert!(
                asked.starts_with("file://") && asked.contains("page.html") || asked.starts_with("data:"),
                "{asked}"
            );
        }
    }
}

/// Dark pixels that are not all alike: something is drawn.
const INK: &str = "const c = document.getElementById(arguments[0]), d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;\
    const seen = new Set(); for (let k = 0; k < d.length; k += 4) if (d[k + 3] > 200) seen.add(d[k] * 65536 + d[k + 1] * 256 + d[k + 2]); return seen.size";

async fn colours(client: &Client, canvas: &str) -> u64 {
    client.execute(INK, vec![json!(canvas)]).await.expect("runs").as_u64().expect("a count")
}

const ENTER: char = '\u{e007}';
const HOME: char = '\u{e011}';
const UP: char = '\u{e013}';
const RIGHT: char = '\u{e014}';

#[test]
fn a_page_moves_as_its_keys_and_links_say_and_asks_for_nothing() {
    let at = tempfile::tempdir().expect("temporary directory");
    let page = page_of("heron-hook.gcode", "heron.toml", at.path());
    in_browser((1200, 900), async |client| {
        open(client, &page).await;
        drawn(client).await;
        assert!(colours(client, "plan").await > 3 && colours(client, "elevation").await > 2);
        // The time line turns to layers.
        key(client, "ruler", HOME).await;
        let first = text(client, "layer-name").await;
        assert!(first.starts_with("1 of "), "{first}");
        key(client, "ruler", RIGHT).await;
        assert!(text(client, "layer-name").await.starts_with("2 of "));
        key(client, "plan", UP).await;
        assert!(text(client, "layer-name").await.starts_with("3 of "));
        // The curves are read where that layer starts.
        let read = text(client, "time-readout").await;
        assert!(read.contains("layer 3 "), "{read}");
        let slid = "const r = document.getElementById('ruler'); return [r.getAttribute('aria-valuenow'), r.getAttribute('aria-valuetext')]";
        let slid = run(client, slid).await;
        assert!(slid[0] == "3" && slid[1].as_str().is_some_and(|text| text.starts_with("layer 3 of ")), "{slid}");
        // So does a click on its marks, at the left end before the first layer and at the right end in the last.
        let click = "const r = document.getElementById('ruler'), box = r.getBoundingClientRect(), at = { pointerId: 1, bubbles: true };\
            r.setPointerCapture = () => {}; r.dispatchEvent(new PointerEvent('pointerdown', { ...at, clientX: box.left + box.width * SHARE, clientY: box.top + 5 }))";
        key(client, "ruler", HOME).await;
        run(client, &click.replace("SHARE", "0.97")).await;
        drawn(client).await;
        let last = text(client, "layer-name").await;
        let (number, all) = last.split_once(" of ").expect("a layer");
        assert!(all.starts_with(&format!("{number}, ")), "{last}");
        // Zoom of time: closer, on, all.
        let range = "const d = document.getElementById('charts').dataset; return [+d.from, +d.to]";
        run(client, "document.querySelector('[data-time=all]').click()").await;
        let all = run(client, range).await;
        key(client, "ruler", '+').await;
        let close = run(client, range).await;
        let span = |range: &Value| range[1].as_f64().expect("a time") - range[0].as_f64().expect("a time");
        assert!((span(&close) / span(&all) - 0.6).abs() < 1e-6, "{close} of {all}");
        run(client, "document.querySelector('[data-time=back]').click()").await;
        let back = run(client, range).await;
        assert!(back[0].as_f64() < close[0].as_f64() && (span(&back) - span(&close)).abs() < 1e-6);
        key(client, "ruler", '0').await;
        assert_eq!(run(client, range).await, all);
        // A link of a finding moves both pictures to its place.
        run(client, "document.querySelector('.finding a[data-place]').click()").await;
        drawn(client).await;
        let said = text(client, "plan-readout").await;
        let check = run(client, "return document.querySelector('.finding h3').textContent").await;
        let (name, line) = (
            said.split(" at line ").next().unwrap_or_default(),
            run(client, "return document.querySelector('a[data-place]').textContent").await,
        );
        assert!(check.as_str().expect("a text").contains(name) && !name.is_empty(), "{said} of {check}");
        let line = line.as_str().expect("a text").split([' ', ',']).nth(1).expect("a line").to_owned();
        assert!(said.contains(&format!("line {line}")), "{said}: {line}");
        assert!(span(&run(client, range).await) < span(&all));
        let layer =
            run(client, "return document.querySelector('a[data-place]').textContent.split('layer ')[1] || '1'").await;
        let shown = text(client, "layer-name").await;
        assert!(shown.starts_with(&format!("{} of ", layer.as_str().expect("a text"))), "{shown}: {layer}");
        // The name of each curve colours the plan, from both sides.
        run(client, "document.querySelector('[data-plan=part]').click(); document.querySelectorAll('[data-colour]').forEach((b) => { b.id = 'by-' + b.dataset.colour })").await;
        let mut pictures = Vec::new();
        for (quantity, words) in
            [("speed", "speed"), ("ringing", "ringing"), ("fan", "fan"), ("time", "time"), ("melt", "melt rate")]
        {
            key(client, &format!("by-{quantity}"), ENTER).await;
            assert!(colours(client, "plan").await > 2, "{quantity}");
            assert!(text(client, "colours").await.starts_with(&format!("Lines are coloured by {words}")), "{quantity}");
            let pressed =
                "return [...document.querySelectorAll('[aria-pressed=true]')].map((b) => b.dataset.colour).join()";
            assert_eq!(run(client, pressed).await, quantity);
            pictures.push(run(client, "return document.getElementById('plan').toDataURL()").await);
        }
        for (k, picture) in pictures.iter().enumerate() {
            assert!(!pictures[..k].contains(picture), "{k}");
        }
        // The capacity of the sheet is the whole of the scale, and this job goes beyond it.
        let said = text(client, "colours").await;
        assert!(said.contains("8 mm³/s = 100 %, the sustained capacity") && said.contains("red and wide"), "{said}");
        run(client, "document.getElementById('side').click()").await;
        drawn(client).await;
        assert_eq!(text(client, "side-is").await, "from the side");
        // Travel comes and goes.
        let without = run(client, "return document.getElementById('plan').toDataURL()").await;
        key(client, "travel", ENTER).await;
        assert_eq!(text(client, "travel").await, "hide travel");
        assert_ne!(run(client, "return document.getElementById('plan').toDataURL()").await, without);
        key(client, "travel", ENTER).await;
        assert_eq!(run(client, "return document.getElementById('plan').toDataURL()").await, without);
        is_quiet(client).await;
    });
}

#[test]
fn a_page_fits_a_phone_and_paper_and_the_dark() {
    let at = tempfile::tempdir().expect("temporary directory");
    let page = page_of("heron-gap.gcode", "heron.toml", at.path());
    in_browser((1200, 900), async |client| {
        let phone = json!({ "width": 390, "height": 844, "deviceScaleFactor": 2, "mobile": true });
        devtools(client, "Emulation.setDeviceMetricsOverride", phone).await;
        open(client, &page).await;
        drawn(client).await;
        let wide = run(client, "return document.scrollingElement.scrollWidth").await;
        assert_eq!(wide, 390, "nothing is wider than the phone");
        // Numbers stay in one piece, here and on a desk.
        let lines = "return [...document.querySelectorAll('td.num, .columns td')].filter((cell) => {\
            const range = document.createRange(); range.selectNodeContents(cell); return new Set([...range.getClientRects()].map((box) => Math.round(box.top))).size > 1 }).map((cell) => cell.textContent)";
        run(client, "document.querySelectorAll('details').forEach((d) => { d.open = true; })").await;
        assert_eq!(run(client, lines).await, json!([]));
        let small = "return [...document.querySelectorAll('button, select, #ruler')].filter((e) => e.getBoundingClientRect().height < 36 && e.offsetParent).length";
        assert_eq!(run(client, small).await, 0, "fingers find the buttons");
        let plan = run(client, "return document.getElementById('plan').getBoundingClientRect().width").await;
        assert!(plan.as_f64() > Some(300.0), "{plan}");
        // Letters of still pictures can be read: where they would be too small, they scroll.
        let small = "return [...document.querySelectorAll('.still svg')].filter((s) => s.getBoundingClientRect().width).map((s) => [s.getBoundingClientRect().width / s.viewBox.baseVal.width, ...[...s.querySelectorAll('text')].map((t) => parseFloat(t.getAttribute('font-size')))]).map(([scale, ...sizes]) => scale * Math.min(...sizes))";
        let sizes: Vec<f64> = serde_json::from_value(run(client, small).await).expect("sizes");
        assert!(!sizes.is_empty() && sizes.iter().all(|size| *size > 10.9), "{sizes:?}");
        // Paper: still pictures instead of live ones, and no bars of buttons.
        devtools(client, "Emulation.setEmulatedMedia", json!({ "media": "print" })).await;
        let seen = "return [...document.querySelectorAll('.still svg')].every((e) => e.getBoundingClientRect().height > 50)\
            && [...document.querySelectorAll('.live, .bar')].every((e) => getComputedStyle(e).display === 'none')";
        assert_eq!(run(client, seen).await, true);
        let pdf = devtools(client, "Page.printToPDF", json!({})).await;
        // `%PDF` in base64.
        assert!(pdf["data"].as_str().is_some_and(|data| data.starts_with("JVBERi")));
        // Dark.
        let dark = json!({ "media": "", "features": [{ "name": "prefers-color-scheme", "value": "dark" }] });
        devtools(client, "Emulation.setEmulatedMedia", dark).await;
        drawn(client).await;
        let ground = run(client, "return getComputedStyle(document.documentElement).backgroundColor").await;
        assert_eq!(ground, "rgb(18, 23, 28)");
        is_quiet(client).await;
    });
}

#[test]
fn without_a_script_the_facts_are_there() {
    let at = tempfile::tempdir().expect("temporary directory");
    let page = page_of("heron-gap.gcode", "heron.toml", at.path());
    in_browser((1200, 900), async |client| {
        devtools(client, "Emulation.setScriptExecutionDisabled", json!({ "value": true })).await;
        client.goto(&page).await.expect("opens");
        let body = client.find(fantoccini::Locator::Css("body")).await.expect("a body").text().await.expect("a text");
        for wanted in ["HOLD", "rings-frame", "What was found", "Melt rate", "heron-gap.gcode"] {
            assert!(body.contains(wanted), "{wanted}: {body}");
        }
        let picture = client.find(fantoccini::Locator::Css("#when .still svg")).await.expect("a picture");
        assert!(picture.is_displayed().await.expect("is known"));
    });
}

/// The engine of accessibility rules; none where none is named.
pub fn engine() -> Option<String> {
    let Some(engine) = std::env::var_os("GONOGO_AXE") else {
        loudly("ACCESSIBILITY RULES WERE NOT TESTED: GONOGO_AXE names no script");
        return None;
    };
    Some(fs::read_to_string(engine).expect("the script of the engine"))
}

/// The page that is open breaks none of the rules.
pub async fn is_accessible(client: &Client, engine: &str, where_: &str) {
    run(client, "document.querySelectorAll('details').forEach((d) => { d.open = true; })").await;
    devtools(client, "Runtime.evaluate", json!({ "expression": engine })).await;
    let ask = "const done = arguments[0]; axe.run({ runOnly: ['wcag2a', 'wcag2aa', 'wcag21aa'] })\
        .then((r) => done({ passed: r.passes.length, broken: r.violations.map((v) => [v.id, v.nodes.slice(0, 3).map((n) => n.html.slice(0, 120) + n.failureSummary)]) }))";
    let answer = client.execute_async(ask, Vec::new()).await.expect("the engine runs");
    assert_eq!(answer["broken"], json!([]), "{where_}");
    assert!(answer["passed"].as_u64() >= Some(8), "{answer}");
}

/// WCAG 2 rules of text contrast, labels, roles and names, as an accessibility engine knows them.
#[test]
fn people_who_see_or_point_badly_can_use_it() {
    let Some(engine) = engine() else { return };
    let at = tempfile::tempdir().expect("temporary directory");
    let page = page_of("heron-gap.gcode", "heron.toml", at.path());
    in_browser((1200, 900), async |client| {
        for scheme in ["light", "dark"] {
            let media = json!({ "features": [{ "name": "prefers-color-scheme", "value": scheme }] });
            devtools(client, "Emulation.setEmulatedMedia", media).await;
            open(client, &page).await;
            is_accessible(client, &engine, scheme).await;
        }
    });
}

#[test]
fn what_a_job_says_is_text_and_nothing_else() {
    let at = tempfile::tempdir().expect("temporary directory");
    let evil = "<img src=x onerror=\"document.title='taken'\"><script>document.title='taken'<";
    let name = "a'\"&lt;<b>.gcode";
    let job = format!(
        "; {evil}/script>\nM117 {evil}/script>\nG28\nG1 X{evil} </script>\nG1 X9999 F6000 ; </script>{evil}/script>\nG1 X20 E1 ;<!-- {{{{ 7*7 }}}}\n"
    );
    fs::write(at.path().join(name), job).expect("writes");
    let name_line = "name = \"<i>m</i></script><script>document.title='taken'</script>\"";
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus/machines/heron.toml");
    let heron = fs::read_to_string(root).expect("a sheet");
    let renamed = heron.lines().map(|line| if line.starts_with("name = \"Heron\"") { name_line } else { line });
    fs::write(at.path().join("evil.toml"), renamed.collect::<Vec<_>>().join("\n")).expect("writes");
    gonogo(&["check", name, "--machine", "evil.toml", "--format", "html", "-o", "page.html"], at.path());
    let page = format!("file://{}", at.path().join("page.html").display());
    in_browser((1200, 900), async |client| {
        open(client, &page).await;
        let title = run(client, "return document.title").await;
        assert!(title.as_str().is_some_and(|title| title.contains(name)), "{title}");
        let strange = run(client, "return document.querySelectorAll('img, b:not(.gauge b), i:not(.gauge i), iframe, object, embed, form, link:not([rel=icon])').length").await;
        assert_eq!(strange, 0);
        let body = run(client, "return document.body.textContent").await;
        let body = body.as_str().expect("a text");
        assert!(body.contains("<i>m</i></script>") && body.contains("X9999 F6000 ; </script><img"), "{body}");
        // Even a script that found its way in would not run.
        run(client, "const s = document.createElement('script'); s.textContent = 'document.title = \"taken\"'; document.body.append(s)").await;
        assert_ne!(run(client, "return document.title").await, "taken");
        let console = logs(client, "browser").await;
        assert!(
            console
                .iter()
                .all(|entry| entry["message"].as_str().is_some_and(|text| text.contains("Content Security Policy"))),
            "{console:?}"
        );
    });
}

/// Pages of two jobs of the corpus in a folder whose name holds `page.html`; the address of their list.
fn folder_of(machines: &[&str], more: &[&str], at: &Path) -> String {
    let corpus = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus");
    let jobs = ["heron-gap.gcode", "heron-bracket.gcode"].map(|job| corpus.join("jobs").join(job));
    let sheets: Vec<PathBuf> = machines.iter().map(|machine| corpus.join("machines").join(machine)).collect();
    let pages = at.join("page.html-folder");
    let mut arguments = vec!["check", path(&jobs[0]), path(&jobs[1]), "--format", "html", "-o", path(&pages)];
    sheets.iter().for_each(|sheet| arguments.extend(["--machine", path(sheet)]));
    arguments.extend(more);
    gonogo(&arguments, at);
    format!("file://{}", pages.join("index.html").display())
}

async fn texts(client: &Client, selector: &str) -> Vec<String> {
    let script = format!(
        "return [...document.querySelectorAll('{selector}')].filter((e) => e.offsetParent).map((e) => e.textContent.trim())"
    );
    serde_json::from_value(run(client, &script).await).expect("texts")
}

#[test]
fn several_jobs_make_a_folder_with_a_list() {
    let at = tempfile::tempdir().expect("temporary directory");
    let list = folder_of(&["heron.toml"], &[], at.path());
    in_browser((1200, 900), async |client| {
        open(client, &list).await;
        let verdicts = async || texts(client, "tbody td:first-child").await;
        assert_eq!(verdicts().await, ["◆ hold", "● go"]);
        let sorted = "return [...document.querySelectorAll('th')].map((e) => e.getAttribute('aria-sort'))";
        assert_eq!(run(client, sorted).await[0], "descending");
        // By the keyboard: the head of a column is a button.
        run(client, "document.querySelectorAll('th button')[0].id = 'first'; document.querySelectorAll('th button')[2].id = 'third'").await;
        key(client, "first", ENTER).await;
        assert_eq!(verdicts().await, ["● go", "◆ hold"]);
        assert_eq!(run(client, sorted).await[0], "ascending");
        key(client, "third", ENTER).await;
        let keys = "return [...document.querySelectorAll('tbody tr')].map((row) => +row.cells[2].dataset.key)";
        let times: Vec<f64> = serde_json::from_value(run(client, keys).await).expect("times");
        assert!(times[0] > times[1] && run(client, sorted).await[2] == "descending", "{times:?}");
        // Rows go by verdict and by what they say.
        run(client, "document.querySelector('[data-verdict=go]').click()").await;
        assert_eq!(verdicts().await, ["◆ hold"]);
        assert!(text(client, "listed").await.starts_with("1 of 2"));
        run(client, "document.querySelector('[data-verdict=go]').click()").await;
        run(
            client,
            "const s = document.getElementById('says'); s.value = 'BRACKET'; s.dispatchEvent(new Event('input'))",
        )
        .await;
        assert_eq!(verdicts().await, ["● go"]);
        run(client, "const s = document.getElementById('says'); s.value = ''; s.dispatchEvent(new Event('input'))")
            .await;
        run(client, "document.querySelector('a[href*=gap]').click()").await;
        for _ in 0..100 {
            if run(client, "return document.documentElement.dataset.ready && !!document.getElementById('plan')").await
                == true
            {
                break;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        drawn(client).await;
        // The shared files came: it has its style and draws.
        assert_eq!(run(client, "return document.querySelector('h1').textContent").await, "hold");
        assert_eq!(run(client, "return getComputedStyle(document.querySelector('.tag')).display").await, "grid");
        assert!(colours(client, "plan").await > 3);
        assert!(text(client, "spectrum").await.contains("--spectra"));
        let gauge = "return document.querySelector('.gauge i').getBoundingClientRect().width > 20";
        assert_eq!(run(client, gauge).await, true);
        is_quiet(client).await;
        // No other script of the folder runs, and no other style is taken.
        run(client, "const s = document.createElement('script'); s.src = document.querySelector('script[src]').src; document.body.append(s);\
            const l = document.createElement('style'); l.textContent = 'h1 { display: none }'; document.head.append(l)").await;
        drawn(client).await;
        assert_ne!(run(client, "return getComputedStyle(document.querySelector('h1')).display").await, "none");
        let console = logs(client, "browser").await;
        let refused = |entry: &&Value| entry["message"].as_str().is_some_and(|text| text.contains("Content Security"));
        assert_eq!(console.iter().filter(refused).count(), 2, "{console:?}");
    });
}

#[test]
fn a_list_needs_no_script_and_spectra_are_there_when_asked_for() {
    let at = tempfile::tempdir().expect("temporary directory");
    let list = folder_of(&["heron.toml"], &["--spectra"], at.path());
    in_browser((1200, 900), async |client| {
        devtools(client, "Emulation.setScriptExecutionDisabled", json!({ "value": true })).await;
        client.goto(&list).await.expect("opens");
        let body = client.find(fantoccini::Locator::Css("body")).await.expect("a body").text().await.expect("a text");
        assert!(body.contains("on Heron") && body.contains("heron.toml"), "{body}");
        // The worst is on top, and there is nothing that would not work.
        let top = client.find(fantoccini::Locator::Css("tbody tr:first-child")).await.expect("a row");
        assert!(top.text().await.expect("a text").contains("hold") && !body.contains("listed"), "{body}");
        client.find(fantoccini::Locator::Css("a[href*=gap]")).await.expect("a link").click().await.expect("follows");
        let picture = client.find(fantoccini::Locator::Css("#spectrum .still svg")).await.expect("a picture");
        assert!(picture.is_displayed().await.expect("is known"));
    });
}

#[test]
fn on_several_machines_each_job_has_a_page_for_each() {
    let at = tempfile::tempdir().expect("temporary directory");
    let list = folder_of(&["heron.toml", "wren.toml"], &[], at.path());
    in_browser((1200, 900), async |client| {
        open(client, &list).await;
        let heads = texts(client, "th").await;
        assert!(heads[2..].iter().zip(["on Heron", "on Wren"]).all(|(head, want)| head == want), "{heads:?}");
        let links =
            "return [...document.querySelectorAll('tbody a')].map((a) => [a.getAttribute('href'), a.textContent])";
        let links: Vec<[String; 2]> = serde_json::from_value(run(client, links).await).expect("links");
        assert_eq!(links.len(), 4);
        let folder = list.trim_end_matches("index.html");
        for [file, verdict] in links {
            open(client, &format!("{folder}{file}")).await;
            let said = run(
                client,
                "return [document.querySelector('h1').textContent, document.querySelector('.job').textContent]",
            )
            .await;
            let (word, job) = (said[0].as_str().expect("a word"), said[1].as_str().expect("a job"));
            assert!(verdict.ends_with(word), "{verdict}: {word}");
            let machine = if file.contains("-on-Heron") { "on Heron" } else { "on Wren" };
            assert!(
                job.ends_with(machine) && job.contains(&file[..file.find(".gcode").expect("a name")]),
                "{file}: {job}"
            );
        }
        is_quiet(client).await;
    });
}
