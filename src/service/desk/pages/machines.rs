//! The machines, and what changes of their sheets did.

use super::*;

/// Versions of a sheet that are listed.
const VERSIONS: usize = 20;

struct ChangeLine {
    words: String,
    href: Option<String>,
}

struct SheetView {
    file: String,
    title: String,
    state: String,
    faults: Option<String>,
    changes: Vec<ChangeLine>,
}

#[derive(Template)]
#[template(path = "machines.html", config = "src/service/desk/pages/askama.toml")]
struct MachinesPage {
    frame: Frame,
    sheets: Vec<SheetView>,
}

/// `GET /machines`.
pub async fn machines(State(desk): State<Arc<Desk>>) -> Result<Response, Problem> {
    let machines = desk
        .aside(|desk| {
            let (frame, sheets) = desk.shelf.read(|held| (Frame::of(held), held.sheets.clone()));
            let sheets = sheets.iter().map(|sheet| sheet_view(desk, sheet)).collect::<Result<_, _>>()?;
            Ok(MachinesPage { frame, sheets })
        })
        .await?;
    Ok(page(&machines))
}

fn sheet_view(desk: &Desk, sheet: &SheetState) -> Result<SheetView, Problem> {
    let uses = desk.ledger.uses(&sheet.folder, VERSIONS + 1)?;
    let line = |(at, of): (usize, &SheetUse)| ChangeLine {
        words: format!("{} UTC: {} as {}.", moment(&of.since), short_digest(&of.sheet), safe(&of.name)),
        href: uses.get(at + 1).map(|_| format!("/machines/{}/changes/{}", in_path(&of.folder), of.id)),
    };
    let file = safe(&sheet.file).into_owned();
    let (title, state) = match (&sheet.machine, &sheet.faults) {
        (Some((name, digest)), _) => {
            (safe(name).into_owned(), format!("machines/{file} is in use ({}).", short_digest(digest)))
        }
        (None, Some(_)) => (file.clone(), format!("machines/{file} has faults: nothing is cleared for it.")),
        (None, None) => (file.clone(), format!("machines/{file} has just changed and is used once it rests.")),
    };
    Ok(SheetView {
        file,
        title,
        state,
        faults: sheet.faults.as_ref().map(|faults| safe_lines(faults)),
        changes: uses.iter().take(VERSIONS).enumerate().map(line).collect(),
    })
}

struct ChangedRow {
    name: String,
    /// Where it stands and what compares it; none where the gate keeps it no more.
    kept: Option<[String; 2]>,
    before: (&'static str, &'static str, &'static str),
    after: (&'static str, &'static str, &'static str),
}

#[derive(Template)]
#[template(path = "change.html", config = "src/service/desk/pages/askama.toml")]
struct ChangePage {
    frame: Frame,
    title: String,
    about: String,
    counts: String,
    rows: Vec<ChangedRow>,
}

impl Desk {
    /// A version of a sheet and the one before it.
    pub fn versions(&self, folder: &str, change: i64) -> Result<[SheetUse; 2], Problem> {
        let mut uses = self.ledger.uses(folder, usize::MAX)?.into_iter();
        let missing = || Problem::missing("this machine has no such change of its sheet");
        let after = uses.find(|of| of.id == change).ok_or_else(missing)?;
        let before = uses.next().ok_or_else(missing)?;
        Ok([before, after])
    }
}

/// `GET /machines/{folder}/changes/{change}`: what a changed sheet did.
pub async fn change(State(desk): State<Arc<Desk>>, change: In<(String, i64)>) -> Result<Response, Problem> {
    let (folder, change) = of_change(change)?;
    let made = desk
        .aside(move |desk| {
            let frame = desk.shelf.read(Frame::of);
            let [before, after] = desk.versions(&folder, change)?;
            let (all, changed) = desk.ledger.rejudged(&before, &after)?;
            let base = format!("/machines/{}/changes/{change}", in_path(&folder));
            let rows = changed.iter().map(|of| ChangedRow {
                name: safe(&of.file_name).into_owned(),
                kept: desk.row(&of.file_name).is_ok().then(|| {
                    let name = in_path(&of.file_name);
                    [format!("/jobs/{name}"), format!("{base}/{name}")]
                }),
                before: view::verdict(of.before.1),
                after: view::verdict(of.after.1),
            });
            let judged = counted(all, "job was", "jobs were");
            Ok(ChangePage {
                frame,
                title: format!("What a change of the sheet of {} did", safe(&after.name)),
                about: format!(
                    "From {} to {}, in use since {} UTC.",
                    short_digest(&before.sheet),
                    short_digest(&after.sheet),
                    moment(&after.since)
                ),
                counts: format!(
                    "{judged} judged on both; {} another verdict.",
                    counted(changed.len() as u64, "job has", "jobs have")
                ),
                rows: rows.collect(),
            })
        })
        .await?;
    Ok(page(&made))
}

/// `GET /machines/{folder}/changes/{change}/{name}`: a job before and after.
pub async fn compared(State(desk): State<Arc<Desk>>, place: In<(String, i64, String)>) -> Result<Response, Problem> {
    let (folder, change, name) = of_change(place)?;
    let row = desk.row(&name)?;
    let turn = turn(&desk).await?;
    desk.aside(move |desk| {
        let _turn = turn;
        let [before, after] = desk.versions(&folder, change)?;
        let machine = |of: &SheetUse| -> Result<Machine, Problem> {
            desk.ledger
                .machine_of(of)?
                .ok_or_else(|| Problem::conflict("this version of the sheet cannot be read any more"))
        };
        let (before, after) = (machine(&before)?, machine(&after)?);
        let helpers = HelperPool::alone();
        let context = RunContext::new(&silent, &helpers);
        let (comparison, [first, second]) = page::watched(&desk.job_path(&row.name), [&before, &after], context)
            .map_err(|error| Problem::conflict(error.to_string()))?;
        if row.digest.as_ref().is_some_and(|digest| *digest != comparison.after.job.digest) {
            return Err(changed());
        }
        let mut text = Vec::new();
        page::comparison(&comparison, &Sheets::of(&before, &after), [&first, &second], &mut text)
            .map_err(|_| Problem::fault())?;
        Ok(with_policy("", text))
    })
    .await
}
