//! `midline`: from the footage of two or more phones to 3D measurements of a racket stroke.
//!
//! The program is thin: it finds the files, runs the stages in order, keeps what was computed, and shows it. The mathematics
//! is in the libraries.
//!
//! # Conventions
//!
//! - Exit codes: 0 done, 1 wrong input, 2 not measurable.
//! - Results go to standard output, progress and errors to standard error. `--json` prints what a program reads.

mod arguments;
mod board_print;
mod cohort;
mod cohort_arguments;
mod cohort_cluster;
mod compare;
mod demo;
mod live;
mod mark;
mod new;
mod offer;
mod overlay_video;
mod pictures;
mod plan;
mod print;
mod progress;
mod run_list;
mod show;
mod show_points;
mod stages;
mod store;

use std::path::Path;
use std::process::ExitCode;

use clap::Parser;

use arguments::{Arguments, Command, LensAsked, PointsAsked};
use stages::{NotMeasurable, Stages};

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match run(&arguments) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("midline: {}", explain(&error));
            if error.downcast_ref::<NotMeasurable>().is_some() { ExitCode::from(2) } else { ExitCode::from(1) }
        }
    }
}

/// The chain of reasons on one line, leaving out a cause that its consequence already quotes.
pub(crate) fn explain(error: &anyhow::Error) -> String {
    let mut text = String::new();
    for cause in error.chain().map(ToString::to_string) {
        if text.is_empty() {
            text = cause;
        } else if !text.contains(&cause) {
            text = format!("{text}: {cause}");
        }
    }
    text
}

fn run(arguments: &Arguments) -> anyhow::Result<()> {
    match &arguments.command {
        Command::New { folder, code, handedness } => new::write(folder, code, *handedness),
        Command::Demo { folder, discs: true, .. } => demo::write_discs(folder),
        Command::Demo { folder, run, .. } => demo::write(folder, *run),
        Command::Plan { plan, example, svg, json } => match plan {
            Some(plan) if !example => plan::make(plan, svg.as_deref(), *json),
            _ => plan::example(),
        },
        Command::Run { sessions, list, jobs, live, offer } => match (offer.with("--live", *live)?, sessions.as_slice())
        {
            (None, _) => run_list::run(sessions, list.as_deref(), usize::from(*jobs)),
            (Some(offer), [session]) => live::run(&Stages::open(session)?, offer),
            (Some(_), _) => anyhow::bail!("--live shows one session; give one"),
        },
        Command::Cohort(asked) => cohort::run(asked),
        Command::Media(asked) => show::media(&Stages::open(&asked.session)?, asked.json),
        Command::Lens(asked) => lens(asked),
        Command::Rig(asked) => show::rig(&Stages::open(&asked.session)?, asked.json),
        Command::Points(PointsAsked { asked, model, detector }) => {
            let stages = Stages::open(&asked.session)?;
            if !model.is_empty() {
                stages.find_points(model, detector.as_deref())?;
            }
            show_points::points(&stages, asked.json)
        }
        Command::Check(asked) => show_points::check(&Stages::open(&asked.session)?, asked.json),
        Command::Mark { session, offer } => mark::open(session, offer),
        Command::Clock(asked) => show::clock(&Stages::open(&asked.session)?, asked.json),
        Command::Lift(asked) => show::lift(&Stages::open(&asked.session)?, asked.json),
        Command::Strokes(asked) => show::strokes(&Stages::open(&asked.session)?, asked.json),
        Command::Compare { before, after, json } => compare::print(before, after, *json),
        Command::Report { session, before, pdf, videos } => {
            let (session, before) = (Stages::open(session)?, opened(before.as_deref())?);
            show::report(&session, before.as_ref(), *pdf)?;
            if *videos { show::videos(&session) } else { Ok(()) }
        }
        Command::View { session, before, serve, offer } => {
            let offer = offer.with("--serve", *serve)?;
            show::view(&Stages::open(session)?, opened(before.as_deref())?.as_ref(), offer)
        }
    }
}

fn opened(session: Option<&Path>) -> anyhow::Result<Option<Stages>> {
    session.map(Stages::open).transpose()
}

fn lens(asked: &LensAsked) -> anyhow::Result<()> {
    if let Some(file) = &asked.print_board {
        board_print::write(file, &asked.print)?;
    }
    if let Some(session) = &asked.session {
        let stages = Stages::open(session)?;
        show::lens(&stages, asked.json)?;
        stages.write_lens_files(&asked.to_opencv)?;
    }
    Ok(())
}
