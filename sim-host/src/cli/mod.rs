//! The command line: one verb a file.

mod at_time;
mod explore;
mod leaves;
mod new;
pub(crate) mod output;
mod pack;
mod replay;
mod rules;
mod store;
mod summary;
mod verify;
mod why;

use std::ffi::OsString;
use std::io::{IsTerminal, Write};
use std::process::ExitCode;

use clap::{CommandFactory, FromArgMatches, Parser, Subcommand, ValueEnum};

use crate::bed::{self, cli::BedArgs};
use crate::bench::{self, cli::BenchArgs};
use crate::demand::{self, cli::DemandArgs};
use crate::faults::{self, cli::FaultsArgs};
use crate::learn::{self, cli::LearnArgs};
use crate::link::{self, cli::LinkArgs};
use crate::sheet::{self, cli::SheetArgs};
use crate::size::{self, cli::SizeArgs};
use crate::swarm::{self, cli::SwarmArgs};

pub(crate) use crate::terminal::printable;
pub use explore::ExploreArgs;
pub use leaves::leaves;
pub(crate) use output::{is_stdout, keep_apart};
pub(crate) use pack::{Difference, differing, read_packed, write_new};
pub use pack::{image_of, sum_text};
pub use replay::ReplayArgs;
pub(crate) use replay::{Units, load_site};
pub use rules::RulesArgs;
pub use store::StorePages;
pub use verify::VerifyArgs;
pub use why::WhyArgs;

/// Exit code of a clear "no": a rule was seen broken, an expectation was missed.
pub(crate) const EXIT_NO: u8 = 1;
/// Exit code of bad input.
pub(crate) const EXIT_BAD_INPUT: u8 = 2;

const CAUTIONS: &str = "\
Cautions: a softening plant carries mains voltage, pressure, strong brine and drinking water. Follow local \
plumbing, electrical and discharge codes and leave the work to licensed people. This software is certified to \
no standard. Softened water carries added sodium.";

/// Rehearse an ion-exchange softening plant before any water moves.
///
/// Without a verb, the bundled site is replayed with the bundled recording and a report is written.
#[derive(Debug, Parser)]
#[command(name = "bedkeeper", version, after_help = CAUTIONS, max_term_width = 100)]
struct Command {
    #[command(subcommand)]
    verb: Option<Verb>,
    /// When to colour the output; NO_COLOR is honoured
    #[arg(long, global = true, value_enum, default_value_t = Colour::Auto, value_name = "WHEN")]
    color: Colour,
    /// Say nothing but results and errors
    #[arg(long, short, global = true)]
    quiet: bool,
}

#[derive(Debug, Subcommand)]
enum Verb {
    Replay(Box<ReplayArgs>),
    Verify(VerifyArgs),
    Explore(ExploreArgs),
    Faults(FaultsArgs),
    Swarm(SwarmArgs),
    Why(WhyArgs),
    Rules(RulesArgs),
    Size(Box<SizeArgs>),
    New(new::NewArgs),
    Demand(Box<DemandArgs>),
    Sheet(SheetArgs),
    Pack(pack::PackArgs),
    Bed(Box<BedArgs>),
    Bench(BenchArgs),
    Learn(LearnArgs),
    Link(Box<LinkArgs>),
    /// Print a completion script for a shell
    ///
    /// Example: bedkeeper completions bash > /etc/bash_completion.d/bedkeeper
    Completions {
        /// Which shell
        #[arg(value_enum)]
        shell: clap_complete::Shell,
    },
}

/// When to use colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Colour {
    /// On a terminal.
    Auto,
    /// Always.
    Always,
    /// Never.
    Never,
}

/// How output looks.
#[derive(Clone, Copy, Debug)]
pub struct Style {
    /// Colour on standard output.
    pub colour: bool,
    /// Colour on standard error.
    pub colour_errors: bool,
    /// Progress may be drawn.
    pub progress: bool,
}

impl Style {
    fn new(colour: Colour, quiet: bool) -> Self {
        let plain = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
        let wants = |terminal: bool| match colour {
            Colour::Auto => terminal && !plain,
            Colour::Always => true,
            Colour::Never => false,
        };
        let errors = std::io::stderr().is_terminal();
        Self {
            colour: wants(std::io::stdout().is_terminal()),
            colour_errors: wants(errors),
            progress: errors && !quiet,
        }
    }

    /// Bold, where colour is used.
    #[must_use]
    pub fn bold(&self, text: &str) -> String {
        if self.colour { format!("\u{1b}[1m{text}\u{1b}[0m") } else { text.to_owned() }
    }

    /// Bold red, where colour is used.
    #[must_use]
    pub fn alarm(&self, text: &str) -> String {
        if self.colour { format!("\u{1b}[1;31m{text}\u{1b}[0m") } else { text.to_owned() }
    }
}

/// The command line, its long texts flowing.
fn grammar() -> clap::Command {
    let flow = |verb: clap::Command| match verb.get_long_about().map(|text| flowing(&text.to_string())) {
        Some(text) => verb.long_about(text),
        None => verb,
    };
    Command::command().mut_subcommands(flow)
}

/// A text without the line ends of its source, for the terminal to break; indented lines (lists, examples) stay as they are.
fn flowing(text: &str) -> String {
    let mut flown = String::new();
    let mut goes_on = false;
    for line in text.lines() {
        let flows = !line.is_empty() && !line.starts_with(' ');
        if !flown.is_empty() {
            flown.push(if goes_on && flows { ' ' } else { '\n' });
        }
        flown.push_str(line);
        goes_on = flows;
    }
    flown
}

/// Runs the command with the process's arguments.
#[must_use]
pub fn main() -> ExitCode {
    run(std::env::args_os())
}

/// Runs the command with these arguments, the first being the program's name.
#[must_use]
pub fn run(args: impl IntoIterator<Item = OsString>) -> ExitCode {
    let parsed = grammar().try_get_matches_from(args).and_then(|matches| Command::from_arg_matches(&matches));
    let command = match parsed {
        Ok(command) => command,
        Err(error) => {
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { EXIT_BAD_INPUT } else { 0 });
        }
    };
    let style = Style::new(command.color, command.quiet);
    match command.verb {
        None => replay::run(&ReplayArgs::bundled(), &style, command.quiet),
        Some(Verb::Replay(args)) => replay::run(&args, &style, command.quiet),
        Some(Verb::Verify(args)) => verify::run(&args, &style),
        Some(Verb::Explore(args)) => explore::run(&args, &style),
        Some(Verb::Faults(args)) => faults::cli::run(&args, &style),
        Some(Verb::Swarm(args)) => swarm::cli::run(&args, &style),
        Some(Verb::Why(args)) => why::run(&args, &style),
        Some(Verb::Rules(args)) => rules::run(&args, &style),
        Some(Verb::Demand(args)) => demand::cli::run(&args, &style),
        Some(Verb::New(args)) => new::run(&args, &style),
        Some(Verb::Sheet(args)) => sheet::cli::run(&args, &style),
        Some(Verb::Pack(args)) => pack::run(&args, &style),
        Some(Verb::Size(args)) => size::cli::run(&args, &style),
        Some(Verb::Bench(args)) => bench::cli::run(&args, &style),
        Some(Verb::Learn(args)) => learn::cli::run(&args, &style),
        Some(Verb::Link(args)) => link::cli::run(&args, &style),
        Some(Verb::Bed(args)) => bed::cli::run(&args, style.progress).unwrap_or_else(|error| {
            complain!("bedkeeper bed: {error}");
            ExitCode::from(EXIT_BAD_INPUT)
        }),
        Some(Verb::Completions { shell }) => {
            let mut script = Vec::new();
            clap_complete::generate(shell, &mut grammar(), "bedkeeper", &mut script);
            print(&String::from_utf8_lossy(&script))
        }
    }
}

/// Writes to standard output; a closed pipe is no error.
pub(crate) fn print(text: &str) -> ExitCode {
    print_with(|out| out.write_all(text.as_bytes()))
}

/// Prints what `write` writes, piece by piece.
fn print_with(write: impl FnOnce(&mut dyn Write) -> std::io::Result<()>) -> ExitCode {
    let mut out = std::io::BufWriter::with_capacity(1 << 16, std::io::stdout().lock());
    match write(&mut out).and_then(|()| out.flush()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => ExitCode::SUCCESS,
        Err(error) => {
            complain!("bedkeeper: standard output could not be written: {error}");
            ExitCode::from(EXIT_BAD_INPUT)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_well_formed() {
        grammar().debug_assert();
    }

    #[test]
    fn help_flows_and_a_list_in_it_fits_a_narrow_terminal() {
        assert_eq!(
            flowing("One\ntwo.\n\nThree:\n  a list\n  of two\nfour"),
            "One two.\n\nThree:\n  a list\n  of two\nfour"
        );
        let mut long = Vec::new();
        for verb in grammar().get_subcommands() {
            let texts = [verb.get_long_about(), verb.get_after_long_help()];
            let lines = texts.into_iter().flatten().map(ToString::to_string).collect::<Vec<_>>().join("\n");
            let widest = |line: &str| if line.trim_start().starts_with("bedkeeper ") { 108 } else { 80 };
            let is_long = |line: &&str| line.starts_with(' ') && line.chars().count() > widest(line);
            long.extend(lines.lines().filter(is_long).map(|line| format!("{}: {line}", verb.get_name())));
        }
        assert!(long.is_empty(), "{long:#?}");
    }
}
