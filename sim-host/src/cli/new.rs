//! `bedkeeper new`: begins a site file, by questions on a terminal or from flags in a script.

use std::io::{BufRead, IsTerminal, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, ValueEnum};

use super::output::{FORCE_REPLACES, is_stdout, is_there};
use super::{EXIT_BAD_INPUT, Style};
use crate::beginning::{self, Answers, Kind, Question};

/// Begin a site file by answering questions
///
/// On a terminal each question explains itself and shows what is usual; a flag answers its question beforehand. In a
/// script every flag without a default must be given. A first rehearsal for `bedkeeper verify` is written beside the
/// site. A file that exists is not replaced without --force.
///
/// Examples:
///   bedkeeper new site.toml
///   bedkeeper new site.toml --name "House by the mill" --arrangement single --hardness 20gpg --resin 2ft3 \
///     --use 900L --peak 30L/min --pulse 1L
#[derive(Debug, Args)]
#[command(verbatim_doc_comment)]
pub struct NewArgs {
    /// Where the site file goes
    file: PathBuf,
    /// What people call the site
    #[arg(long)]
    name: Option<String>,
    /// Units of the file and of reports
    #[arg(long, value_enum)]
    units: Option<super::Units>,
    /// How the tanks share the work
    #[arg(long, value_enum)]
    arrangement: Option<Kind>,
    /// How many tanks; 2 where they alternate, at most 8
    #[arg(long)]
    tanks: Option<u8>,
    /// Hardness of the feed ("20 gpg", "342 mg/L")
    #[arg(long)]
    hardness: Option<String>,
    /// Resin in each tank ("3 ft3", "85 L")
    #[arg(long)]
    resin: Option<String>,
    /// Inner diameter of each tank ("14 in", "36 cm"); one that makes the bed 0.92 m deep
    #[arg(long, value_name = "DIAMETER")]
    vessel: Option<String>,
    /// Salt of a regeneration per resin ("6 lb/ft3", "96 g/L")
    #[arg(long)]
    dose: Option<String>,
    /// Water used a day ("5 m3", "1300 gal")
    #[arg(long = "use", value_name = "VOLUME")]
    daily_use: Option<String>,
    /// The largest flow ("55 L/min", "14 gpm")
    #[arg(long)]
    peak: Option<String>,
    /// The meter's pulse ("10 L", "100 pulses/L")
    #[arg(long)]
    pulse: Option<String>,
    /// When a regeneration may begin
    #[arg(long, value_enum)]
    start: Option<Start>,
    /// What is kept back of each tank ("fixed", "learned", "none", "500 L", "15 %")
    #[arg(long)]
    reserve: Option<String>,
    /// The regeneration hour ("02:00")
    #[arg(long)]
    hour: Option<String>,
    /// Backup day ("7 days", "off")
    #[arg(long)]
    backup: Option<String>,
    /// Replace the file if it is there
    #[arg(long)]
    force: bool,
}

/// When a regeneration may begin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Start {
    /// As soon as nothing holds it.
    Immediate,
    /// At the regeneration hour.
    AtHour,
}

/// Runs the verb.
pub fn run(args: &NewArgs, style: &Style) -> ExitCode {
    match begin(args, style) {
        Ok(said) => super::print(&said),
        Err(why) => {
            complain!("bedkeeper new: {why}");
            ExitCode::from(EXIT_BAD_INPUT)
        }
    }
}

/// Writes the files; returns what to say of it.
fn begin(args: &NewArgs, style: &Style) -> Result<String, String> {
    if is_stdout(&args.file) {
        return Err("a site and its rehearsal are two files: name a file, such as site.toml".to_owned());
    }
    let rehearsal = beginning::rehearsal_beside(&args.file);
    if let Some(there) = [&args.file, &rehearsal].into_iter().find(|file| file.exists() && !args.force) {
        return Err(is_there(there, FORCE_REPLACES));
    }
    let given = given(args);
    let stdin = std::io::stdin();
    let answers = if stdin.is_terminal() {
        ask(&given, &mut stdin.lock(), &mut std::io::stdout(), style)?
    } else {
        from_flags(&given)?
    };
    let text = beginning::write(&answers)?;
    let first = beginning::write_rehearsal(&answers, &args.file);
    for (path, text) in [(&args.file, &text), (&rehearsal, &first)] {
        std::fs::write(path, text).map_err(|error| format!("{}: cannot be written: {error}", path.display()))?;
    }
    let (file, rehearsal) = (args.file.display(), rehearsal.display());
    Ok(format!(
        "written: {file}, and a first rehearsal: {rehearsal}\n\
         next: bedkeeper size {file}, which shows where each figure comes from and what does not fit\n\
         then: bedkeeper verify {rehearsal}, which runs the plant through three weeks\n"
    ))
}

/// The answers that flags give, by the question's name.
fn given(args: &NewArgs) -> Vec<(&'static str, String)> {
    let word = |value: &dyn Fn() -> Option<String>| value();
    let texts = [
        ("name", args.name.clone()),
        ("units", word(&|| Some(args.units?.to_possible_value()?.get_name().to_owned()))),
        ("arrangement", word(&|| Some(args.arrangement?.to_possible_value()?.get_name().to_owned()))),
        ("tanks", args.tanks.map(|n| n.to_string())),
        ("hardness", args.hardness.clone()),
        ("resin", args.resin.clone()),
        ("vessel", args.vessel.clone()),
        ("dose", args.dose.clone()),
        ("use", args.daily_use.clone()),
        ("peak", args.peak.clone()),
        ("pulse", args.pulse.clone()),
        ("start", word(&|| Some(args.start?.to_possible_value()?.get_name().to_owned()))),
        ("reserve", args.reserve.clone()),
        ("hour", args.hour.clone()),
        ("backup", args.backup.clone()),
    ];
    texts.into_iter().filter_map(|(name, text)| Some((name, text?))).collect()
}

fn from_flags(given: &[(&'static str, String)]) -> Result<Answers, String> {
    let mut answers = Answers::default();
    let mut missing = Vec::new();
    for question in beginning::QUESTIONS {
        if !(question.applies)(&answers) {
            refuse_idle(given, question, &answers)?;
            continue;
        }
        let flag = given.iter().find(|(name, _)| *name == question.name).map(|(_, text)| text.clone());
        match flag.or_else(|| (question.usual)(&answers)) {
            Some(text) => {
                (question.answer)(&mut answers, &text).map_err(|why| format!("--{}: {why}", question.name))?
            }
            None => missing.push(format!("--{}", question.name)),
        }
    }
    if missing.is_empty() {
        return Ok(answers);
    }
    Err(format!("there is no terminal to ask at, and these are not given: {}", missing.join(", ")))
}

/// A flag whose question is not asked must not say what the site will not be.
fn refuse_idle(given: &[(&'static str, String)], question: &Question, answers: &Answers) -> Result<(), String> {
    match given.iter().find(|(name, _)| *name == question.name) {
        Some((name, text)) if *text != answers.tanks().to_string() => Err(format!(
            "--{name} {text}: the arrangement has {} already; parallel and staged sites have 2 to 8",
            answers.tanks()
        )),
        _ => Ok(()),
    }
}

/// A flag that says nothing sensible is told before the first question, not when its turn comes.
fn refuse_bad_flags(given: &[(&'static str, String)]) -> Result<(), String> {
    let mut answers = Answers::default();
    for question in beginning::QUESTIONS {
        if let Some((_, text)) = given.iter().find(|(name, _)| *name == question.name)
            && (question.applies)(&answers)
        {
            (question.answer)(&mut answers, text).map_err(|why| format!("--{}: {why}", question.name))?;
        }
    }
    Ok(())
}

fn ask(
    given: &[(&'static str, String)],
    from: &mut dyn BufRead,
    to: &mut dyn Write,
    style: &Style,
) -> Result<Answers, String> {
    refuse_bad_flags(given)?;
    let mut answers = Answers::default();
    let said = |error: std::io::Error| error.to_string();
    writeln!(to, "A new site. Each question says what is usual; Enter takes what stands in [brackets].\n")
        .map_err(said)?;
    for question in beginning::QUESTIONS {
        if !(question.applies)(&answers) {
            refuse_idle(given, question, &answers)?;
            continue;
        }
        if let Some((_, text)) = given.iter().find(|(name, _)| *name == question.name) {
            (question.answer)(&mut answers, text).map_err(|why| format!("--{}: {why}", question.name))?;
            continue;
        }
        let usual = (question.usual)(&answers);
        writeln!(to, "{}\n  {}", style.bold(question.asks), question.explains).map_err(said)?;
        loop {
            match &usual {
                Some(usual) => write!(to, "  [{usual}] "),
                None => write!(to, "  "),
            }
            .and_then(|()| to.flush())
            .map_err(said)?;
            let mut line = String::new();
            if from.read_line(&mut line).map_err(said)? == 0 {
                return Err("the answers ended before the questions: nothing was written".to_owned());
            }
            let text = match (line.trim(), &usual) {
                ("", Some(usual)) => usual.as_str(),
                (text, _) => text,
            };
            match (question.answer)(&mut answers, text) {
                Ok(()) => break,
                Err(why) => writeln!(to, "  {why}").map_err(said)?,
            }
        }
    }
    Ok(answers)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn style() -> Style {
        Style { colour: false, colour_errors: false, progress: false }
    }

    #[test]
    fn a_wrong_answer_is_explained_and_asked_again() {
        let lines = "Mill\n\n\n\n20\n20 gpg\n2 ft3\n\n\n900 L\n30 L/min\n1 L\n\n\n\n\n";
        let mut out = Vec::new();
        let answers = ask(&[], &mut lines.as_bytes(), &mut out, &style()).expect("answers");
        let out = String::from_utf8(out).expect("text");
        assert!(out.contains("Hardness") && out.contains("unit"), "{out}");
        assert_eq!(answers.name, "Mill");
        beginning::write(&answers).expect("a site");
    }

    #[test]
    fn a_bad_flag_is_told_before_the_first_question() {
        let mut out = Vec::new();
        let given = [("pulse", "one litre".to_owned())];
        let error = ask(&given, &mut "Mill\n".as_bytes(), &mut out, &style()).expect_err("no volume");
        assert!(error.starts_with("--pulse: "), "{error}");
        assert!(out.is_empty(), "{}", String::from_utf8_lossy(&out));
    }

    #[test]
    fn a_number_of_tanks_that_the_arrangement_does_not_have_is_refused() {
        let mut given: Vec<_> =
            [("name", "Mill"), ("arrangement", "alternating"), ("hardness", "20 gpg"), ("resin", "2 ft3")]
                .into_iter()
                .chain([("use", "900 L"), ("peak", "30 L/min"), ("pulse", "1 L"), ("units", "us"), ("tanks", "3")])
                .map(|(name, text)| (name, text.to_owned()))
                .collect();
        let error = from_flags(&given).expect_err("two tanks take turns");
        assert!(error.contains("--tanks 3") && error.contains("has 2"), "{error}");
        given.retain(|(name, _)| *name != "tanks");
        given.push(("tanks", "2".to_owned()));
        let text = beginning::write(&from_flags(&given).expect("two")).expect("a site");
        assert!(text.contains("vessel_diameter = \"11") && text.contains(" in\""), "{text}");
    }

    #[test]
    fn answers_that_end_early_write_nothing() {
        let error = ask(&[], &mut "Mill\n".as_bytes(), &mut Vec::new(), &style()).expect_err("no end");
        assert!(error.contains("nothing was written"));
    }
}
