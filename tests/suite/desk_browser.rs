//! The desk in a real browser, as somebody with a phone uses it.

use std::fs;
use std::path::Path;
use std::time::Duration;

use fantoccini::{Client, Locator};
use serde_json::{Value, json};

use crate::browser::{devtools, engine, in_browser, is_accessible, logs, run};
use crate::desk::Shop;
use crate::gate::corpus;

/// The phone: its page is as wide as it is.
const PHONE: (u32, u32) = (500, 900);

async fn goto(client: &Client, shop: &Shop, path: &str) {
    client.goto(&format!("http://{}{path}", shop.address())).await.expect("opens");
}

/// Waits until the page says something without being loaded anew.
async fn says(client: &Client, wanted: &str) {
    for _ in 0..600 {
        let text = run(client, "return document.body.innerText").await;
        if text.as_str().is_some_and(|text| text.contains(wanted)) {
            return;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("it never says {wanted}: {}", run(client, "return document.body.innerText").await);
}

async fn fill(client: &Client, selector: &str, text: &str) {
    client.find(Locator::Css(selector)).await.expect(selector).send_keys(text).await.expect("is typed");
}

async fn click(client: &Client, selector: &str) {
    client.find(Locator::Css(selector)).await.expect(selector).click().await.expect("is clicked");
}

/// Nothing in the console, and nothing asked of anybody else.
async fn is_quiet(client: &Client, shop: &Shop) {
    let console = logs(client, "browser").await;
    assert!(console.is_empty(), "{console:?}");
    for entry in logs(client, "performance").await {
        let message: Value = serde_json::from_str(entry["message"].as_str().expect("a text")).expect("JSON");
        let parameters = &message["message"]["params"];
        let by_page = parameters["documentURL"].as_str().is_some_and(|from| from.starts_with("http"));
        if message["message"]["method"] == "Network.requestWillBeSent" && by_page {
            let asked = parameters["request"]["url"].as_str().expect("an address");
            let own = format!("http://{}/", shop.address());
            assert!(asked.starts_with(&own) || asked.starts_with("data:"), "{asked}");
        }
    }
}

/// Nothing sticks out to the right.
async fn fits(client: &Client, where_: &str) {
    let wide = run(client, "return document.documentElement.scrollWidth - document.documentElement.clientWidth").await;
    assert_eq!(wide, 0, "{where_}");
}

#[test]
fn from_a_phone_to_a_cleared_job() {
    let shop = Shop::opened(&["heron"], &[]);
    in_browser(PHONE, async |client| {
        goto(client, &shop, "/").await;
        says(client, "No job has come in yet").await;
        fits(client, "the empty board").await;
        let gap = corpus("jobs", "heron-gap.gcode");
        fill(client, "#job-file", gap.to_str().expect("UTF-8")).await;
        click(client, "#bring button").await;
        // It leads to the job, whose verdict appears by itself.
        says(client, "◆ hold").await;
        says(client, "waiting").await;
        let at = client.current_url().await.expect("is known");
        assert!(at.path().starts_with("/jobs/heron-gap-"), "{at}");
        let name = at.path().trim_start_matches("/jobs/").to_owned();
        fits(client, "the job").await;
        // Released with a reason.
        click(client, "input[value=release]").await;
        fill(client, "input[name=because]", "it holds, I looked").await;
        fill(client, "input[name=by]", "Ada").await;
        click(client, ".decide button").await;
        says(client, "Released by Ada: it holds, I looked").await;
        assert_eq!(shop.names("cleared/heron"), [name.as_str()]);
        goto(client, &shop, "/").await;
        says(client, "released by Ada").await;
        fits(client, "the board").await;
        // Somebody edits the sheet: the board tells so without being asked.
        let sheet = shop.at("machines/heron.toml");
        let whole = fs::read_to_string(&sheet).expect("a sheet");
        let smaller = whole.replacen("x = [", "x = [0.0, 1.0] # [", 1);
        fs::write(&sheet, smaller).expect("writes");
        says(client, "NO-GO").await;
        assert!(shop.names("cleared/heron").is_empty());
        goto(client, &shop, "/machines").await;
        click(client, "a[href*='/changes/']").await;
        says(client, "1 job was judged on both; 1 job has another verdict.").await;
        fits(client, "the change").await;
        click(client, "a[aria-label*='side by side']").await;
        says(client, "The verdict gets worse").await;
        // The whole report is the page that `check` makes, script and all.
        goto(client, &shop, &format!("/jobs/{name}/on/heron")).await;
        says(client, "What was found").await;
        let is_ready = run(client, "return document.documentElement.classList.contains('scripted')").await;
        assert_eq!(is_ready, true);
        // Faults of a sheet are told on every page.
        fs::write(&sheet, "name = 3\n").expect("writes");
        goto(client, &shop, "/told").await;
        says(client, "machines/heron.toml has faults").await;
        is_quiet(client, &shop).await;
    });
}

#[test]
fn several_files_come_in_one_after_another() {
    let shop = Shop::opened(&["heron"], &[]);
    in_browser(PHONE, async |client| {
        goto(client, &shop, "/").await;
        let all = ["heron-gap", "heron-bracket"].map(|name| corpus("jobs", &format!("{name}.gcode")));
        // What a WebDriver types into a chooser of files is their paths, a line each (W3C WebDriver, element send keys).
        fill(client, "#job-file", &all.map(|path| path.to_str().expect("UTF-8").to_owned()).join("\n")).await;
        click(client, "#bring button").await;
        says(client, "2 of 2 taken in.").await;
        says(client, "heron-gap-").await;
        says(client, "heron-bracket-").await;
    });
}

#[test]
fn without_a_script_a_desk_does_all_the_same() {
    let shop = Shop::opened(&["heron"], &[]);
    in_browser((900, 900), async |client| {
        devtools(client, "Emulation.setScriptExecutionDisabled", json!({ "value": true })).await;
        goto(client, &shop, "/").await;
        let bracket = corpus("jobs", "heron-hook.gcode");
        fill(client, "#job-file", bracket.to_str().expect("UTF-8")).await;
        click(client, "#bring button").await;
        client.wait().for_element(Locator::Css(".decide, #answers")).await.expect("leads on");
        let at = client.current_url().await.expect("is known");
        assert!(at.path().starts_with("/jobs/heron-hook-"), "{at}");
        let name = at.path().trim_start_matches("/jobs/").to_owned();
        shop.judged(&name);
        client.refresh().await.expect("loads");
        // A no-go on travel is released only by whoever types the name of the machine.
        let release = async |typed: &str, wanted: &str| {
            click(client, "input[value=release]").await;
            fill(client, "input[name=because]", "I stay").await;
            fill(client, "input[name=by]", "Ada").await;
            fill(client, "input[name=even_unsafe_on]", typed).await;
            click(client, ".decide button").await;
            // The answer may take a moment; no script can be asked whether it is there.
            let mut text = String::new();
            for _ in 0..200 {
                if let Ok(main) = client.find(Locator::Css("main")).await {
                    text = main.text().await.unwrap_or_default();
                }
                if text.contains(wanted) {
                    return;
                }
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
            panic!("it never says {wanted}: {text}");
        };
        release("Wren", "must type the name of the machine, Heron").await;
        goto(client, &shop, &format!("/jobs/{name}")).await;
        release("Heron", "Released in spite of a no-go on heat or travel by Ada: I stay").await;
        assert_eq!(shop.names("cleared/heron"), [name.as_str()]);
    });
}

#[test]
fn people_who_see_or_point_badly_can_use_the_desk() {
    let Some(engine) = engine() else { return };
    let shop = Shop::opened(&["heron", "wren"], &[]);
    let read = |name: &str| fs::read(corpus("jobs", name)).expect("a job");
    let jobs = ["heron-square.gcode", "heron-bracket.gcode", "heron-hook.gcode", "heron-gap.gcode"];
    let names = jobs.map(|name| shop.bring(name, &read(name)));
    names.iter().for_each(|name| drop(shop.judged(name)));
    in_browser((900, 760), async |client| {
        // README's picture. What letters a browser has differs from machine to machine: it is looked at, not compared.
        if std::env::var_os("GONOGO_WRITE_PICTURES").is_some() {
            goto(client, &shop, "/").await;
            let picture = client.screenshot().await.expect("is taken");
            fs::write(Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus/pictures/desk.png"), picture).expect("writes");
        }
        fs::write(shop.at("machines/bittern.toml"), "name = 3\n").expect("writes");
        for scheme in ["light", "dark"] {
            let media = json!({ "features": [{ "name": "prefers-color-scheme", "value": scheme }] });
            devtools(client, "Emulation.setEmulatedMedia", media).await;
            for path in ["/", &format!("/jobs/{}", names[2]), "/machines", "/told", "/enter"] {
                goto(client, &shop, path).await;
                is_accessible(client, &engine, &format!("{path} {scheme}")).await;
            }
        }
    });
}

#[test]
fn what_is_brought_in_is_text_and_nothing_else() {
    let shop = Shop::opened(&[], &[]);
    let evil = "\"><img src=x onerror=\"document.title='taken'\"><script>document.title='taken'</script>";
    let whole = fs::read_to_string(corpus("machines", "heron.toml")).expect("a sheet");
    let named = whole.lines().map(|line| match line.starts_with("name = \"Heron\"") {
        true => format!("name = {}", Value::from(evil)),
        false => line.to_owned(),
    });
    fs::write(shop.at("machines/a<b>'\"&.toml"), named.collect::<Vec<_>>().join("\n")).expect("writes");
    let job = format!("; {evil}\nG28\nM117 {evil}\nG1 X9999 F6000 ; {evil}\nG1 X20 E1\n");
    let name = shop
        .bring("%3Cscript%3Edocument.title%3D'taken'%3C%5Cscript%3E.gcode".replace("%5C", "").as_str(), job.as_bytes());
    shop.judged(&name.replace(' ', "%20"));
    in_browser((900, 900), async |client| {
        let form = format!("/jobs/{}", name.replace(' ', "%20").replace('\'', "%27"));
        for path in ["/", &form, "/machines", "/told", &format!("/?name={}", "%22%3E%3Cimg%20src=x%3E")] {
            goto(client, &shop, path).await;
            says(client, "A cleared job still needs eyes").await;
            let strange =
                run(client, "return document.querySelectorAll('img, iframe, object, embed, script:not([src])').length")
                    .await;
            assert_eq!(strange, 0, "{path}");
            let title = run(client, "return document.title").await;
            assert!(title.as_str().is_some_and(|title| title != "taken"), "{path}");
        }
        goto(client, &shop, "/machines").await;
        let text = run(client, "return document.body.innerText").await;
        assert!(text.as_str().is_some_and(|text| text.contains("<img src=x onerror=")), "{text}");
        // Even a script that found its way in would not run.
        run(client, "const s = document.createElement('script'); s.textContent = 'document.title = \"taken\"'; document.body.append(s)").await;
        assert_ne!(run(client, "return document.title").await, "taken");
    });
}
