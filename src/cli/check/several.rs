//! `gonogo check` on several machines.

use std::io::Write;

use anyhow::{Context, bail};

use super::{CheckArgs, Exit, Format, Job, Progress, Terminal, jobs};
use crate::findings::Inspection;
use crate::machine::Machine;
use crate::preflight::{JobSource, Preflight, RunContext};
use crate::show::report::{
    Look,
    csv::CsvReport,
    junit::JunitReport,
    matrix::{JsonMatrix, MatrixReport, TableMatrix},
    openmetrics::OpenMetricsReport,
    sarif::SarifReport,
};
use crate::study::matrix::{Judged, Totals};

/// Judges all jobs on all machines and delivers the report as asked for. Each job is read once.
pub fn run(
    args: &CheckArgs,
    jobs: &[Job],
    machines: &[Machine],
    accept: &(dyn Fn(&mut Inspection) + Sync),
    terminal: &Terminal,
    progress: &Progress,
) -> anyhow::Result<Exit> {
    let look = args.delivery.look(terminal);
    let mut totals = Totals::new(machines.iter().map(Machine::facts), args.fail_on.limit());
    let Some(mut report) = renderer(args, machines, look) else {
        bail!("a page shows one machine: --format html takes a single --machine");
    };
    let mut output = args.delivery.open(args.format == Format::Text, look)?;
    let on_bytes = |bytes| progress.advance(bytes);
    let machines: Vec<&Machine> = machines.iter().collect();
    jobs::each(
        jobs,
        args.jobs.threads,
        progress,
        |job, helpers| {
            let mut judged = judge(job, &machines, RunContext::new(&on_bytes, helpers));
            judged.iter_mut().flatten().for_each(accept);
            judged
        },
        |judged| {
            totals.count(&judged);
            // Whoever reads line by line wants each line when it is there.
            report.add(&judged, &mut output).and_then(|()| output.flush())
        },
    )?;
    progress.finish();
    report.finish(&totals, &mut output).and_then(|()| output.finish()).context("cannot write the report")?;
    Ok(exit(&totals))
}

fn judge<'e>(job: &Job, machines: &[&Machine], context: RunContext<'_, 'e>) -> Judged {
    job.judged(|path| Preflight::on_all(machines).within(context).run_all(JobSource::at(path)))
}

/// None where a format shows one machine.
fn renderer(args: &CheckArgs, machines: &[Machine], look: Look) -> Option<Box<dyn MatrixReport>> {
    let machines: Vec<_> = machines.iter().map(Machine::facts).collect();
    Some(match args.format {
        Format::Text => Box::new(TableMatrix::new(look, &machines)),
        Format::Json => Box::new(JsonMatrix::document(machines)),
        Format::Ndjson => Box::new(JsonMatrix::lines(machines)),
        Format::Csv => Box::new(CsvReport::new(machines)),
        Format::OpenMetrics => Box::new(OpenMetricsReport::new(&machines)),
        Format::Sarif => Box::new(SarifReport::new()),
        Format::Junit => Box::new(JunitReport::new(args.fail_on.severity(), &machines)),
        Format::Html => return None,
    })
}

/// A job passes when at least one machine takes it.
fn exit(totals: &Totals) -> Exit {
    if totals.unjudged > 0 {
        Exit::Unjudged
    } else if totals.fit_no_machine.is_empty() {
        Exit::Passed
    } else {
        Exit::Failed
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::findings::{Verdict, sample};

    #[test]
    fn a_job_passes_when_one_machine_takes_it() {
        let on = |refused_from, jobs: &[Judged]| {
            let mut totals = Totals::new([sample::go().machine, sample::go().machine], refused_from);
            jobs.iter().for_each(|judged| totals.count(judged));
            exit(&totals).code()
        };
        let held = || Ok(vec![sample::hold(), sample::no_go()]);
        let go = || Ok(vec![sample::no_go(), sample::go()]);
        assert_eq!((on(Verdict::NoGo, &[held(), go()]), on(Verdict::Hold, &[held(), go()])), (0, 1));
        assert_eq!(on(Verdict::NoGo, &[go(), Ok(vec![sample::no_go(), sample::no_go()])]), 1);
        assert_eq!(on(Verdict::NoGo, &[go(), Err(sample::unjudged())]), 2);
    }
}
