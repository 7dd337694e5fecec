//! The resin bed alone, on the command line.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use indicatif::{ProgressBar, ProgressStyle};
use serde::Serialize;

use super::cycle::{CycleRun, CycleSpec, Flows, Outcome, Regeneration, ServicePoint};
use super::error::BedError;
use super::options as q;
use super::page;
use super::resin::{CAPACITY_LOSS_PER_YEAR, Resin};
use super::transfer::{Kinetics, Transfer};
use super::water::{CACO3_G_PER_EQ, FeedSpec};

/// Plates where they are in equilibrium, if nothing is said: the reference's.
const EQUILIBRIUM_PLATES: usize = 20;
/// Plates where diffusion holds them back: capacity and leakage no longer depend on their number.
const DIFFUSION_PLATES: usize = 80;
/// Rows a curve is thinned to.
const CURVE_ROWS: usize = 2_000;
/// How often the progress of a long run is drawn.
const BAR_TICK: std::time::Duration = std::time::Duration::from_millis(500);
/// Curves are carried on past the end point to this share of the feed hardness.
const CURVE_TO_SHARE: f64 = 0.3;
/// A virgin curve is carried on to this share of the feed hardness.
const VIRGIN_CURVE_TO_SHARE: f64 = 0.98;
/// g CaCO3 per litre in one kilograin per cubic foot (exact definitions).
const G_L_PER_KGR_FT3: f64 = 2.288_352;

/// Where the brine enters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum BrineWay {
    /// With the service flow: downward, rinsed with feed.
    Co,
    /// Against the service flow: upward, rinsed with softened water.
    Counter,
}

/// Run a resin bed alone, without a plant: breakthrough, operating capacity,
/// leakage and salt efficiency against dose.
///
/// Example: bedkeeper bed --hardness 20gpg --dose 10lb/ft3 --direction counter
#[derive(Debug, Clone, PartialEq, Args)]
pub struct BedArgs {
    /// Exchange capacity of the settled resin when new
    #[arg(long, default_value = "2.0eq/L", value_parser = q::parse_capacity, allow_hyphen_values = true)]
    pub resin_capacity: f64,
    /// Share of the bed between the beads
    #[arg(long, default_value = "0.37", value_parser = |t: &str| q::parse(t, q::SHARE), allow_hyphen_values = true)]
    pub void: f64,
    /// log K of calcium against sodium (Gaines–Thomas)
    #[arg(long, default_value = "0.8", value_parser = |t: &str| q::parse(t, q::NUMBER), allow_hyphen_values = true)]
    pub log_k_ca: f64,
    /// log K of magnesium against sodium (Gaines–Thomas)
    #[arg(long, default_value = "0.6", value_parser = |t: &str| q::parse(t, q::NUMBER), allow_hyphen_values = true)]
    pub log_k_mg: f64,
    /// Plates in series, 1 to 1000: they stand for all spreading of the fronts. With diffusion, fewer than 80 leak too
    /// early [default: 20 with --equilibrium, else 80]
    #[arg(long)]
    pub plates: Option<usize>,
    /// Feed hardness as CaCO3 (mg/L, gpg, dH, fH, mmol/L, meq/L)
    #[arg(long, default_value = "342mg/L", value_parser = q::parse_hardness, allow_hyphen_values = true)]
    pub hardness: f64,
    /// Share of the hardness that is calcium, by equivalents
    #[arg(long, default_value = "0.6667", value_parser = |t: &str| q::parse(t, q::SHARE), allow_hyphen_values = true)]
    pub calcium_share: f64,
    /// Feed sodium (mg/L, meq/L)
    #[arg(long, default_value = "40mg/L", value_parser = |t: &str| q::parse(t, q::SODIUM), allow_hyphen_values = true)]
    pub sodium: f64,
    /// Feed alkalinity (meq/L, or mg/L as CaCO3)
    #[arg(long, default_value = "4meq/L", value_parser = |t: &str| q::parse(t, q::ALKALINITY), allow_hyphen_values = true)]
    pub alkalinity: f64,
    /// Feed pH
    #[arg(long, default_value = "7.5", value_parser = |t: &str| q::parse(t, q::NUMBER), allow_hyphen_values = true)]
    pub ph: f64,
    /// Temperature (C or F)
    #[arg(long, default_value = "15C", value_parser = q::parse_temperature, allow_hyphen_values = true)]
    pub temperature: f64,
    /// Salt per regeneration (g/L or lb/ft3 of resin); brine comes in whole plates, so the nearest dose to it is given
    #[arg(long, default_value = "160g/L", value_parser = q::parse_dose, allow_hyphen_values = true)]
    pub dose: f64,
    /// Brine strength by weight
    #[arg(long, default_value = "10%", value_parser = |t: &str| q::parse(t, q::STRENGTH), allow_hyphen_values = true)]
    pub brine: f64,
    /// Slow rinse, the way the brine went (BV or gal/ft3)
    #[arg(long, default_value = "2BV", value_parser = |t: &str| q::parse(t, q::BED_VOLUMES), allow_hyphen_values = true)]
    pub rinse: f64,
    /// Fast rinse with feed, downward (BV or gal/ft3)
    #[arg(long, default_value = "0BV", value_parser = |t: &str| q::parse(t, q::BED_VOLUMES), allow_hyphen_values = true)]
    pub fast_rinse: f64,
    /// Brine with the service flow (co) or against it (counter)
    #[arg(long, value_enum, default_value_t = BrineWay::Co)]
    pub direction: BrineWay,
    /// End point: effluent hardness as CaCO3
    #[arg(long, default_value = "17.1mg/L", value_parser = q::parse_hardness, allow_hyphen_values = true)]
    pub until: f64,
    /// Plates in equilibrium: mass transfer off
    #[arg(long)]
    pub equilibrium: bool,
    /// Service flow, for mass transfer (BV/h or gpm/ft3)
    #[arg(long, default_value = "16BV/h", value_parser = |t: &str| q::parse(t, q::FLOW), allow_hyphen_values = true)]
    pub flow: f64,
    /// Flow of brine and slow rinse, for mass transfer (BV/h or gpm/ft3)
    #[arg(long, default_value = "3BV/h", value_parser = |t: &str| q::parse(t, q::FLOW), allow_hyphen_values = true)]
    pub brine_flow: f64,
    /// Bed depth, for mass transfer (m, ft, in)
    #[arg(long, default_value = "0.9m", value_parser = |t: &str| q::parse(t, q::DEPTH), allow_hyphen_values = true)]
    pub depth: f64,
    /// Bead diameter, for mass transfer
    #[arg(long, default_value = "0.6mm", value_parser = |t: &str| q::parse(t, q::BEAD), allow_hyphen_values = true)]
    pub bead: f64,
    /// Age of the resin: takes capacity
    #[arg(long, default_value = "0y", value_parser = |t: &str| q::parse(t, q::YEARS), allow_hyphen_values = true)]
    pub resin_age: f64,
    /// Iron left on the resin: takes capacity
    #[arg(long, default_value = "0g/L", value_parser = |t: &str| q::parse(t, q::IRON), allow_hyphen_values = true)]
    pub resin_iron: f64,
    /// One run of new resin in sodium form, with no regeneration
    #[arg(long, conflicts_with = "sweep")]
    pub virgin: bool,
    /// Several doses: FROM..TO:STEP
    #[arg(long, value_name = "FROM..TO:STEP", value_parser = |t: &str| q::parse_sweep(t).map(Doses))]
    pub sweep: Option<Doses>,
    /// Most cycles before giving up on convergence
    #[arg(long, default_value_t = 16)]
    pub cycles: usize,
    /// Print the answer as JSON
    #[arg(long)]
    pub json: bool,
    /// Print the service curve of the last cycle as CSV, or write it to a file
    #[arg(long, value_name = "FILE", num_args = 0..=1, default_missing_value = "-", conflicts_with = "sweep")]
    pub csv: Option<PathBuf>,
    /// Write a page with the curves
    #[arg(long, value_name = "FILE")]
    pub html: Option<PathBuf>,
}

/// Salt doses, g NaCl per litre of resin.
#[derive(Debug, Clone, PartialEq)]
pub struct Doses(pub Vec<f64>);

/// The answer for one dose, as JSON gives it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BedAnswer {
    /// Where the brine enters.
    pub direction: BrineWay,
    /// Plates in series.
    pub plates: usize,
    /// Salt given, g NaCl per litre of resin; 0 for a virgin run.
    pub dose_g_per_l: f64,
    /// The same under a name that says so: brine comes in whole plates.
    pub dose_actual_g_per_l: f64,
    /// Salt asked for, g NaCl per litre of resin; 0 for a virgin run.
    pub dose_asked_g_per_l: f64,
    /// Cycles run.
    pub cycles: usize,
    /// Whether the cycles had settled.
    pub converged: bool,
    /// Why not, in words; null if they had.
    pub not_settled_because: Option<String>,
    /// Hardness removed up to the end point, g CaCO3 per litre of resin.
    pub capacity_g_caco3_per_l: f64,
    /// Bed volumes to the end point.
    pub bed_volumes: f64,
    /// Mean effluent hardness, mg/L as CaCO3.
    pub leakage_mean_mg_l: f64,
    /// Lowest effluent hardness, mg/L as CaCO3.
    pub leakage_min_mg_l: f64,
    /// Equivalents removed per equivalent of salt; null for a virgin run.
    pub salt_efficiency: Option<f64>,
    /// Share by which the last cycle's hardness balance stays open.
    pub balance_error: f64,
}

/// What one case gave, with its curve if that was asked for.
pub(super) struct CaseResult {
    pub answer: BedAnswer,
    pub curve: Vec<ServicePoint>,
}

impl BedArgs {
    /// Plates, or as many as the model needs: held back by diffusion, a front is thinner than a twentieth of the
    /// bed, and a plate that is spent before the next begins leaks in steps.
    pub(super) fn plates_or_usual(&self) -> usize {
        self.plates.unwrap_or(if self.equilibrium { EQUILIBRIUM_PLATES } else { DIFFUSION_PLATES })
    }

    /// Whether diffusion is on in fewer plates than it needs.
    pub(super) fn leaks_early(&self) -> bool {
        !self.equilibrium && self.plates_or_usual() < DIFFUSION_PLATES
    }

    /// The case these options describe, at a dose in g/L.
    pub fn case(&self, dose_g_l: f64) -> CycleSpec {
        CycleSpec {
            resin: Resin {
                capacity_eq_l: self.resin_capacity,
                void_fraction: self.void,
                log_k_ca: self.log_k_ca,
                log_k_mg: self.log_k_mg,
                age_years: self.resin_age,
                loss_per_year: CAPACITY_LOSS_PER_YEAR,
                iron_g_l: self.resin_iron,
            },
            plates: self.plates_or_usual(),
            depth_m: self.depth,
            transfer: if self.equilibrium {
                Transfer::Equilibrium
            } else {
                Transfer::Kinetic(Kinetics { bead_mm: self.bead, ..Kinetics::default() })
            },
            feed: FeedSpec {
                hardness_mg_l: self.hardness,
                calcium_share: self.calcium_share,
                sodium_mg_l: self.sodium,
                alkalinity_meq_l: self.alkalinity,
                ph: self.ph,
                temperature_c: self.temperature,
            },
            dose_g_l,
            brine_percent: self.brine,
            rinse_bv: self.rinse,
            fast_rinse_bv: self.fast_rinse,
            regeneration: match self.direction {
                BrineWay::Co => Regeneration::CoCurrent,
                BrineWay::Counter => Regeneration::CounterCurrent,
            },
            until_mg_l: self.until,
            flows: Flows { service_bv_h: self.flow, brine_bv_h: self.brine_flow, ..Flows::default() },
            most_cycles: self.cycles,
        }
    }

    fn run_case(&self, dose_g_l: f64, curve_wanted: bool, seen: impl FnMut(usize)) -> Result<CaseResult, BedError> {
        let spec = self.case(dose_g_l);
        let mut curve = Vec::new();
        let outcome = if self.virgin {
            let past = VIRGIN_CURVE_TO_SHARE * self.hardness;
            CycleRun::virgin(spec)?.exhaust(past.max(self.until), |p| {
                if curve_wanted {
                    curve.push(p);
                }
            })?
        } else {
            let mut run = CycleRun::new(spec)?;
            let outcome = run.to_steady_seen(seen)?;
            if curve_wanted {
                let past = (CURVE_TO_SHARE * self.hardness).max(self.until);
                curve = run.curves(past)?.1;
            }
            outcome
        };
        Ok(CaseResult { answer: self.answer(&outcome, dose_g_l), curve: thin(curve) })
    }

    fn answer(&self, o: &Outcome, dose_asked_g_l: f64) -> BedAnswer {
        BedAnswer {
            direction: self.direction,
            plates: self.plates_or_usual(),
            dose_g_per_l: o.dose_g_l,
            dose_actual_g_per_l: o.dose_g_l,
            dose_asked_g_per_l: if self.virgin { 0.0 } else { dose_asked_g_l },
            cycles: o.cycles,
            converged: o.converged,
            not_settled_because: o.unsettled.map(|why| why.to_string()),
            capacity_g_caco3_per_l: o.capacity_g_l,
            bed_volumes: o.bed_volumes,
            leakage_mean_mg_l: o.leakage_mean_mg_l,
            leakage_min_mg_l: o.leakage_min_mg_l,
            salt_efficiency: o.salt_efficiency,
            balance_error: o.balance_error,
        }
    }
}

/// Answers what the options ask, on standard output and in the files named; with `progress`, a run that takes longer
/// tells of itself on standard error.
///
/// Exits 0 when every case settled, 1 when one did not within its cycles.
///
/// # Errors
/// [`BedError`] for figures out of range, a case that never ends, or a file that
/// cannot be written; the caller exits 2.
pub fn run(args: &BedArgs, progress: bool) -> Result<ExitCode, BedError> {
    let doses = args.sweep.as_ref().map_or_else(|| vec![args.dose], |doses| doses.0.clone());
    let curves = args.csv.is_some() || args.html.is_some();
    let to_output = |path: &Option<PathBuf>| path.as_deref() == Some(Path::new("-"));
    let claims = [args.json, to_output(&args.csv), to_output(&args.html)];
    let claims = claims.into_iter().filter(|claimed| *claimed).count();
    if claims > 1 {
        return Err(BedError::OneOutput);
    }
    let mut bar = Bar::new(progress, doses.len());
    let mut results = Vec::new();
    for (i, &dose) in doses.iter().enumerate() {
        bar.tell(i, 0);
        results.push(args.run_case(dose, curves, |cycles| bar.tell(i, cycles))?);
    }
    bar.end();
    if let Some(path) = &args.csv {
        write(path, &csv(&results[0].curve))?;
    }
    if let Some(path) = &args.html {
        let page = page::render(args, &results)
            .map_err(|e| BedError::Write { path: path.display().to_string(), reason: e.to_string() })?;
        write(path, &page)?;
    }
    if args.json {
        write(Path::new("-"), &json(args, &results))?;
    } else if claims == 0 {
        write(Path::new("-"), &readable(args, &results))?;
    }
    Ok(if results.iter().all(|r| r.answer.converged) { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

/// How far a run is, on a terminal, once it has taken a while.
struct Bar {
    bar: Option<ProgressBar>,
    doses: usize,
}

impl Bar {
    fn new(progress: bool, doses: usize) -> Self {
        let bar = progress.then(|| {
            let bar = ProgressBar::new_spinner();
            if let Ok(look) = ProgressStyle::with_template("{spinner} {msg}, {elapsed}") {
                bar.set_style(look);
            }
            bar.enable_steady_tick(BAR_TICK);
            bar
        });
        Self { bar, doses }
    }

    fn tell(&self, dose: usize, cycles: usize) {
        if let Some(bar) = &self.bar {
            bar.set_message(format!("dose {} of {}, {cycles} cycles run", dose + 1, self.doses));
        }
    }

    fn end(&mut self) {
        if let Some(bar) = self.bar.take() {
            bar.finish_and_clear();
        }
    }
}

fn write(path: &Path, text: &str) -> Result<(), BedError> {
    let done = if path == Path::new("-") {
        let mut out = std::io::stdout().lock();
        match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
            // Whoever reads has seen enough.
            Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
            other => other,
        }
    } else {
        std::fs::write(path, text)
    };
    done.map_err(|e| BedError::Write { path: path.display().to_string(), reason: e.to_string() })
}

/// At most about [`CURVE_ROWS`] points, the last among them.
fn thin(curve: Vec<ServicePoint>) -> Vec<ServicePoint> {
    let every = curve.len().div_ceil(CURVE_ROWS).max(1);
    let last = curve.len().saturating_sub(1);
    curve.into_iter().enumerate().filter(|(i, _)| i % every == 0 || *i == last).map(|(_, p)| p).collect()
}

/// One answer, or an array of them for a sweep.
fn json(args: &BedArgs, results: &[CaseResult]) -> String {
    let answers: Vec<_> = results.iter().map(|r| &r.answer).collect();
    let text = if args.sweep.is_some() {
        serde_json::to_string_pretty(&answers)
    } else {
        serde_json::to_string_pretty(&answers[0])
    };
    text.expect("plain figures always serialise") + "\n"
}

fn csv(curve: &[ServicePoint]) -> String {
    let mut text = String::from("bv,ca_mg_l,mg_mg_l,hardness_mg_l\n");
    for p in curve {
        text += &format!("{:.5},{:.6e},{:.6e},{:.6e}\n", p.bv, p.ca_mg_l, p.mg_mg_l, p.hardness_mg_l);
    }
    text
}

fn readable(args: &BedArgs, results: &[CaseResult]) -> String {
    let mode = if args.equilibrium {
        "in equilibrium".to_owned()
    } else {
        format!("held back by diffusion at {:.1} BV/h", args.flow)
    };
    let mut text = format!(
        "Feed {:.1} mg/L hardness as CaCO3, {:.0} % of it calcium, sodium {:.1} mg/L, {:.1} °C; {} plates {mode}; end point {:.1} mg/L.\n",
        args.hardness,
        args.calcium_share * 100.0,
        args.sodium,
        args.temperature,
        args.plates_or_usual(),
        args.until
    );
    text += "A model of one ideal bed, without channelling: real beds give less. Not a rating.\n\n";
    text += "  dose     dose   capacity  capacity  run to end  leakage, mg/L as CaCO3   salt        cycles\n";
    text += "   g/L   lb/ft3  gCaCO3/L   kgr/ft3          BV        mean      lowest   efficiency\n";
    for r in results {
        let a = &r.answer;
        let efficiency = a.salt_efficiency.map_or_else(|| "-".to_owned(), |e| format!("{:.1} %", e * 100.0));
        let settled = if a.converged { "" } else { " (not settled)" };
        text += &format!(
            "{:6.1} {:8.2} {:10.2} {:9.2} {:11.1} {:11.4} {:11.3e} {efficiency:>12} {:>8}{settled}\n",
            a.dose_g_per_l,
            a.dose_g_per_l / 16.018_463,
            a.capacity_g_caco3_per_l,
            a.capacity_g_caco3_per_l / G_L_PER_KGR_FT3,
            a.bed_volumes,
            a.leakage_mean_mg_l,
            a.leakage_min_mg_l,
            a.cycles,
        );
    }
    if let [one] = results {
        let eq = one.answer.capacity_g_caco3_per_l / CACO3_G_PER_EQ;
        text += &format!(
            "\n{eq:.3} eq removed per litre of resin; hardness balance open by {:.1e}.\n",
            one.answer.balance_error
        );
    }
    for hint in hints(args, results) {
        text += &format!("{hint}\n");
    }
    text
}

/// What whoever reads the figures should know of them.
pub(super) fn hints(args: &BedArgs, results: &[CaseResult]) -> Vec<String> {
    let mut hints = Vec::new();
    let given = |a: &BedAnswer| a.dose_actual_g_per_l / a.dose_asked_g_per_l;
    if !args.virgin && results.iter().any(|r| (given(&r.answer) - 1.0).abs() > 0.005) {
        let asked: Vec<_> = results.iter().map(|r| format!("{:.1}", r.answer.dose_asked_g_per_l)).collect();
        let verb = if asked.len() == 1 { "The dose asked for was" } else { "The doses asked for were" };
        hints.push(format!(
            "{verb} {} g/L; brine comes in whole plates ({:.2} g/L each here), and the table shows what was given.",
            asked.join(", "),
            args.void / args.plates_or_usual() as f64 * args.brine / (100.0 - args.brine) * 1e3
        ));
    }
    for answer in results.iter().map(|r| &r.answer) {
        if let Some(why) = &answer.not_settled_because {
            hints.push(format!("Not settled at {:.1} g/L: {why}.", answer.dose_actual_g_per_l));
        }
    }
    if args.leaks_early() {
        hints.push(format!(
            "Held back by diffusion, a bed in {} plates leaks too early and gives too little: a front is thinner than a plate. \
             Give {DIFFUSION_PLATES} or more, or --equilibrium.",
            args.plates_or_usual()
        ));
    }
    hints
}

#[cfg(test)]
#[path = "cli_tests.rs"]
mod tests;
