//! `gonogo sheet new`.

use std::io::{self, BufRead, IsTerminal, Read, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use clap::{Arg, ArgMatches, Args, Command, FromArgMatches};

use super::ascii::AsciiWriter;
use super::faults::Faults;
use super::import::{self, Per};
use super::output::{self, Content, Output};
use super::terminal::{self, Terminal};
use super::usage::mistake;
use super::{Exit, complain, jobs};
use crate::machine::Machine;
use crate::wording::{safe, wrap};
use crate::workshop::first_sheet::{FirstSheet, Origins, QUESTIONS, Question};

const EXAMPLES: &str = "\
Examples:
  gonogo sheet new -o heron.toml                         asks one thing after another
  gonogo sheet new --from says.txt -o heron.toml         with what the machine says of its settings
  gonogo sheet new --name Heron --travel 220,220,250 --ask-nothing > heron.toml

On a terminal it asks for what no option gives; Enter takes the value shown. Elsewhere it never waits. What nobody gives
becomes a cautious value or a guess, marked as such in the sheet: measure or look it up before you trust a verdict, and before you heat
or move anything. The maker's documents come first.

Exit codes: 0 done, 2 nothing was written.";

/// Longest line that is read as an answer, bytes.
const LINE_MAX: u64 = 4096;

/// Make a first machine sheet from a few answers.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub struct NewArgs {
    #[command(flatten)]
    answers: Answers,
    /// Take over the settings that a machine printed; - is standard input.
    #[arg(long, value_name = "FILE")]
    from: Option<PathBuf>,
    /// With --from: take the numbers of M203 as mm per second or per minute; without, doubtful ones are not kept.
    #[arg(long, value_name = "UNIT", value_enum, requires = "from")]
    m203_per: Option<Per>,
    /// Ask nothing, on a terminal either.
    #[arg(long)]
    ask_nothing: bool,
    /// Write the sheet to SHEET; without it, or with -, print it.
    #[arg(short, long, value_name = "SHEET")]
    output: Option<PathBuf>,
    /// Replace a SHEET that is there already.
    #[arg(long, requires = "output")]
    write: bool,
}

/// What the options answer: an option for each question.
#[derive(Debug)]
struct Answers(Vec<(&'static Question, String)>);

impl Args for Answers {
    fn augment_args(command: Command) -> Command {
        QUESTIONS.iter().fold(command, |command, question| {
            let arg = Arg::new(question.option).long(question.option).value_name(question.form);
            // Numbers may begin with a minus.
            command.arg(arg.help(question.ask).allow_hyphen_values(true))
        })
    }

    fn augment_args_for_update(command: Command) -> Command {
        Self::augment_args(command)
    }
}

impl FromArgMatches for Answers {
    fn from_arg_matches(matches: &ArgMatches) -> Result<Self, clap::Error> {
        let given = |question: &'static Question| Some((question, matches.get_one::<String>(question.option)?.clone()));
        Ok(Self(QUESTIONS.iter().filter_map(given).collect()))
    }

    fn update_from_arg_matches(&mut self, matches: &ArgMatches) -> Result<(), clap::Error> {
        *self = Self::from_arg_matches(matches)?;
        Ok(())
    }
}

/// Runs the command.
///
/// # Errors
/// When an answer is wrong, the settings cannot be read, or the sheet cannot be written.
pub fn run(args: &NewArgs, terminal: &Terminal) -> anyhow::Result<Exit> {
    let target = args.output.as_deref().filter(|path| !jobs::is_stdin(path));
    if let Some(path) = target {
        output::spare(path, args.from.as_deref().filter(|from| !jobs::is_stdin(from)))?;
        // Nobody answers a dozen questions in vain.
        output::keep_what_is_there(path, args.write)?;
    }
    let mut sheet = FirstSheet::default();
    if let Some(from) = &args.from {
        let settings = import::read(from, args.m203_per)?;
        let rows = sheet.take(&settings);
        import::tell_not_kept(&settings, &rows, terminal).context("cannot tell what is not kept")?;
        if sheet.origins().settings == 0 {
            bail!("{} gives no value that a sheet can keep", import::shown(from));
        }
        read_back(&sheet.text(), terminal)?;
    }
    for (question, answer) in &args.answers.0 {
        let wrong = |why: String| mistake(format!("--{}: {why}", question.option));
        sheet.answer(question, answer).map_err(wrong)?;
    }
    if !args.ask_nothing && io::stdin().is_terminal() && io::stderr().is_terminal() {
        let given: Vec<&Question> = args.answers.0.iter().map(|(question, _)| *question).collect();
        match terminal::speaks_utf8() {
            true => ask(&given, &mut sheet, &mut io::stdin().lock(), &mut io::stderr())?,
            false => ask(
                &given,
                &mut sheet,
                &mut io::stdin().lock(),
                &mut AsciiWriter::new(io::stderr(), terminal::stderr_width()),
            )?,
        }
    }
    deliver(&sheet, target, args.write, terminal)
}

/// Asks one question after another, without those that options or the machine's settings answer; a wrong answer is asked for
/// again.
fn ask(
    given: &[&Question],
    sheet: &mut FirstSheet,
    input: &mut dyn BufRead,
    out: &mut dyn Write,
) -> anyhow::Result<()> {
    let open = QUESTIONS.iter().filter(|question| !given.contains(question));
    let (told, open): (Vec<&Question>, Vec<&Question>) = open.partition(|question| sheet.is_in_settings(question));
    if !told.is_empty() {
        writeln!(
            out,
            "Not asked, since the machine's settings say it; to change one, run this again with its option:"
        )?;
        for question in told {
            writeln!(
                out,
                "  --{} '{}'",
                question.option,
                sheet.unanswered(question).as_deref().map(safe).unwrap_or_default()
            )?;
        }
    }
    writeln!(out, "Enter takes the value in brackets; Ctrl-C leaves without a sheet.")?;
    for question in open {
        loop {
            let unanswered = sheet.unanswered(question).unwrap_or_else(|| "not known".to_owned());
            write!(out, "{} [{}]: ", question.ask, safe(&unanswered))?;
            out.flush()?;
            let Some(answer) = line(input)? else {
                bail!("the input ended before the last question: nothing is written")
            };
            if answer.trim().is_empty() {
                break;
            }
            match sheet.answer(question, &answer) {
                Ok(()) => break,
                Err(why) => writeln!(out, "  {}", safe(&why))?,
            }
        }
    }
    Ok(())
}

/// The next line; none at the end. Of a line without end only its start is kept.
fn line(input: &mut dyn BufRead) -> anyhow::Result<Option<String>> {
    let mut bytes = Vec::new();
    input.take(LINE_MAX).read_until(b'\n', &mut bytes).context("cannot read the answer")?;
    if bytes.len() as u64 == LINE_MAX && !bytes.ends_with(b"\n") {
        input.skip_until(b'\n').context("cannot read the answer")?;
    }
    Ok((!bytes.is_empty()).then(|| String::from_utf8_lossy(&bytes).trim_end_matches(['\n', '\r']).to_owned()))
}

/// What is going to be written must be a sheet.
fn read_back(text: &str, terminal: &Terminal) -> anyhow::Result<()> {
    let Err(faults) = Machine::parse("the new sheet", text) else { return Ok(()) };
    Err(Faults::of_sheet(&faults.into(), terminal).under("nothing is written: the new sheet has faults").into())
}

/// Writes or prints the sheet, and says what to do with it.
fn deliver(sheet: &FirstSheet, target: Option<&Path>, replace: bool, terminal: &Terminal) -> anyhow::Result<Exit> {
    let text = sheet.text();
    read_back(&text, terminal)?;
    let Some(path) = target else {
        let mut output = Output::stdout(Content::Data);
        output.write_all(text.as_bytes()).and_then(|()| output.finish()).context("cannot write the sheet")?;
        complain(&counted(sheet.origins()));
        return Ok(Exit::Passed);
    };
    output::write_new(path, &text, replace)?;
    let shown = path.display();
    let mut output = Output::stdout(Content::Page { color: false });
    let told = format!("Written to {}: {}", safe(&shown.to_string()), counted(sheet.origins()));
    for line in wrap(&told, terminal.stdout_look().width) {
        writeln!(output, "{line}")?;
    }
    output.finish().context("cannot write")?;
    Ok(Exit::Passed)
}

fn counted(origins: Origins) -> String {
    let Origins { answers, settings, cautious, guesses } = origins;
    let guesses = match guesses {
        0 => String::new(),
        _ => format!(", guesses that are not cautious, marked too: {guesses}"),
    };
    format!(
        "values from your answers: {answers}, from the machine's settings: {settings}, cautious ones, marked in the sheet: \
         {cautious}{guesses}. Measure or look those up before you trust a verdict. Next: gonogo sheet audit, gonogo check JOB."
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is said in answer to lines, and the sheet they make.
    fn asked(lines: &[u8]) -> (anyhow::Result<()>, String, FirstSheet) {
        let (mut sheet, mut out) = (FirstSheet::default(), Vec::new());
        let done = ask(&[], &mut sheet, &mut &lines[..], &mut out);
        (done, String::from_utf8(out).expect("UTF-8"), sheet)
    }

    #[test]
    fn enter_takes_every_cautious_value() {
        let (done, said, sheet) = asked("\n".repeat(QUESTIONS.len()).as_bytes());
        done.expect("all are answered");
        assert_eq!(sheet, FirstSheet::default());
        assert!(said.contains("mm/s² [1000,1000,50,1000]: ") && said.contains("[jerk 5,5,0.2,1]: "), "{said}");
        assert_eq!(said.matches("]: ").count(), QUESTIONS.len());
    }

    #[test]
    fn what_the_settings_say_is_not_asked_again() {
        let says = "M92 X80 Y80 Z400 E95\nM205 X8 Y8\nM204 P900 T1100 R1200\n";
        let settings = crate::workshop::settings::read(says.as_bytes(), Default::default()).expect("reads");
        let (mut sheet, mut out) = (FirstSheet::default(), Vec::new());
        sheet.take(&settings);
        let before = sheet.clone();
        let name = QUESTIONS.iter().find(|question| question.option == "name").expect("a question");
        let enters = "\n".repeat(QUESTIONS.len() - 3);
        ask(&[name], &mut sheet, &mut enters.as_bytes(), &mut out).expect("all are answered");
        let said = String::from_utf8(out).expect("UTF-8");
        assert!(said.contains("  --steps-per-mm '80,80,400,95'\n"), "{said}");
        assert!(said.contains("  --acceleration-mm-s2 '900,1100,1200'\n"), "{said}");
        // Half of the jerk is not known: the brackets hold what is.
        assert!(said.contains("[jerk 8,8,0.2,1]: ") && !said.contains("--corner"), "{said}");
        assert_eq!(said.matches("]: ").count(), QUESTIONS.len() - 3);
        assert_eq!(sheet, before);
    }

    #[test]
    fn a_wrong_answer_is_asked_for_again_with_the_reason() {
        let lines = "He\u{1b}[2Jron\nHeron\r\n\nround\ndisc\n220\n220,220,NaN\n220,220,1e300\n220,220,250\n";
        let (done, said, sheet) = asked(lines.as_bytes());
        assert!(done.expect_err("the rest is missing").to_string().contains("nothing is written"));
        assert!(!said.contains('\u{1b}'));
        for why in [
            "must be one line without control characters",
            "must be \"rectangle\" or \"disc\", found \"round\"",
            "this takes 3 numbers with commas between them, such as 200,200,200, found 1",
            "`z` must be a finite number",
            "`z` must be at most 1000000 mm",
        ] {
            assert!(said.contains(why), "{why} in {said}");
        }
        let machine = Machine::parse("new", &sheet.text()).expect("no faults");
        assert_eq!(
            (machine.name.as_str(), machine.travel.min, machine.travel.max),
            ("Heron", [-110.0, -110.0, 0.0], [110.0, 110.0, 250.0])
        );
    }

    #[test]
    fn a_line_without_end_is_refused_and_passed_over() {
        let mut lines = vec![b'x'; 100_000];
        lines.extend(b"\nWren\n\xff\xfe\n");
        let (done, said, sheet) = asked(&lines);
        assert!(done.is_err() && said.contains("an answer has at most 1000 bytes"), "{said}");
        assert!(sheet.text().contains("\nname = \"Wren\" # your answer\n"));
    }
}
