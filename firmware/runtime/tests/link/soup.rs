//! Byte soup: bytes read as what a line may bring, for random tests and for the fuzzer.

use bedkeeper::lock::LockRule;
use bedkeeper_runtime::link::frame;
use bedkeeper_runtime::link::message::{Change, Request, Wish};

use crate::line::{Line, UNIT, modbus};

/// The next so many bytes, or what is left of them.
fn take<'b>(soup: &mut &'b [u8], count: usize) -> &'b [u8] {
    let (taken, rest) = soup.split_at(count.min(soup.len()));
    *soup = rest;
    taken
}

/// Plays what the bytes say against a board, and checks after each piece that nothing has changed that was not asked for
/// by a change in its session, or by a write with its ticket.
///
/// # Panics
/// Something has.
pub fn drink(mut soup: &[u8]) {
    let mut line = Line::with(|raw| {
        if soup.first().is_some_and(|first| first & 0x80 != 0) {
            raw.locks.serial = LockRule::Code(4_711);
        }
    });
    line.open();
    let mut armed = false;
    while let [what, length, rest @ ..] = soup {
        soup = rest;
        let length = usize::from(*length);
        let before = line.controller().clone();
        let records = line.bench.borrow().records.len();
        let manners = line.machine.manners();
        let mut may_change = false;
        match what % 8 {
            // Noise, as it is.
            0 => {
                let bytes = take(&mut soup, length * 6);
                line.exchange(bytes);
            }
            // Noise in a whole frame, of some version.
            1 => {
                let bytes = take(&mut soup, length * 4);
                if let Some(framed) = frame::wrap(1 + what / 128, 7, bytes) {
                    let request = frame::body(&unwrapped(&framed)).and_then(|body| body.read::<Request>());
                    may_change = matches!(request, Some(Request::Change(c)) if line.is_next(&c));
                    line.exchange(&framed);
                }
            }
            // A whole frame of Modbus.
            2 => {
                let bytes = take(&mut soup, length.min(253));
                let ticket = line.ticket();
                armed |= bytes.get(6..10) == Some(&ticket);
                may_change = armed;
                line.exchange(&modbus(&[&[UNIT], bytes].concat()));
            }
            // The ticket, and a write of this address and data.
            3 => {
                let [a, b, data @ ..] = take(&mut soup, 6) else { continue };
                let [c, d, e, f] = line.ticket();
                line.exchange(&modbus(&[UNIT, 16, 0, 0, 0, 2, 4, c, d, e, f]));
                let mut whole = [0; 4];
                whole.iter_mut().zip(data).for_each(|(to, from)| *to = *from);
                let [c, d, e, f] = whole;
                match what / 128 {
                    0 => line.exchange(&modbus(&[UNIT, 5, *a, *b, c, d])),
                    _ => line.exchange(&modbus(&[UNIT, 16, *a, *b, 0, 2, 4, c, d, e, f])),
                };
                (may_change, armed) = (true, true);
            }
            // A change in its session.
            4 => {
                let bytes = take(&mut soup, length);
                if let Ok((wish, _)) = postcard::take_from_bytes::<Wish>(bytes) {
                    let framed = line.next_change(wish);
                    line.exchange(&framed);
                    may_change = true;
                }
            }
            // Time passes, and the loop goes round.
            5 => {
                line.run(u64::from(*what) * 40);
                may_change = true;
            }
            // The line is silent.
            6 => line.now_us += u64::from(*what) * u64::try_from(length).unwrap_or(0) * 20,
            _ => {
                // Noise before may be a frame that lacks its last zero, and is answered as well.
                line.exchange(&[0]);
                line.open();
            }
        }
        assert!(may_change || *line.controller() == before, "the plant changed by itself");
        assert!(may_change || line.machine.manners() == manners, "it speaks otherwise");
        assert!(line.machine.manners().are_possible(), "nobody can speak so");
        assert!(may_change || line.bench.borrow().records.len() == records, "something was journalled");
    }
    // The line still works.
    line.now_us += 600_000;
    let framed = line.framed(&Request::Identity);
    assert!(line.link.wants_restart() || !line.exchange(&framed).is_empty(), "the line is dead");
}

fn unwrapped(framed: &[u8]) -> Vec<u8> {
    let mut inner = framed.get(1..framed.len().saturating_sub(1)).unwrap_or_default().to_vec();
    let length = frame::unpack(&mut inner).unwrap_or(0);
    inner.truncate(length);
    inner
}

impl Line {
    /// Whether a change is the next of the open session, or the latest again.
    fn is_next(&self, change: &Change) -> bool {
        change.session == self.session() && change.turn.abs_diff(self.turn()) <= 1
    }

    /// The ticket, read as anybody may.
    fn ticket(&mut self) -> [u8; 4] {
        let said = self.exchange(&modbus(&[UNIT, 4, 0, 2, 0, 2]));
        said.get(3..7).and_then(|bytes| bytes.try_into().ok()).unwrap_or_default()
    }
}
