//! The table as the handbook prints it.

use std::fmt::Write as _;

use super::table::{Less, Row, Table};

/// The components in the order of the table.
#[must_use]
pub fn components(table: &Table) -> Vec<&str> {
    let mut components: Vec<&str> = Vec::new();
    for row in &table.rows {
        if !components.contains(&row.component.as_str()) {
            components.push(&row.component);
        }
    }
    components
}

/// The whole table: for each component what fails, what is seen, what the controller does and what to do.
#[must_use]
pub fn table_page(table: &Table) -> String {
    let mut page = String::new();
    for component in components(table) {
        let title = component.get(..1).unwrap_or_default().to_uppercase() + component.get(1..).unwrap_or_default();
        // Writing to a string cannot fail.
        let _ = writeln!(page, "\n## {title}");
        for row in table.rows.iter().filter(|row| row.component == component) {
            let _ = writeln!(page, "\n**{}** (`{}`)", row.way.trim_end_matches('.'), row.name);
            let _ = writeln!(page, "- *You see:* {}", seen(row));
            let _ = writeln!(page, "- *The controller:* {}{}", row.promise, done(row));
            let _ = writeln!(page, "- *You do:* {}", look(row));
            if let Some(because) = &row.because {
                let _ = writeln!(page, "- **Not promised meanwhile: {}.** {because}", row.spared.join(", "));
            }
            for less in &row.less {
                let _ = writeln!(page, "- **With {}:** {}", less.drive.words(), told_less(less));
            }
            let _ = writeln!(page, "- Rules: {}.", row.rules.join(", "));
        }
    }
    page
}

/// What a person sees, in the logic's own words.
fn seen(row: &Row) -> String {
    match (&row.silent, row.within) {
        (Some(silent), _) => format!("no alarm. {silent}"),
        (None, Some(within)) => {
            let alarms: Vec<_> =
                row.alarms.iter().map(|alarm| format!("`{}` (*{}*)", alarm.0, alarm.0.happened())).collect();
            format!("{}, {}.", alarms.join(" or "), within.words())
        }
        (None, None) => String::new(),
    }
}

/// What is not promised where a drive tells less.
fn told_less(less: &Less) -> String {
    let silent = less.silent.iter().map(|silent| format!("no alarm is promised. {silent}"));
    let spared = less.because.iter().map(|because| format!("not promised is {}. {because}", less.spared.join(", ")));
    silent.chain(spared).collect::<Vec<_>>().join(" ")
}

/// What the logic itself says that it does.
fn done(row: &Row) -> String {
    row.alarms.first().map_or_else(String::new, |alarm| format!(" The alarm says: *{}*", alarm.0.done()))
}

/// What to do: the alarm's own advice, then what the table adds.
fn look(row: &Row) -> String {
    match row.alarms.first() {
        Some(alarm) => format!("*{}* {}", alarm.0.look(), row.look),
        None => row.look.clone(),
    }
}
