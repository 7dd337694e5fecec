//! Flash pages: whatever stands in them, the logs on them neither panic nor write where they must not, and go on.

use std::cell::RefCell;

use bedkeeper::calendar::Civil;
use bedkeeper::chronicle::Entry;
use bedkeeper::units::Instant;
use bedkeeper::{Controller, Input, Settings};
use bedkeeper_runtime::dossier::{self, Dossier};
use bedkeeper_runtime::history::{self, History};
use bedkeeper_runtime::mock_flash::{MockError, MockFlash};
use bedkeeper_runtime::power_up::{self, Stored};
use bedkeeper_runtime::store::{Log, Region, SharedError, SharedFlash, StoreError};
use crc::{CRC_32_ISO_HDLC, Crc};

use super::Script;

const CHECK: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);
const PAGE: usize = 256;
const BIG_PAGE: usize = 4_096;
type Small = MockFlash<4, PAGE>;
type SmallLog = Log<Small, 128>;

/// Pages, then what is done with them; the first byte says whether they hold one log, those of a board's history, or a
/// state that the logic takes up.
///
/// # Panics
/// A log says what it should not, or a state makes the logic break its contract.
pub fn flash(bytes: &[u8]) {
    let mut script = Script(bytes);
    match script.byte() % 4 {
        0 | 1 => one_log(&mut script),
        2 => kept_for_long(&mut script),
        _ => state(&mut script),
    }
}

/// What may stand in a page: nothing, anything, or a head with records whose checks fit unless one is spoilt.
fn page(script: &mut Script<'_>, length: usize) -> Vec<u8> {
    let mut page = Vec::new();
    match script.byte() % 4 {
        0 => {}
        1 => {
            let length = script.short();
            page.extend_from_slice(script.take(usize::from(length)));
        }
        kind => {
            page.extend_from_slice(&0x6b42_6401_u32.to_le_bytes());
            page.extend_from_slice(script.take(4));
            page.resize(8, 0);
            page.extend_from_slice(&CHECK.checksum(&page).to_le_bytes());
            for _ in 0..script.byte() % 12 {
                let stated = script.byte();
                let mut record = vec![0x5a, 0x00];
                let content = script.take(usize::from(stated));
                record.extend_from_slice(&(content.len() as u16).to_le_bytes());
                let generation = script.take(2).iter().fold(0, |sum, byte| sum << 30 | u32::from(*byte));
                record.extend_from_slice(&generation.to_le_bytes());
                let check = CHECK.checksum(&[&record, content].concat());
                record.extend_from_slice(&check.to_le_bytes());
                record.extend_from_slice(content);
                record.resize(record.len().next_multiple_of(4), 0);
                page.extend_from_slice(&record);
            }
            if kind == 3 {
                let (at, with) = (usize::from(script.short()), script.byte());
                if let Some(byte) = page.get_mut(at) {
                    *byte ^= with;
                }
            }
        }
    }
    page.truncate(length);
    page
}

fn one_log(script: &mut Script<'_>) {
    let pages = 2 + u32::from(script.byte() % 3);
    let mut flash = Small::new(pages as usize);
    let mut blank = true;
    for i in 0..pages as usize {
        let content = page(script, PAGE);
        blank &= content.is_empty();
        flash.put(i * PAGE, &content);
    }
    let region = Region { start: 0, pages };
    let mount = |flash: Small| SmallLog::mount(flash, region).expect("a whole flash can be read");
    let mut log = mount(flash);
    // The latest record, where nothing but this log has ever written; and one of which only a part may be there.
    let mut latest: Option<Vec<u8>> = None;
    while !script.is_over() {
        let what = script.byte();
        let record = {
            let length = usize::from(script.byte() % 120);
            vec![what; length]
        };
        let cut = (what & 0x80 != 0).then(|| u64::from(script.byte()));
        if let Some(steps) = cut {
            let mut flash = log.release();
            flash.fail_in(steps);
            log = mount(flash);
        }
        let mut torn = None;
        match what % 4 {
            0 | 1 => match log.append(&record) {
                Ok(()) => {
                    if cut.is_none() {
                        assert_eq!(log.latest(), Ok(Some(&record[..])), "what was appended is the latest");
                    }
                    latest = Some(record);
                }
                Err(StoreError::TooLong) => assert!(record.len() > 116, "{} bytes are not too long", record.len()),
                Err(error) => {
                    expect_cut(error, cut);
                    torn = Some(record);
                }
            },
            2 => {
                if let Err(error) = log.prepare() {
                    expect_cut(error, cut);
                }
            }
            _ => {
                let mut seen = 0_u32;
                log.visit(|_, _| seen += 1).expect("a flash with power can be read");
                assert!(seen <= pages * 20);
            }
        }
        if cut.is_some() || what & 0x40 != 0 {
            let mut flash = log.release();
            flash.power_up();
            log = mount(flash);
            if blank {
                let now = log.latest().expect("a flash with power can be read").map(<[u8]>::to_vec);
                assert!(now == latest || (torn.is_some() && now == torn), "{now:?} is not {latest:?} or {torn:?}");
                latest = now;
            }
        }
    }
    // Once it has gone round all its pages, nothing is left of what stood there.
    for i in 0..pages * 14 {
        assert_eq!(log.append(&[i as u8; 8]), Ok(()), "a log goes on, whatever stood in its pages");
    }
    let last = [(pages * 14 - 1) as u8; 8];
    assert_eq!(log.latest(), Ok(Some(&last[..])));
    let mut again = mount(log.release());
    assert_eq!(again.latest(), Ok(Some(&last[..])), "the latest is found again");
}

fn expect_cut(error: StoreError<MockError>, cut: Option<u64>) {
    assert!(cut.is_some() && error == StoreError::Flash(MockError::PowerLost), "{error:?} without a cut");
}

/// Regenerations, days, happenings, baseline, signature and tests, all in one flash.
fn kept_for_long(script: &mut Script<'_>) {
    let page_bytes = BIG_PAGE as u32;
    let history = history::Layout::new(0, page_bytes, 4).expect("a record fits a page");
    let dossier = dossier::Layout::new(history.pages() * page_bytes, page_bytes, 4).expect("a record fits a page");
    let pages = (history.pages() + dossier::Layout::PAGES) as usize;
    let mut flash = MockFlash::<4, BIG_PAGE>::new(pages);
    for _ in 0..script.byte() % 8 {
        let at = usize::from(script.byte()) % pages;
        flash.put(at * BIG_PAGE, &page(script, BIG_PAGE));
    }
    let cell = RefCell::new(flash);
    let shared = SharedFlash(&cell);
    let mut kept = History::mount([shared; 3], history).expect("a whole flash can be read");
    let mut file = Dossier::mount([shared; 4], dossier).expect("a whole flash can be read");
    let read = |kept: &mut History<_>, file: &mut Dossier<_>| -> Result<u32, StoreError<SharedError<MockError>>> {
        let mut seen = 0;
        kept.regenerations(|_| seen += 1)?;
        kept.days(|_| seen += 1)?;
        kept.happenings(|_| seen += 1)?;
        kept.regenerations_from(u32::from(seen > 3), &mut |_, _| true)?;
        file.signed()?;
        file.baseline()?;
        Ok(seen)
    };
    read(&mut kept, &mut file).expect("a flash with power can be read");
    while !script.is_over() {
        match script.byte() % 3 {
            0 => {
                let length = usize::from(script.byte());
                if let Some(entry) = Entry::decode(script.take(length)) {
                    assert_eq!(kept.keep(&entry), Ok(()));
                }
            }
            1 => {
                assert!(kept.prepare().is_ok() && file.prepare().is_ok());
            }
            _ => {
                let length = usize::from(script.byte());
                let image = script.take(length);
                assert_eq!(file.keep_baseline(image), Ok(()));
            }
        }
        read(&mut kept, &mut file).expect("a flash with power can be read");
    }
    assert_eq!(kept.lost(), 0);
}

/// The logic takes up a stored state of which some bytes are other ones.
fn state(script: &mut Script<'_>) {
    let settings = Settings::baseline();
    let mut controller = Controller::<2>::new(Instant::from_ticks(0), settings.clone()).expect("one tank");
    let mut at = Instant::from_ticks(0);
    for _ in 0..script.byte() % 32 {
        let _ = controller.handle(at, Input::Pulses { meter: 0, count: u32::from(script.short()) });
        while controller.take_record().is_some() {}
        at = controller.next_deadline().unwrap_or(at);
    }
    let mut bytes = controller.retained().encode::<{ bedkeeper::retain::MAX_BYTES }>().expect("it fits");
    for _ in 0..script.byte() % 16 {
        let (place, with) = (usize::from(script.short()) % bytes.len(), script.byte());
        if let Some(byte) = bytes.get_mut(place) {
            *byte = with;
        }
    }
    let civil = (script.byte() & 1 != 0).then(|| Civil::at(u32::from(script.short()), 0));
    let (mut controller, mut now) =
        power_up::controller::<2>(&settings, Stored::Bytes(&bytes), civil).expect("there is room for one tank");
    for _ in 0..60 {
        let outputs = controller.outputs();
        assert!(
            controller.next_deadline().is_none_or(|next| next > now),
            "the deadline {:?} at {now:?} is no later",
            controller.next_deadline()
        );
        assert_eq!(outputs.motions.len(), 1);
        let Some(next) = controller.next_deadline() else { break };
        now = next;
        let _ = controller
            .handle(now, if script.byte() & 1 == 0 { Input::Tick } else { Input::Pulses { meter: 0, count: 9 } });
        while controller.take_record().is_some() {}
    }
}
