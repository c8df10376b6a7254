//! A gate on a folder of its own: what is cleared, what waits and what is blocked, whatever is dropped into it.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant, SystemTime};

use flate2::{Compression, write::GzEncoder};
use gonogo::accepted::{Day, day_from, day_of, days_before, now_s};
use gonogo::service::gate::{Answered, Gate, GateError, Place, Settings, Told};
use gonogo::service::ledger::{Choice, DecideError, Decision};
use gonogo::workshop::prints::Print;
use snapbox::cmd::cargo_bin;

use crate::random_jobs::Dice;

/// A workshop with a gate.
struct Shop {
    folder: tempfile::TempDir,
}

const AT_ONCE: Settings =
    Settings { rest: Duration::ZERO, limit_bytes: None, keep_free_bytes: 0, jobs_most: usize::MAX, keep_days: None };

fn day(text: &str) -> Day {
    day_from(text).expect("a day")
}

fn today() -> Day {
    day("2026-11-28")
}

pub fn corpus(kind: &str, name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus").join(kind).join(name)
}

pub fn job(name: &str) -> Vec<u8> {
    fs::read(corpus("jobs", &format!("{name}.gcode"))).expect("a job of the corpus")
}

impl Shop {
    /// With the sheets of these machines of the corpus.
    fn new(machines: &[&str]) -> Self {
        let shop = Self { folder: tempfile::tempdir().expect("a folder") };
        for folder in ["inbox", "machines"] {
            fs::create_dir(shop.at(folder)).expect("a folder");
        }
        for machine in machines {
            let sheet = format!("{machine}.toml");
            fs::copy(corpus("machines", &sheet), shop.at("machines").join(sheet)).expect("copies");
        }
        shop
    }

    fn at(&self, below: &str) -> PathBuf {
        self.folder.path().join(below)
    }

    fn drop_in(&self, name: &str, bytes: &[u8]) {
        fs::write(self.at("inbox").join(name), bytes).expect("writes");
    }

    fn gate(&self) -> Gate {
        Gate::open(self.folder.path(), AT_ONCE).expect("opens")
    }

    /// All files below a folder, by their paths in it.
    fn files(&self, below: &str) -> BTreeMap<String, Vec<u8>> {
        let root = self.at(below);
        if !root.exists() {
            return BTreeMap::new();
        }
        let files = walkdir::WalkDir::new(&root).into_iter().map(|entry| entry.expect("is listed"));
        let files = files.filter(|entry| entry.file_type().is_file());
        let name = |path: &Path| path.strip_prefix(&root).expect("below").to_string_lossy().into_owned();
        files.map(|entry| (name(entry.path()), fs::read(entry.path()).expect("is read"))).collect()
    }

    /// The names below a folder, digits of digests as `#`.
    fn names(&self, below: &str) -> Vec<String> {
        self.files(below).into_keys().map(|name| without_digits(&name)).collect()
    }
}

fn without_digits(name: &str) -> String {
    let is_hex = |digits: &str| digits.len() == 8 && digits.chars().all(|c| c.is_ascii_hexdigit());
    let mut parts: Vec<&str> = name.split('-').collect();
    if let Some(last) = parts.last_mut()
        && let Some((digits, ending)) = last.split_once('.')
        && is_hex(digits)
    {
        return format!("{}-#.{ending}", parts[..parts.len() - 1].join("-"));
    }
    name.to_owned()
}

/// The same for each word of a text.
fn without_digits_in(text: &str) -> String {
    let of_line = |line: &str| line.split(' ').map(without_digits).collect::<Vec<_>>().join(" ");
    text.lines().map(of_line).collect::<Vec<_>>().join("\n")
}

/// Looks and works until nothing is left to do; what was told.
fn settle(gate: &mut Gate, today: Day) -> Vec<Told> {
    let mut told = Vec::new();
    gate.look(today, Instant::now(), &mut |one| told.push(one)).expect("looks");
    while gate.step(today, &mut |one| told.push(one)).expect("works") {}
    told
}

fn placed(told: &[Told]) -> Vec<(String, Place, Vec<Answered>)> {
    let of = |one: &Told| match one {
        Told::Placed { name, place, answers } => Some((without_digits(name), *place, answers.clone())),
        _ => None,
    };
    told.iter().filter_map(of).collect()
}

fn decision(choice: Choice, until: Option<Day>, confirmation: Option<&str>) -> Decision {
    let confirmation = confirmation.map(str::to_owned);
    Decision { choice, reason: "looked at it".to_owned(), who: "Ada".to_owned(), until, confirmation }
}

#[test]
fn jobs_are_laid_where_they_belong() {
    let shop = Shop::new(&["heron", "wren"]);
    for name in ["heron-bracket", "heron-gap", "heron-hook"] {
        shop.drop_in(&format!("{name}.gcode"), &job(name));
    }
    let told = settle(&mut shop.gate(), today());
    let answers: BTreeMap<_, _> =
        placed(&told).into_iter().map(|(name, place, answers)| (name, (place, answers))).collect();
    // As the jobs themselves say; on Wren others.
    let on_heron = |name: &str| {
        let (_, answers) = &answers[name];
        answers.iter().find(|answered| answered.machine == "Heron").expect("is judged").place
    };
    assert_eq!(on_heron("heron-bracket-#.gcode"), Place::Cleared);
    assert_eq!(on_heron("heron-gap-#.gcode"), Place::Waiting);
    assert_eq!(on_heron("heron-hook-#.gcode"), Place::Blocked);
    assert_eq!(shop.names("inbox"), [""; 0]);
    assert_eq!(shop.names("jobs"), ["heron-bracket-#.gcode", "heron-gap-#.gcode", "heron-hook-#.gcode"]);
    assert!(shop.names("cleared/heron").contains(&"heron-bracket-#.gcode".to_owned()));
    for (name, bytes) in shop.files("cleared").iter().chain(&shop.files("waiting")).chain(&shop.files("blocked")) {
        let name = without_digits(name.rsplit('/').next().expect("a name"));
        match name.strip_suffix(".txt") {
            // What is said beside it names the machine and what is wrong.
            Some(of) => assert!(String::from_utf8_lossy(bytes).contains("Heron"), "{of}"),
            None => assert_eq!(*bytes, job(name.strip_suffix("-#.gcode").expect("a job")), "{name}"),
        }
    }
    // Each job lies in cleared, or in one of the others with a text beside it.
    let ways = ["cleared", "waiting", "blocked"].map(|folder| {
        shop.files(folder)
            .into_keys()
            .map(|name| name.rsplit('/').next().expect("a name").to_owned())
            .collect::<BTreeSet<_>>()
    });
    for name in shop.files("jobs").into_keys() {
        assert_eq!(ways.iter().filter(|names| names.contains(&name)).count(), 1, "{name}");
        assert!(ways[0].contains(&name) || ways.iter().any(|names| names.contains(&format!("{name}.txt"))), "{name}");
    }
    // Opened again nothing moves, and nothing is judged.
    let before = ["cleared", "waiting", "blocked", "jobs"].map(|folder| shop.files(folder));
    let mut again = shop.gate();
    let told = settle(&mut again, today());
    assert_eq!(placed(&told), []);
    assert_eq!(["cleared", "waiting", "blocked", "jobs"].map(|folder| shop.files(folder)), before);
}

/// The numbers of all inspections in the ledger.
fn inspections(gate: &Gate) -> BTreeSet<i64> {
    let mut all = BTreeSet::new();
    gate.ledger()
        .list(|listed| {
            all.insert(listed.id);
            Ok::<(), gonogo::service::ledger::LedgerError>(())
        })
        .expect("is read");
    all
}

#[test]
fn a_changed_sheet_takes_back_at_once_and_judges_only_what_it_must() {
    let shop = Shop::new(&["heron", "wren"]);
    for name in ["heron-bracket", "heron-square", "wren-cap"] {
        shop.drop_in(&format!("{name}.gcode"), &job(name));
    }
    let mut gate = shop.gate();
    settle(&mut gate, today());
    let (before, ready) = (inspections(&gate), shop.files("cleared/heron"));
    assert_eq!((before.len(), ready.is_empty()), (6, false));
    // A travel that holds no job.
    let sheet = shop.at("machines/heron.toml");
    let whole = fs::read_to_string(&sheet).expect("a sheet");
    let small = whole.replacen("[travel]", "[travel]\n# smaller\n", 1).replacen("x = [", "x = [0.0, 1.0] # [", 1);
    assert_ne!(small, whole);
    fs::write(&sheet, &small).expect("writes");
    let mut told = Vec::new();
    gate.look(today(), Instant::now(), &mut |one| told.push(one)).expect("looks");
    let names = ready.keys().cloned().collect();
    assert!(told.contains(&Told::Withdrawn { machine: "heron".to_owned(), names }), "{told:?}");
    assert!(shop.names("cleared/heron").is_empty(), "before anything is judged");
    let on_wren = shop.files("cleared/wren");
    settle(&mut gate, today());
    assert_eq!(inspections(&gate).difference(&before).count(), 3, "three jobs on the one sheet that changed");
    assert_eq!(shop.files("cleared/wren"), on_wren);
    // The old sheet again: the ledger knows all of it.
    fs::write(&sheet, &whole).expect("writes");
    let known = inspections(&gate);
    settle(&mut gate, today());
    assert_eq!((inspections(&gate), shop.files("cleared/heron")), (known, ready));
    // Faults, or no sheet any more: nothing is cleared.
    fs::write(&sheet, "name = 3\n").expect("writes");
    let told = settle(&mut gate, today());
    assert!(
        told.iter().any(|one| matches!(one, Told::SheetFaults { faults, .. } if faults.contains("heron.toml:1"))),
        "{told:?}"
    );
    assert!(shop.names("cleared/heron").is_empty());
    fs::remove_file(&sheet).expect("removes");
    assert!(settle(&mut gate, today()).contains(&Told::SheetGone { file: "heron.toml".to_owned() }));
}

#[test]
fn decisions_hold_until_their_last_day() {
    let shop = Shop::new(&["heron"]);
    for name in ["heron-bracket", "heron-gap", "heron-hook"] {
        shop.drop_in(&format!("{name}.gcode"), &job(name));
    }
    let mut gate = shop.gate();
    let told = placed(&settle(&mut gate, today()));
    let number = |name: &str| told.iter().find(|(of, ..)| of.starts_with(name)).expect("is judged").2[0].inspection;
    let [go, hold, no_go] = ["heron-bracket", "heron-gap", "heron-hook"].map(number);
    gate.ledger().decide(go, &decision(Choice::Refuse, None, None)).expect("is written");
    gate.ledger().decide(hold, &decision(Choice::Release, Some(day("2026-11-30")), None)).expect("is written");
    let unsafe_one = decision(Choice::Release, None, None);
    assert!(matches!(gate.ledger().decide(no_go, &unsafe_one), Err(DecideError::Unconfirmed(_))));
    gate.ledger().decide(no_go, &decision(Choice::Release, None, Some("Heron"))).expect("is written");
    settle(&mut gate, today());
    assert_eq!(shop.names("cleared"), ["heron/heron-gap-#.gcode", "heron/heron-hook-#.gcode"]);
    assert_eq!(shop.names("blocked"), ["heron-bracket-#.gcode", "heron-bracket-#.gcode.txt"]);
    settle(&mut gate, day("2026-11-30"));
    assert!(shop.names("cleared").contains(&"heron/heron-gap-#.gcode".to_owned()));
    settle(&mut gate, day("2026-12-01"));
    assert_eq!(shop.names("cleared"), ["heron/heron-hook-#.gcode"]);
    assert_eq!(shop.names("waiting"), ["heron-gap-#.gcode", "heron-gap-#.gcode.txt"]);
}

/// The day so many days from now: a ledger goes by the clock.
fn in_days(days: u64) -> Day {
    day_of(now_s() + days * 86_400)
}

#[test]
fn jobs_that_nobody_wants_any_more_are_taken_out_where_that_is_asked_for() {
    let shop = Shop::new(&["heron"]);
    let all = ["heron-bracket", "heron-gap", "heron-hook", "heron-square"];
    for name in all {
        shop.drop_in(&format!("{name}.gcode"), &job(name));
    }
    let told = placed(&settle(&mut shop.gate(), in_days(0)));
    // All of them came 100 days ago.
    let came = days_before(in_days(0), 100);
    let jobs = fs::read_dir(shop.at("jobs")).expect("lists").map(|entry| entry.expect("is listed").path());
    for path in jobs {
        let file = fs::OpenOptions::new().append(true).open(path).expect("opens");
        file.set_modified(SystemTime::now() - Duration::from_secs(100 * 86_400)).expect("is set");
    }
    let ledger = rusqlite::Connection::open(shop.at("gonogo.ledger")).expect("opens");
    ledger.execute("UPDATE names SET seen_at = ?1", [came.to_string()]).expect("is written");
    let is_kept = |names: &[&str]| {
        assert_eq!(shop.names("jobs"), names.iter().map(|name| format!("{name}-#.gcode")).collect::<Vec<_>>());
    };

    // Whoever does not ask for it keeps them.
    let mut gate = shop.gate();
    settle(&mut gate, in_days(0));
    is_kept(&all);
    // One was printed some day, somebody decides on one, and one is sent in once more.
    let number = |name: &str| told.iter().find(|(of, ..)| of.starts_with(name)).expect("is judged").2[0].inspection;
    let printed = gate.ledger().inspection(number("heron-gap")).expect("reads").expect("is there");
    gate.ledger().add_prints(&[Print::of("heron-gap", &printed, "", 60.0)]).expect("is written");
    gate.ledger().decide(number("heron-square"), &decision(Choice::Refuse, None, None)).expect("is written");
    shop.drop_in("heron-bracket.gcode", &job("heron-bracket"));
    settle(&mut gate, in_days(0));
    let which_go = |days: &str| {
        let args = ["gate", ".", "--keep-days", days, "--which-go"];
        let out = Command::new(cargo_bin!("gonogo")).args(args).current_dir(shop.folder.path()).output().expect("runs");
        assert!(out.status.success(), "{out:?}");
        without_digits_in(&String::from_utf8(out.stdout).expect("is text"))
    };
    assert!(which_go("100").starts_with("No job would be taken out"));
    let said = which_go("99");
    assert!(said.starts_with(&format!("heron-hook-#.gcode came in on {came}\n1 job would be taken out")), "{said}");
    drop(gate);

    let mut gate = Gate::open(shop.folder.path(), Settings { keep_days: Some(99), ..AT_ONCE }).expect("opens");
    is_kept(&all);
    let says: Vec<String> =
        settle(&mut gate, in_days(0)).iter().map(|told| without_digits_in(&told.to_string())).collect();
    assert!(
        says.iter().any(|line| line == "jobs/: wanted by nobody for more than 99 days: heron-hook-#.gcode"),
        "{says:?}"
    );
    assert!(says.iter().any(|line| line == "heron-hook-#.gcode: taken out"), "{says:?}");
    is_kept(&["heron-bracket", "heron-gap", "heron-square"]);
    assert!(shop.files("blocked").keys().all(|name| !name.starts_with("heron-hook")));
    settle(&mut gate, in_days(99));
    is_kept(&["heron-bracket", "heron-gap", "heron-square"]);
    settle(&mut gate, in_days(100));
    is_kept(&["heron-gap"]);
    // Where the clock may be wrong none goes.
    shop.drop_in("heron-hook.gcode", &job("heron-hook"));
    settle(&mut gate, in_days(100));
    ledger.execute("UPDATE inspections SET judged_at = ?1", [in_days(2).to_string()]).expect("is written");
    settle(&mut gate, in_days(300));
    is_kept(&["heron-gap", "heron-hook"]);
}

/// A no stays until somebody takes it back; a release does not, and does not come back.
#[test]
fn a_no_outlives_a_changed_sheet_and_a_release_its_last_day_does_not() {
    let shop = Shop::new(&["heron"]);
    shop.drop_in("bracket.gcode", &job("heron-bracket"));
    let mut gate = shop.gate();
    let on = |told: Vec<Told>| placed(&told)[0].2[0].inspection;
    let first = on(settle(&mut gate, today()));
    gate.ledger().decide(first, &decision(Choice::Refuse, None, None)).expect("is written");
    settle(&mut gate, today());
    assert_eq!(shop.names("cleared"), [""; 0]);
    // A word about nothing changes the sheet's digest.
    let sheet = shop.at("machines/heron.toml");
    let whole = fs::read_to_string(&sheet).expect("a sheet");
    fs::write(&sheet, format!("{whole}# looked at\n")).expect("writes");
    let second = on(settle(&mut gate, today()));
    assert!(second != first && shop.names("cleared").is_empty() && shop.names("blocked").len() == 2);
    // The same content under another name is the same job.
    shop.drop_in("other.gcode", &job("heron-bracket"));
    settle(&mut gate, today());
    assert_eq!(shop.names("cleared"), [""; 0]);
    gate.ledger().decide(second, &decision(Choice::Release, Some(day("2026-11-30")), None)).expect("is written");
    settle(&mut gate, today());
    assert_eq!(shop.names("cleared"), ["heron/bracket-#.gcode"]);
    let told = settle(&mut gate, day("2026-12-01"));
    assert_eq!((shop.names("cleared"), shop.names("waiting").len()), (Vec::new(), 2), "go as it is, somebody said no");
    assert!(told.iter().any(|one| one.to_string().contains("a release ran out")), "{told:?}");
}

#[test]
fn what_did_not_come_through_the_gate_is_left_whatever_it_is_called() {
    let shop = Shop::new(&["heron"]);
    shop.drop_in("bracket.gcode", &job("heron-bracket"));
    let mut gate = shop.gate();
    settle(&mut gate, today());
    fs::write(shop.at("cleared/heron/spare-20270131.gcode"), "G28\n").expect("writes");
    fs::create_dir(shop.at("cleared/heron/old-20261128.d")).expect("a folder");
    let told = settle(&mut gate, day("2026-11-29"));
    let left = told.iter().filter(|one| matches!(one, Told::Left { .. })).count();
    assert_eq!(left, 2, "{told:?}");
    // What is left of a job that is gone is no stranger.
    let name = shop.files("jobs").into_keys().next().expect("a job");
    drop(gate);
    fs::remove_file(shop.at("jobs").join(&name)).expect("removes");
    settle(&mut shop.gate(), day("2026-11-30"));
    assert_eq!(shop.names("cleared"), ["heron/spare-#.gcode"]);
}

#[test]
fn who_brings_a_job_anew_wants_it_and_what_cannot_be_taken_out_is_told() {
    let shop = Shop::new(&["heron"]);
    shop.drop_in("gap.gcode", &job("heron-gap"));
    let mut gate = shop.gate();
    settle(&mut gate, today());
    let name = shop.files("jobs").into_keys().next().expect("a job");
    // Nothing can be deleted in what is no folder.
    let (waiting, elsewhere) = (shop.at("waiting"), shop.at("elsewhere"));
    fs::rename(&waiting, &elsewhere).expect("is moved");
    fs::write(&waiting, "").expect("writes");
    let intake = gate.intake(std::sync::Arc::new(|| {}));
    intake.take_out(&name);
    let mut untold = |_: Told| {};
    for _ in 0..3 {
        assert!(matches!(
            gate.look(today(), Instant::now(), &mut untold),
            Err(GateError::Folder { doing: "take out", .. })
        ));
        assert!(!gate.step(today(), &mut untold).expect("works"), "nothing else is left to do");
    }
    shop.drop_in("gap.gcode", &job("heron-gap"));
    let _ = gate.look(today(), Instant::now(), &mut untold);
    fs::remove_file(&waiting).expect("removes");
    fs::rename(&elsewhere, &waiting).expect("is moved");
    settle(&mut gate, today());
    assert_eq!(shop.names("jobs"), ["gap-#.gcode"]);
    intake.take_out(&name);
    settle(&mut gate, today());
    assert_eq!((shop.files("jobs").len(), shop.files("waiting").len()), (0, 0));
}

#[test]
fn a_job_that_nothing_judged_is_no_changed_one() {
    let shop = Shop::new(&[]);
    shop.drop_in("gap.gcode", &job("heron-gap"));
    settle(&mut shop.gate(), today());
    // As after a crash in front of laying.
    let copy = shop.files("waiting").into_keys().find(|name| name.ends_with(".gcode")).expect("a copy");
    fs::remove_file(shop.at("waiting").join(&copy)).expect("removes");
    settle(&mut shop.gate(), today());
    assert_eq!((shop.names("waiting").len(), shop.files("blocked").len()), (2, 0));
    fs::write(shop.at("jobs").join(&copy), "G28\n").expect("writes");
    settle(&mut shop.gate(), today());
    assert_eq!((shop.files("waiting").len(), shop.names("blocked")), (0, vec!["gap-#.gcode.txt".to_owned()]));
}

/// What is decided in a file that nobody finds again would be lost.
#[cfg(unix)]
#[test]
fn a_ledger_that_was_taken_away_is_told() {
    let shop = Shop::new(&["heron"]);
    shop.drop_in("bracket.gcode", &job("heron-bracket"));
    let mut gate = shop.gate();
    let of = placed(&settle(&mut gate, today()))[0].2[0].inspection;
    fs::rename(shop.at("gonogo.ledger"), shop.at("elsewhere")).expect("is moved");
    let refused = gate.ledger().decide(of, &decision(Choice::Refuse, None, None));
    assert!(refused.is_err_and(|error| error.to_string().contains("was moved, deleted or replaced")));
    assert!(gate.look(today(), Instant::now(), &mut |_| {}).is_err());
    fs::rename(shop.at("elsewhere"), shop.at("gonogo.ledger")).expect("is moved");
    settle(&mut gate, today());
    gate.ledger().decide(of, &decision(Choice::Refuse, None, None)).expect("is written");
}

#[test]
fn two_gates_do_not_share_a_folder() {
    let shop = Shop::new(&["heron"]);
    let first = shop.gate();
    assert!(matches!(Gate::open(shop.folder.path(), AT_ONCE), Err(GateError::Busy(_))));
    drop(first);
    shop.gate();
}

fn gz(bytes: &[u8]) -> Vec<u8> {
    let mut packer = GzEncoder::new(Vec::new(), Compression::default());
    packer.write_all(bytes).expect("memory can be written");
    packer.finish().expect("memory can be written")
}

#[test]
fn whatever_is_dropped_in_has_its_place() {
    let shop = Shop::new(&["heron"]);
    let bracket = job("heron-bracket");
    let packed = gz(&bracket);
    shop.drop_in("packed.gcode.gz", &packed);
    shop.drop_in("cut.gcode.gz", &packed[..packed.len() / 2]);
    shop.drop_in("empty.gcode", b"");
    shop.drop_in("picture.gcode", &[0, 159, 146, 150].repeat(1000));
    shop.drop_in("later.gcode.part", &bracket);
    shop.drop_in(".hidden.gcode", &bracket);
    fs::create_dir(shop.at("inbox/folder.gcode")).expect("a folder");
    #[cfg(unix)]
    for name in ["a\nb\u{1b}[31m.gcode", "'; DROP TABLE jobs; --.gcode", "<img src=x>.gcode", "CON"] {
        shop.drop_in(
            name,
            &[bracket.as_slice(), b"; ", name.as_bytes().escape_ascii().to_string().as_bytes()].concat(),
        );
    }
    #[cfg(unix)]
    std::os::unix::fs::symlink("/etc/hostname", shop.at("inbox/link.gcode")).expect("links");
    let mut gate = shop.gate();
    let told = settle(&mut gate, today());
    let left: Vec<_> = shop.names("inbox");
    assert!(left.contains(&"later.gcode.part".to_owned()) && left.contains(&".hidden.gcode".to_owned()), "{left:?}");
    let blocked = shop.names("blocked");
    for name in ["cut.gcode.gz", "picture.gcode"] {
        let of: Vec<_> = blocked.iter().filter(|kept| kept.starts_with(name)).collect();
        assert_eq!(of.len(), 2, "{name} and why: {blocked:?}");
    }
    assert!(shop.names("cleared/heron").contains(&"packed-#.gcode".to_owned()));
    assert_eq!(
        shop.files("cleared/heron").into_iter().find(|(name, _)| name.starts_with("packed")).expect("is there").1,
        bracket
    );
    let lines: Vec<String> = told.iter().map(ToString::to_string).collect();
    assert!(lines.iter().all(|line| !line.contains('\u{1b}')), "{lines:?}");
    assert!(lines.iter().any(|line| line.contains("folder.gcode: left there, it is a folder")), "{lines:?}");
    #[cfg(unix)]
    {
        assert!(lines.iter().any(|line| line.contains("link.gcode: left there")), "{lines:?}");
        for name in ["a_b__31m-#.gcode", "__ DROP TABLE jobs_ ---#.gcode", "_img src_x_-#.gcode", "CON-#.gcode"] {
            assert!(shop.names("jobs").contains(&name.to_owned()), "{name}: {:?}", shop.names("jobs"));
        }
    }
    // Told once.
    assert_eq!(settle(&mut gate, today()), []);
    assert!(lines.iter().any(|line| line.contains("empty.gcode: left there, it is empty")), "{lines:?}");
    assert!(lines.iter().all(|line| !line.contains('\n')), "{lines:?}");
    // The same content under the same name again is the same job.
    let jobs = shop.names("jobs");
    shop.drop_in("packed.gcode", &bracket);
    settle(&mut gate, today());
    assert_eq!((shop.names("jobs"), shop.names("inbox").contains(&"packed.gcode".to_owned())), (jobs, false));
}

#[test]
fn what_was_not_judged_is_never_ready() {
    let shop = Shop::new(&["heron"]);
    shop.drop_in("bracket.gcode", &job("heron-bracket"));
    let mut gate = shop.gate();
    settle(&mut gate, today());
    let name = shop.files("jobs").into_keys().next().expect("a job");
    drop(gate);
    // Somebody lays a file there by hand, and changes a job that is kept.
    fs::write(shop.at("cleared/heron/own.gcode"), b"G28\n").expect("writes");
    fs::write(shop.at("jobs").join(&name), job("heron-hook")).expect("writes");
    fs::remove_file(shop.at("cleared/heron").join(&name)).expect("removes");
    let mut gate = shop.gate();
    let mut told = Vec::new();
    gate.look(today(), Instant::now(), &mut |one| told.push(one)).expect("looks");
    let own = "cleared/heron/own.gcode: left there, it did not come through this gate: nobody judged it";
    assert!(told.iter().any(|one| one.to_string() == own), "{told:?}");
    gate.step(today(), &mut |one| told.push(one)).expect("is blocked");
    let why = "its bytes in jobs/ are not those that were taken in";
    assert!(told.iter().any(|one| matches!(one, Told::Blocked { why: told, .. } if told == why)), "{told:?}");
    assert_eq!(shop.names("cleared"), ["heron/own.gcode"]);
    assert_eq!(shop.names("blocked"), ["bracket-#.gcode.txt"]);
}

#[test]
fn files_count_only_when_they_rest() {
    let shop = Shop::new(&[]);
    let rest = Duration::from_secs(100);
    let mut gate = Gate::open(shop.folder.path(), Settings { rest, ..AT_ONCE }).expect("opens");
    let start = Instant::now();
    let bracket = job("heron-bracket");
    let mut look = |after_s: u64| {
        gate.look(today(), start + Duration::from_secs(after_s), &mut |_| {}).expect("looks");
        (gate.left(), gate.next_in(start + Duration::from_secs(after_s)))
    };
    shop.drop_in("bracket.gcode", &bracket[..100]);
    assert_eq!(look(0), (0, Some(rest)));
    assert_eq!(look(60), (0, Some(Duration::from_secs(40))));
    shop.drop_in("bracket.gcode", &bracket);
    assert_eq!(look(99), (0, Some(rest)), "it has grown");
    assert_eq!(look(198), (0, Some(Duration::from_secs(1))));
    assert_eq!(look(199), (1, None));
}

#[test]
fn a_sheet_counts_only_when_it_rests() {
    let shop = Shop::new(&[]);
    shop.drop_in("bracket.gcode", &job("heron-bracket"));
    let rest = Duration::from_secs(100);
    let mut gate = shop.gate();
    settle(&mut gate, today());
    drop(gate);
    let mut gate = Gate::open(shop.folder.path(), Settings { rest, ..AT_ONCE }).expect("opens");
    let start = Instant::now();
    let mut look = |after_s: u64| {
        let mut told = Vec::new();
        gate.look(today(), start + Duration::from_secs(after_s), &mut |one| told.push(one)).expect("looks");
        while gate.step(today(), &mut |one| told.push(one)).expect("works") {}
        (shop.names("cleared"), gate.next_in(start + Duration::from_secs(after_s)), told)
    };
    let whole = fs::read_to_string(corpus("machines", "heron.toml")).expect("a sheet");
    // Half of it, cut where it is valid still.
    let half = &whole[..whole.rfind("\n[").expect("a table")];
    fs::write(shop.at("machines/heron.toml"), half).expect("writes");
    assert_eq!((look(0).0, look(50).1), (Vec::<String>::new(), Some(Duration::from_secs(50))));
    fs::write(shop.at("machines/heron.toml"), &whole).expect("writes");
    assert_eq!(look(101).0, [""; 0], "it has grown");
    assert_eq!(look(201).0, ["heron/bracket-#.gcode"]);
    // A change takes back at once, a second sheet for the same folder and an editor's file say nothing of Heron.
    fs::write(shop.at("machines/heron.toml"), half).expect("writes");
    assert_eq!(look(202).0, [""; 0]);
    fs::write(shop.at("machines/heron.toml"), &whole).expect("writes");
    fs::write(shop.at("machines/.heron.toml"), half).expect("writes");
    fs::write(shop.at("machines/Heron.toml"), half).expect("writes");
    look(300);
    let (names, _, told) = look(401);
    let told: Vec<String> = told.iter().map(ToString::to_string).collect();
    if shop.at("machines/heron.toml") != fs::canonicalize(shop.at("machines/Heron.toml")).expect("is there") {
        assert_eq!(names.len(), 1, "{told:?}");
    }
}

#[test]
fn what_is_ready_stays_as_it_was_laid() {
    let shop = Shop::new(&["heron"]);
    for name in ["heron-bracket", "heron-square"] {
        shop.drop_in(&format!("{name}.gcode"), &job(name));
    }
    let mut gate = shop.gate();
    settle(&mut gate, today());
    let ready = shop.files("cleared");
    let path = |name: &str| shop.at("cleared").join(ready.keys().find(|of| of.contains(name)).expect("is there"));
    // Hotter by hand, and as long as before.
    let edited = String::from_utf8(job("heron-bracket")).expect("text").replacen("M109 S2", "M109 S4", 1);
    assert!(edited.len() == job("heron-bracket").len() && edited.as_bytes() != job("heron-bracket"));
    std::thread::sleep(Duration::from_millis(20));
    fs::write(path("bracket"), &edited).expect("writes");
    let told = settle(&mut gate, day("2026-11-29"));
    assert!(told.iter().any(|one| matches!(one, Told::Withdrawn { names, .. } if names.len() == 1)), "{told:?}");
    assert_eq!(shop.files("cleared"), ready, "laid anew");
    // Who tidies up jobs/ takes the job from the machines.
    let name = shop.files("jobs").into_keys().find(|name| name.contains("square")).expect("is there");
    fs::remove_file(shop.at("jobs").join(&name)).expect("removes");
    let told = settle(&mut gate, day("2026-11-30"));
    assert!(told.iter().any(|one| one.to_string().contains("it is in jobs/ no more")), "{told:?}");
    assert_eq!(shop.names("cleared"), ["heron/heron-bracket-#.gcode"]);
}

/// What a changed sheet asks for is done however often it fails at first.
#[test]
fn a_change_is_acted_on_though_the_ledger_is_held_or_the_sheets_cannot_be_read() {
    let shop = Shop::new(&["heron"]);
    shop.drop_in("bracket.gcode", &job("heron-bracket"));
    let mut gate = shop.gate();
    settle(&mut gate, today());
    assert_eq!(shop.names("cleared"), ["heron/bracket-#.gcode"]);
    // As it is moved there, with the time it had: it rests already.
    let sheet = shop.at("machines/heron.toml");
    let whole = fs::read_to_string(&sheet).expect("a sheet");
    let moved = shop.at("heron.new");
    fs::write(&moved, whole.replacen("x = [", "x = [0.0, 1.0] # [", 1)).expect("writes");
    fs::File::open(&moved).and_then(|file| file.set_modified(std::time::UNIX_EPOCH)).expect("is set");
    let holder = rusqlite::Connection::open(shop.at("gonogo.ledger")).expect("opens");
    holder.execute_batch("BEGIN IMMEDIATE").expect("is held");
    fs::rename(&moved, &sheet).expect("is moved");
    let mut untold = |_: Told| {};
    assert!(gate.look(today(), Instant::now(), &mut untold).is_err(), "the ledger is held");
    assert!(shop.names("cleared").is_empty(), "taken back all the same");
    holder.execute_batch("ROLLBACK").expect("is let go");
    settle(&mut gate, today());
    assert_eq!(shop.names("blocked"), ["bracket-#.gcode", "bracket-#.gcode.txt"]);
    fs::write(&sheet, &whole).expect("writes");
    settle(&mut gate, today());
    assert_eq!(shop.names("cleared"), ["heron/bracket-#.gcode"]);
    // Without sheets nothing is cleared, and what came in is known all the same.
    fs::rename(shop.at("machines"), shop.at("elsewhere")).expect("is moved");
    assert!(gate.look(today(), Instant::now(), &mut untold).is_err());
    assert!(shop.names("cleared").is_empty());
    fs::rename(shop.at("elsewhere"), shop.at("machines")).expect("is moved");
    settle(&mut gate, today());
    assert_eq!(shop.names("cleared"), ["heron/bracket-#.gcode"]);
    // A job that somebody takes out of jobs/ leaves the machines too.
    let name = shop.files("jobs").into_keys().next().expect("a job");
    fs::remove_file(shop.at("jobs").join(name)).expect("removes");
    gate.look(today(), Instant::now() + Duration::from_secs(5), &mut untold).expect("looks");
    while gate.step(today(), &mut untold).expect("works") {}
    assert!(shop.names("cleared").is_empty());
}

/// A card that is mounted elsewhere is filled and emptied like a folder.
#[cfg(unix)]
#[test]
fn a_folder_of_a_machine_may_be_a_link() {
    let (shop, card) = (Shop::new(&["heron"]), tempfile::tempdir().expect("a folder"));
    fs::create_dir(shop.at("cleared")).expect("a folder");
    std::os::unix::fs::symlink(card.path(), shop.at("cleared/heron")).expect("links");
    shop.drop_in("bracket.gcode", &job("heron-bracket"));
    let mut gate = shop.gate();
    settle(&mut gate, today());
    let on_card = || fs::read_dir(card.path()).expect("is read").count();
    assert_eq!(on_card(), 1);
    let whole = fs::read(shop.at("machines/heron.toml")).expect("a sheet");
    fs::write(shop.at("machines/heron.toml"), "name = 3\n").expect("writes");
    settle(&mut gate, today());
    assert_eq!(on_card(), 0);
    fs::write(shop.at("machines/heron.toml"), whole).expect("writes");
    settle(&mut gate, today());
    assert_eq!(on_card(), 1);
    // While it is away the others go on, and when it comes back what is not cleared any more is taken from it.
    let away = card.path().with_extension("away");
    fs::rename(card.path(), &away).expect("is moved");
    shop.drop_in("square.gcode", &job("heron-square"));
    settle(&mut gate, today());
    let warned = gate.shelf().read(|held| held.warnings.clone());
    assert!(warned.iter().any(|line| line.contains("cleared/heron leads nowhere")), "{warned:?}");
    fs::write(shop.at("machines/heron.toml"), "name = 3\n").expect("writes");
    settle(&mut gate, today());
    fs::rename(&away, card.path()).expect("is moved");
    settle(&mut gate, today());
    assert_eq!(on_card(), 0);
}

/// One that cannot be kept, or vanishes, costs the others nothing.
#[cfg(unix)]
#[test]
fn a_file_that_cannot_be_moved_holds_up_no_other() {
    let shop = Shop::new(&["heron"]);
    let mut gate = shop.gate();
    // What is no job goes to blocked, and there its name is taken by a folder.
    let picture = [0u8, 159, 146, 150].repeat(1000);
    let digits = blake3::hash(&picture).to_hex()[..8].to_owned();
    fs::create_dir_all(shop.at(&format!("blocked/a-picture-{digits}/full"))).expect("a folder");
    shop.drop_in("a-picture", &picture);
    shop.drop_in("bracket.gcode", &job("heron-bracket"));
    let told = settle(&mut gate, today());
    assert!(told.iter().any(|one| one.to_string().starts_with("inbox/a-picture: left there")), "{told:?}");
    assert_eq!(
        (shop.names("inbox"), shop.names("cleared")),
        (vec!["a-picture".to_owned()], vec!["heron/bracket-#.gcode".to_owned()])
    );
    assert_eq!(settle(&mut gate, today()), [], "told once");
}

/// How often the program is killed: `GONOGO_KILLS` says how often where more is wanted.
pub fn kills() -> u64 {
    std::env::var("GONOGO_KILLS").ok().and_then(|count| count.parse().ok()).unwrap_or(12)
}

/// A gate that is killed at any moment loses no job, and clears none that is not whole and judged.
#[cfg(unix)]
#[test]
fn kills_lose_nothing() {
    let shop = Shop::new(&["heron"]);
    let (good, bad) = (job("heron-bracket"), job("heron-hook"));
    let mut dice = Dice::new(28);
    let mut dropped = BTreeMap::new();
    let run = |more: &[&str]| {
        let mut command = Command::new(cargo_bin!("gonogo"));
        command.args(["gate", "--rest", "0", "--look-every", "0.01", "--only-look"]).args(more).arg(shop.folder.path());
        command.stdout(Stdio::null()).stderr(Stdio::piped());
        command
    };
    for round in 0..kills() {
        let mut gate = run(&[]).spawn().expect("starts");
        for k in 0..4 {
            let is_good = dice.below(2) == 0;
            let name = format!("{}-{round}-{k}.gcode", if is_good { "good" } else { "bad" });
            let bytes = [if is_good { &good[..] } else { &bad[..] }, format!("; {name}\n").as_bytes()].concat();
            // As a careful sender does: under another name first.
            shop.drop_in(&format!("{name}.part"), &bytes);
            fs::rename(shop.at("inbox").join(format!("{name}.part")), shop.at("inbox").join(&name)).expect("renames");
            dropped.insert(name, bytes);
            std::thread::sleep(Duration::from_micros(dice.below(40_000)));
        }
        gate.kill().expect("is killed");
        gate.wait().expect("ends");
        // At any time: nothing is lost, nothing ready is anything but a good job as it was.
        let kept: BTreeSet<Vec<u8>> =
            shop.files("jobs").into_iter().filter(|(name, _)| !name.starts_with('.')).map(|(_, bytes)| bytes).collect();
        let waiting = shop.files("inbox");
        for (name, bytes) in &dropped {
            assert!(kept.contains(bytes) || waiting.get(name) == Some(bytes), "{name} is lost in round {round}");
        }
        for (name, bytes) in shop.files("cleared") {
            let file = name.rsplit('/').next().expect("a name");
            if file.starts_with('.') {
                continue;
            }
            let origin = dropped.keys().find(|origin| file.starts_with(origin.trim_end_matches(".gcode")));
            let origin = origin.unwrap_or_else(|| panic!("{name} was never dropped in"));
            assert!(origin.starts_with("good") && dropped[origin] == bytes, "{name} in round {round}");
        }
    }
    let done = run(&["--once"]).output().expect("runs");
    assert_eq!((done.status.code(), String::from_utf8_lossy(&done.stderr).as_ref()), (Some(0), ""));
    assert!(shop.files("inbox").is_empty());
    let ready: Vec<Vec<u8>> = shop.files("cleared").into_values().collect();
    let wanted = dropped.iter().filter(|(name, _)| name.starts_with("good"));
    assert_eq!(ready.iter().collect::<BTreeSet<_>>(), wanted.map(|(_, bytes)| bytes).collect::<BTreeSet<_>>());
    let ledger = rusqlite::Connection::open(shop.at("gonogo.ledger")).expect("opens");
    let whole: String = ledger.query_row("PRAGMA integrity_check", [], |row| row.get(0)).expect("is asked");
    assert_eq!(whole, "ok");
}

#[cfg(unix)]
#[test]
fn a_signal_ends_a_gate_and_arrivals_are_seen() {
    let shop = Shop::new(&["heron"]);
    let mut gate = Command::new(cargo_bin!("gonogo"))
        .args(["gate", "--rest", "0", "--look-every", "600"])
        .arg(shop.folder.path())
        .stdout(Stdio::piped())
        .spawn()
        .expect("starts");
    let mut lines = std::io::BufRead::lines(std::io::BufReader::new(gate.stdout.take().expect("is piped")));
    let mut until = |text: &str| {
        lines.by_ref().map(|line| line.expect("is read")).find(|line| line.contains(text)).expect("is told");
    };
    until("heron.toml: used as Heron");
    // Long before the next look by itself: the system tells of it.
    shop.drop_in("bracket.gcode", &job("heron-bracket"));
    until(": cleared for Heron · go on Heron");
    let killed = Command::new("kill").args(["-TERM", &gate.id().to_string()]).status().expect("runs");
    assert!(killed.success());
    assert_eq!(gate.wait().expect("ends").code(), Some(0));
    assert_eq!(shop.names("cleared"), ["heron/bracket-#.gcode"]);
}

/// README's commands, as a shell runs them, and what they say.
#[cfg(unix)]
#[test]
fn the_readme_shows_what_a_gate_says() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let readme = fs::read_to_string(root.join("README.md")).expect("is there");
    let (_, section) = readme.split_once("## A folder that judges what is dropped into it").expect("a section");
    let block = |kind: &str| {
        let (_, rest) = section.split_once(&format!("```{kind}\n")).expect("a block");
        rest.split_once("\n```").expect("ends").0.to_owned()
    };
    let folder = tempfile::tempdir().expect("a folder");
    std::os::unix::fs::symlink(root.join("corpus"), folder.path().join("corpus")).expect("links");
    let program = cargo_bin!("gonogo").parent().expect("a folder");
    let path = format!("{}:{}", program.display(), std::env::var("PATH").unwrap_or_default());
    let said =
        Command::new("sh").args(["-ec", &block("sh")]).current_dir(&folder).env("PATH", path).output().expect("runs");
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    let said = String::from_utf8_lossy(&said.stdout);
    assert_eq!(said.trim_end(), block("text"));
}
