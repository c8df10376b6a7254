//! The jobs and the machines.

use super::*;

/// Jobs on one page of the board.
const ROWS: usize = 100;
/// Words of a name that are looked for.
const WORDS_MOST: usize = 8;

/// Which jobs are wanted.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Sift {
    /// Words that are in the name.
    name: String,
    place: String,
    /// The folder of a machine: its verdict alone is looked at.
    machine: String,
    /// How many are left out, the newest ones.
    from: usize,
}

/// Places by the words of a query.
const PLACES: [(&str, &str, Option<Place>); 4] = [
    ("cleared", "cleared", Some(Place::Cleared)),
    ("waiting", "waiting", Some(Place::Waiting)),
    ("blocked", "blocked", Some(Place::Blocked)),
    ("new", "not judged yet", None),
];

impl Sift {
    /// The wanted jobs, so many at most behind those that are left out, and how many are wanted in all.
    pub fn rows<'h>(&self, held: &'h Held, most: usize) -> (Vec<&'h Row>, usize) {
        let words = self.name.to_lowercase();
        let words: Vec<&str> = words.split_whitespace().take(WORDS_MOST).collect();
        let place = PLACES.iter().find(|(word, ..)| *word == self.place).map(|(.., place)| *place);
        if words.is_empty() && place.is_none() {
            return (held.rows().skip(self.from).take(most).collect(), held.jobs());
        }
        let on_machine = |row: &Row| {
            let answered = row.settled().iter().find(|answered| answered.folder == self.machine);
            answered.map(|answered| answered.place)
        };
        let is_there = |row: &&Row| match (place, self.machine.is_empty()) {
            (None, _) => true,
            (Some(place), true) => row.place() == place,
            (Some(place), false) => on_machine(row) == place,
        };
        let is_named = |row: &&Row| {
            let name = if words.is_empty() { String::new() } else { row.name.to_lowercase() };
            words.iter().all(|word| name.contains(*word))
        };
        let mut wanted = held.rows().filter(is_there).filter(is_named);
        let skipped = wanted.by_ref().take(self.from).count();
        let rows: Vec<&Row> = wanted.by_ref().take(most).collect();
        let all = skipped + rows.len() + wanted.count();
        (rows, all)
    }

    /// How many of the newest are left out.
    pub fn from(&self) -> usize {
        self.from
    }

    fn href(&self, from: usize) -> String {
        let Self { name, place, machine, .. } = self;
        let [name, place, machine] = [name, place, machine].map(|text| in_query(text));
        format!("/?name={name}&place={place}&machine={machine}&from={from}")
    }
}

struct Choice {
    value: String,
    words: String,
    is_chosen: bool,
}

struct BoardRow {
    href: String,
    name: String,
    why: String,
    arrived: String,
    is_new: bool,
    cells: Vec<Option<Cell>>,
}

#[derive(Template)]
#[template(path = "board.html", config = "src/service/desk/pages/askama.toml")]
struct BoardPage {
    frame: Frame,
    name: String,
    places: Vec<Choice>,
    machines: Vec<Choice>,
    listed: String,
    columns: Vec<String>,
    rows: Vec<BoardRow>,
    before: Option<String>,
    after: Option<String>,
}

/// `GET /`: the jobs and the machines.
pub async fn board(State(desk): State<Arc<Desk>>, sift: Result<Query<Sift>, rejection::QueryRejection>) -> Response {
    let sift = sift.map(|Query(sift)| sift).unwrap_or_default();
    let made = desk.aside(move |desk| Ok(desk.shelf.read(|held| board_of(held, &sift)))).await;
    made.map_or_else(IntoResponse::into_response, |board| page(&board))
}

fn board_of(held: &Held, sift: &Sift) -> BoardPage {
    let used: Vec<(&str, String)> = held
        .sheets
        .iter()
        .filter_map(|sheet| Some((sheet.folder.as_str(), held.label(&sheet.folder, &sheet.machine.as_ref()?.0))))
        .collect();
    let shown: Vec<&(&str, String)> =
        used.iter().filter(|(folder, _)| sift.machine.is_empty() || *folder == sift.machine).collect();
    let (wanted, all) = sift.rows(held, ROWS);
    let rows: Vec<BoardRow> = wanted.into_iter().map(|row| board_row(row, &shown)).collect();
    let last = sift.from.saturating_add(rows.len());
    let listed = match (rows.len(), held.jobs()) {
        (0, 0) => {
            "No job has come in yet. Bring one in above, or drop it into the folder inbox of this gate.".to_owned()
        }
        (0, jobs) => format!("None of {} is like that.", counted(jobs as u64, "job", "jobs")),
        (count, jobs) => {
            let (first, last) = (grouped((last - count) as u64 + 1), grouped(last as u64));
            let of = if all == jobs { String::new() } else { format!(" of {} in all", grouped(jobs as u64)) };
            format!("{first} to {last} of {}{of}, the newest first.", counted(all as u64, "job", "jobs"))
        }
    };
    let choice = |value: &str, words: &str, chosen: &str| Choice {
        value: value.to_owned(),
        words: safe(words).into_owned(),
        is_chosen: value == chosen,
    };
    let places = PLACES.iter().map(|(word, words, _)| choice(word, words, &sift.place));
    let machines = used.iter().map(|(folder, label)| choice(folder, label, &sift.machine));
    BoardPage {
        frame: Frame::of(held),
        name: sift.name.clone(),
        places: std::iter::once(choice("", "all", &sift.place)).chain(places).collect(),
        machines: std::iter::once(choice("", "all", &sift.machine)).chain(machines).collect(),
        listed,
        columns: shown.iter().map(|(_, label)| safe(label).into_owned()).collect(),
        before: (sift.from > 0).then(|| sift.href(sift.from.saturating_sub(ROWS))),
        after: (last < all).then(|| sift.href(last)),
        rows,
    }
}

fn board_row(row: &Row, machines: &[&(&str, String)]) -> BoardRow {
    let cell =
        |(folder, _): &&(&str, String)| row.settled().iter().find(|answered| answered.folder == *folder).map(Cell::of);
    BoardRow {
        href: format!("/jobs/{}", in_path(&row.name)),
        name: safe(&row.name).into_owned(),
        why: why_not(row).unwrap_or_default(),
        arrived: row.arrived.map(views::utc).unwrap_or_default(),
        is_new: row.place().is_none(),
        cells: machines.iter().map(cell).collect(),
    }
}
