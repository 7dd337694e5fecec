//! Evidence files written while a replay runs: the journal, and the table of regenerations.

use std::io::Write;

use bedkeeper::journal::Record;

use super::gather::moment;
use super::{Observer, World, replay_ms};
use crate::evidence::Evidence;
use crate::quantity::show::litres_exact;
use crate::wording;

/// Every record of the logic, one a line: time, seconds since the start, sentence.
pub struct JournalFile<W: Write> {
    out: W,
    records: u64,
}

impl<W: Write> JournalFile<W> {
    /// Writes to `out`.
    pub fn new(out: W) -> Self {
        Self { out, records: 0 }
    }
}

impl<W: Write> Observer for JournalFile<W> {
    fn record(&mut self, record: &Record, world: &World) -> std::io::Result<()> {
        if self.records == 0 {
            writeln!(
                self.out,
                "# what the logic recorded: local time, seconds since the recording's start, what happened"
            )?;
        }
        self.records += 1;
        let ms = replay_ms(record.at);
        let text = wording::sentence(&record.event);
        writeln!(self.out, "{}\t{}.{:03}\t{text}", moment(world, ms), ms / 1_000, ms % 1_000)
    }

    fn end(&mut self, _world: &World) -> std::io::Result<()> {
        self.out.flush()
    }
}

/// Columns of the plant's physics, where it is modelled: salt drawn into the bed, water to the drain, and the mean
/// hardness of what the tank treated since the regeneration before.
const PLANT_COLUMNS: [&str; 3] = ["plant_salt_kg", "plant_drain_l", "plant_leakage_mean_mg_l"];

/// The regenerations as a table, one row each.
pub struct RegenerationTable;

impl RegenerationTable {
    /// Writes the table as CSV.
    ///
    /// # Errors
    /// `out` could not be written.
    pub fn write(evidence: &Evidence, out: impl Write) -> std::io::Result<()> {
        let mut csv = csv::Writer::from_writer(out);
        let modelled = evidence.plant.is_some();
        let mut header = vec![
            "tank",
            "cause",
            "all_causes",
            "asked_s",
            "start_s",
            "end_s",
            "outcome",
            "volume_since_last_l",
            "overrun_l",
            "salt_kg",
            "drain_water_l",
            "holds_before",
            "steps",
        ];
        if modelled {
            header.extend(PLANT_COLUMNS);
        }
        csv.write_record(header)?;
        let seconds = |ms: u64| format!("{}.{:03}", ms / 1_000, ms % 1_000);
        for r in &evidence.regenerations {
            let holds: Vec<_> = r.holds_before.iter().map(|h| h.hold).collect();
            let steps: Vec<_> = r
                .steps
                .iter()
                .map(|s| format!("{} {}", s.step, seconds(s.end_ms.saturating_sub(s.start_ms))))
                .collect();
            let mut row = vec![
                r.tank.to_string(),
                r.cause.to_owned(),
                r.causes().collect::<Vec<_>>().join(" "),
                seconds(r.asked_ms),
                seconds(r.start_ms),
                r.end_ms.map(seconds).unwrap_or_default(),
                r.outcome.slug().to_owned(),
                litres_exact(r.volume_since_last_nl),
                litres_exact(r.overrun_nl),
                format!("{}.{:06}", r.salt_mg / 1_000_000, r.salt_mg % 1_000_000),
                litres_exact(r.drain_nl),
                holds.join(" "),
                steps.join("; "),
            ];
            if modelled {
                row.extend(match r.water.as_deref() {
                    Some(water) => [
                        format!("{}.{:06}", water.salt_mg / 1_000_000, water.salt_mg % 1_000_000),
                        litres_exact(u128::from(water.drained_ml) * 1_000_000),
                        water
                            .leakage_before_ug_l
                            .map_or_else(String::new, |l| format!("{}.{:03}", l / 1_000, l % 1_000)),
                    ],
                    None => [const { String::new() }; 3],
                });
            }
            csv.write_record(row)?;
        }
        csv.flush()
    }
}
