//! How many pages a log needs (P2, P7).

use super::{PAGE_HEAD, RECORD_HEAD, padded};

/// Not one record fits a page.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NeverFits;

/// Days in a year, in hundredths.
const YEAR_CENTIDAYS: u64 = 36_525;

/// How many records of a length fit a page; `unit` is the flash's write size, at least 4.
///
/// # Errors
/// Not one does.
pub fn records_per_page(record_bytes: u32, page_bytes: u32, unit: u32) -> Result<u32, NeverFits> {
    let unit = usize::try_from(unit.max(4)).map_err(|_| NeverFits)?;
    let size = |bytes: usize| u32::try_from(padded(bytes, unit)).unwrap_or(u32::MAX);
    let record = usize::try_from(record_bytes).map_err(|_| NeverFits)?;
    let whole = size(RECORD_HEAD.saturating_add(record));
    let fits = page_bytes.saturating_sub(size(PAGE_HEAD)).checked_div(whole).unwrap_or(0);
    if fits == 0 { Err(NeverFits) } else { Ok(fits) }
}

/// The pages over which so many writes a day wear no page beyond `cycles` erasures in so many years (P2).
///
/// Erasures = writes ÷ records in a page, spread evenly as the log goes round. At least two pages.
///
/// # Errors
/// Not one record fits a page, or `cycles` is 0.
pub fn pages_for(
    years: u32,
    writes_per_day: u32,
    cycles: u32,
    record_bytes: u32,
    page_bytes: u32,
    unit: u32,
) -> Result<u32, NeverFits> {
    let per_page = u64::from(records_per_page(record_bytes, page_bytes, unit)?);
    let centidays = u64::from(years).saturating_mul(YEAR_CENTIDAYS);
    let writes = u64::from(writes_per_day).saturating_mul(centidays).div_ceil(100);
    let erasures = writes.div_ceil(per_page.max(1));
    let pages = erasures.checked_add(u64::from(cycles)).and_then(|sum| sum.checked_sub(1)).ok_or(NeverFits)?;
    let pages = pages.checked_div(u64::from(cycles)).ok_or(NeverFits)?;
    Ok(u32::try_from(pages.max(2)).unwrap_or(u32::MAX))
}

/// The pages that always hold the last so many records: one page more than they fill, since the page that is
/// erased next takes its own along (P7).
///
/// # Errors
/// Not one record fits a page.
pub fn pages_to_keep(records: u32, record_bytes: u32, page_bytes: u32, unit: u32) -> Result<u32, NeverFits> {
    let per_page = records_per_page(record_bytes, page_bytes, unit)?;
    Ok(records.div_ceil(per_page.max(1)).saturating_add(1).max(2))
}
