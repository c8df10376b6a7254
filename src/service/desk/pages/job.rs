//! A job: what it got, its report, and what people do with it.

use super::*;

/// Findings of a job that are listed; the report has all.
const FINDINGS: usize = 6;

struct FindingLine {
    class: &'static str,
    glyph: char,
    severity: &'static str,
    text: String,
    line: Option<String>,
}

struct AnswerView {
    folder: String,
    machine: String,
    /// Its name where there are others.
    label: String,
    cell: Cell,
    inspection: i64,
    decision: Option<String>,
    why: String,
    findings: Vec<FindingLine>,
    is_unsafe: bool,
    whole: String,
    /// The last decision that whoever decides here can know of.
    after: i64,
}

#[derive(Template)]
#[template(path = "job.html", config = "src/service/desk/pages/askama.toml")]
struct JobPage {
    frame: Frame,
    name: String,
    about: String,
    why: Option<String>,
    is_new: bool,
    answers: Vec<AnswerView>,
    decide: String,
    printed: String,
    take_out: String,
    decisions: Vec<String>,
    prints: Vec<String>,
}

/// `GET /jobs/{name}`.
pub async fn job(State(desk): State<Arc<Desk>>, name: In<String>) -> Result<Response, Problem> {
    let name = named(name)?;
    // At one moment: what changes later is told to the page.
    let (frame, row) = desk.shelf.read(|held| (Frame::of(held), held.row(&name).cloned()));
    let row = row.ok_or_else(|| Problem::no_job(&name))?;
    let job = desk.aside(move |desk| job_of(desk, frame, &row)).await?;
    Ok(page(&job))
}

fn job_of(desk: &Desk, frame: Frame, row: &Row) -> Result<JobPage, Problem> {
    let mut answers = Vec::new();
    let mut is_new = row.place().is_none();
    for answered in row.settled() {
        let Some(inspection) = desk.ledger.inspection(answered.inspection)? else {
            // Somebody has pruned the ledger meanwhile.
            if !std::mem::replace(&mut is_new, true) {
                desk.intake.judge_anew(&row.name);
            }
            continue;
        };
        let line = |finding: &crate::findings::Finding| FindingLine {
            class: view::class(finding.severity),
            glyph: severity_mark(finding.severity),
            severity: finding.severity.word(),
            text: units(&safe(&finding.message)),
            line: finding.line.map(|line| format!("line {}", grouped(line))),
        };
        let open = inspection.findings.iter().filter(|finding| finding.severity != Severity::Note);
        answers.push(AnswerView {
            folder: answered.folder.clone(),
            machine: safe(&answered.machine).into_owned(),
            label: desk.shelf.read(|held| safe(&held.label(&answered.folder, &answered.machine)).into_owned()),
            cell: Cell::of(answered),
            inspection: answered.inspection,
            decision: views::said(&answered.said),
            why: why(&inspection),
            findings: open.take(FINDINGS).map(line).collect(),
            is_unsafe: is_open_unsafe(&inspection),
            after: desk.ledger.last_on(answered.inspection)?,
            whole: format!("/jobs/{}/on/{}", in_path(&row.name), in_path(&answered.folder)),
        });
    }
    let (digest, size) = (row.digest.as_deref().unwrap_or_default(), bytes(row.bytes));
    let arrived = row.arrived.map(|at| format!("came in {} UTC", views::utc(at)));
    let about = [Some(size), arrived, Some(short_digest(digest).to_owned()).filter(|digest| !digest.is_empty())];
    let (decisions, prints) = history(desk, digest)?;
    let base = format!("/jobs/{}", in_path(&row.name));
    Ok(JobPage {
        frame,
        name: safe(&row.name).into_owned(),
        about: about.into_iter().flatten().collect::<Vec<_>>().join(" · "),
        why: why_not(row),
        is_new,
        answers,
        decide: format!("{base}/decide"),
        printed: format!("{base}/printed"),
        take_out: format!("{base}/take-out"),
        decisions,
        prints,
    })
}

/// What was decided on a job and printed of it.
fn history(desk: &Desk, digest: &str) -> Result<(Vec<String>, Vec<String>), Problem> {
    let judged: BTreeMap<i64, Listed> =
        desk.ledger.of_job(digest)?.into_iter().map(|listed| (listed.id, listed)).collect();
    let decisions = desk.ledger.decisions(digest)?;
    let entry = |decided: &Decided| views::entry(decided, judged.get(&decided.inspection));
    let decisions = decisions.iter().map(entry).collect();
    let prints = desk.ledger.prints()?;
    let of_job = prints.iter().filter(|(_, print)| print.job_digest.as_deref() == Some(digest));
    Ok((decisions, of_job.map(|(_, print)| views::print(print)).collect()))
}

/// `GET /jobs/{name}/on/{folder}`: the page of the job as `check` makes it.
pub async fn report(State(desk): State<Arc<Desk>>, place: In<(String, String)>) -> Result<Response, Problem> {
    let (name, folder) = named(place)?;
    let row = desk.row(&name)?;
    let turn = turn(&desk).await?;
    desk.aside(move |desk| {
        // Given back when it is done, and not when nobody waits for it any more.
        let _turn = turn;
        let machine = desk.machine(&folder)?;
        let pictured = pictured(desk, &row, &machine)?;
        let nonce = page::nonce(&pictured.report);
        let answered = row.settled().iter().find(|answered| answered.folder == folder);
        let decided = answered.and_then(|answered| answered.said.holds());
        let warnings = decided.filter(|decided| decided.is_in_spite()).map(views::sentence);
        let mut text = Vec::new();
        page::job_with(pictured, &machine, warnings.into_iter().collect(), &mut text).map_err(|_| Problem::fault())?;
        Ok(with_policy(&format!("script-src 'nonce-{nonce}'; "), text))
    })
    .await
}

fn pictured(desk: &Desk, row: &Row, machine: &Machine) -> Result<Pictured, Problem> {
    let options = PictureOptions { most_points: page::DRAWING_POINTS, only_layer: None, spectrum: true };
    let helpers = HelperPool::alone();
    let context = RunContext::new(&silent, &helpers);
    let pictured = Pictured::take(&desk.job_path(&row.name), &row.name, machine, options, context)
        .map_err(|error| Problem::conflict(error.to_string()))?;
    if row.digest.as_ref().is_some_and(|digest| *digest != pictured.report.job.digest) {
        return Err(changed());
    }
    Ok(pictured)
}

/// `POST /jobs/{name}/decide`.
pub async fn decide(
    State(desk): State<Arc<Desk>>,
    name: In<String>,
    asked: Result<Form<AskedDecision>, rejection::FormRejection>,
) -> Result<Redirect, Problem> {
    let (name, asked) = (named(name)?, form(asked)?);
    desk.decide(&name, asked).await?;
    Ok(Redirect::to(&format!("/jobs/{}", in_path(&name))))
}

/// `POST /jobs/{name}/take-out`.
pub async fn take_out(State(desk): State<Arc<Desk>>, name: In<String>) -> Result<Redirect, Problem> {
    let name = named(name)?;
    let to = if desk.take_out(&name).await? { "/".to_owned() } else { format!("/jobs/{}", in_path(&name)) };
    Ok(Redirect::to(&to))
}

/// `POST /jobs/{name}/printed`.
pub async fn printed(
    State(desk): State<Arc<Desk>>,
    name: In<String>,
    asked: Result<Form<AskedPrint>, rejection::FormRejection>,
) -> Result<Redirect, Problem> {
    let (name, asked) = (named(name)?, form(asked)?);
    if !desk.printed(&name, asked).await? {
        let known = "a print of this job with this time is written down already: say when this one was started";
        return Err(Problem::conflict(known));
    }
    Ok(Redirect::to(&format!("/jobs/{}", in_path(&name))))
}
