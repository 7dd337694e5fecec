//! Modbus RTU on the same line: registers to read, and few to write.
//!
//! A request has no number, so that one recorded is as good as a new one. So nothing is written without a ticket: a
//! number to be read first and brought along, which is another after each write. The lock stands besides (O1).
//!
//! The frames are read and built by a library, after what it takes for granted has been checked: address, CRC, length.

use bedkeeper::calendar::Civil;
use bedkeeper::journal::Who;
use bedkeeper::lock::{Key, LockRule};
use bedkeeper::{Input, Refused};
use crc::{CRC_16_MODBUS, CRC_32_ISO_HDLC, Crc, Table};
use heapless::Vec;
use rmodbus::server::{ModbusFrame, Read, Write};
use rmodbus::{ErrorKind, ModbusProto};

use super::registers::{self, Deed, Reading, Written};
use crate::machine::{Board, Machine, PinFault};

/// A ticket allows its write within so long.
pub const TICKET_MS: u64 = 10_000;
/// Bytes of the longest frame.
const LONGEST: usize = 256;

const CHECK: Crc<u16, Table<0>> = Crc::<u16, Table<0>>::new(&CRC_16_MODBUS);
const MIX: Crc<u32, Table<0>> = Crc::<u32, Table<0>>::new(&CRC_32_ISO_HDLC);

/// An answer as it goes out.
pub type Response = Vec<u8, LONGEST>;

/// The Modbus side of a link.
#[derive(Debug)]
pub struct Modbus {
    unit: u8,
    /// `None` until somebody has read one.
    ticket: Option<u32>,
    tickets: u32,
    /// The ticket was brought: the next write is allowed until then.
    allowed_until_ms: Option<u64>,
}

impl Modbus {
    /// Answers to this address.
    #[must_use]
    pub fn new(unit: u8) -> Self {
        Self { unit, ticket: None, tickets: 0, allowed_until_ms: None }
    }

    /// Answers to another address from now on.
    pub fn set_unit(&mut self, unit: u8) {
        self.unit = unit;
    }

    /// The ticket that the next write must bring. `saves` and `now_ms` never both stand still, even over a power cut.
    pub fn ticket(&mut self, saves: u32, now_ms: u64) -> u32 {
        if let Some(ticket) = self.ticket {
            return ticket;
        }
        let mut digest = MIX.digest();
        digest.update(&saves.to_le_bytes());
        digest.update(&now_ms.to_le_bytes());
        digest.update(&self.tickets.to_le_bytes());
        self.tickets = self.tickets.wrapping_add(1);
        *self.ticket.insert(digest.finalize())
    }

    /// Answers a frame; `None` if it is not for this board, or damaged.
    pub fn serve<B: Board, const N: usize, const S: usize>(
        &mut self,
        machine: &mut Machine<B, N, S>,
        frame: &[u8],
        uptime_ms: u64,
        read: impl FnOnce(&Machine<B, N, S>, u32) -> Reading,
    ) -> Result<Option<Response>, PinFault<B>> {
        if !is_whole(frame, self.unit) {
            return Ok(None);
        }
        let mut response = Response::new();
        // Nobody is addressed by 0 here: a frame that begins so is one of the link.
        let mut request = ModbusFrame::new(self.unit, frame, ModbusProto::Rtu, &mut response).with_broadcast_units(&[]);
        if request.parse().is_err() || !request.response_required {
            return Ok(None);
        }
        let done = if !request.processing_required {
            Ok(())
        } else if request.readonly {
            let saves = machine.saves();
            let ticket = self.ticket(saves, machine.instant(uptime_ms).as_ticks());
            let reading = read(machine, ticket);
            let told = match request.get_external_read() {
                Ok(mut wanted) => fill(&mut wanted, request_kind(frame), &reading),
                Err(error) => Err(error),
            };
            request.process_external_read(told)
        } else {
            let made = match request.get_external_write() {
                Ok(wanted) => self.make(machine, &wanted, uptime_ms)?,
                Err(error) => Err(error),
            };
            request.process_external_write(made)
        };
        if done.is_err() || request.finalize_response().is_err() {
            return Ok(None);
        }
        Ok(Some(response))
    }

    /// Makes what is written so.
    fn make<B: Board, const N: usize, const S: usize>(
        &mut self,
        machine: &mut Machine<B, N, S>,
        wanted: &Write<'_>,
        uptime_ms: u64,
    ) -> Result<Result<(), ErrorKind>, PinFault<B>> {
        match wanted {
            Write::Words(words) => {
                let (mut address, mut data) = (words.address, words.data);
                if registers::holding(address).is_none() {
                    return Ok(Err(ErrorKind::IllegalDataAddress));
                }
                if words.data.len() != usize::from(words.count).saturating_mul(2) {
                    return Ok(Err(ErrorKind::IllegalDataValue));
                }
                // The ticket may come alone, or in front of what it allows.
                if registers::written(address, 2) == Some(Written::Ticket)
                    && let Some((ticket, rest)) = data.split_first_chunk::<4>()
                {
                    if self.ticket.is_none_or(|known| known != u32::from_be_bytes(*ticket)) {
                        return Ok(Err(ErrorKind::IllegalDataValue));
                    }
                    self.ticket = None;
                    self.allowed_until_ms = Some(uptime_ms.saturating_add(TICKET_MS));
                    if rest.is_empty() {
                        return Ok(Ok(()));
                    }
                    (address, data) = (address.saturating_add(2), rest);
                }
                let words = u16::try_from(data.len() / 2).unwrap_or(u16::MAX);
                let (Some(what), Ok(value)) = (registers::written(address, words), data.try_into()) else {
                    return Ok(Err(ErrorKind::IllegalDataValue));
                };
                let value = u32::from_be_bytes(value);
                if !self.is_allowed(uptime_ms) {
                    return Ok(Err(ErrorKind::IllegalDataValue));
                }
                write_value(machine, what, value, uptime_ms)
            }
            Write::Bits(bits) => {
                // What is not there is told first, whatever was to be written to it.
                let tanks = machine.controller().settings().tanks;
                let on = bits.data.first().is_some_and(|byte| byte & 1 != 0);
                let Some(deed) = registers::switched(bits.address, on, tanks) else {
                    return Ok(Err(ErrorKind::IllegalDataAddress));
                };
                let (Some(deed), 1) = (deed, bits.count) else { return Ok(Err(ErrorKind::IllegalDataValue)) };
                if !self.is_allowed(uptime_ms) {
                    return Ok(Err(ErrorKind::IllegalDataValue));
                }
                let input = match deed {
                    Deed::Act(action) => Input::Operator { who: Who::Serial, action },
                    Deed::Relock => Input::Relock { who: Who::Serial },
                };
                machine.ask(uptime_ms, input).map(answered)
            }
        }
    }

    /// Whether a write is allowed now; it is the only one.
    fn is_allowed(&mut self, now_ms: u64) -> bool {
        self.allowed_until_ms.take().is_some_and(|until_ms| now_ms < until_ms)
    }
}

/// What the logic said, as an exception.
fn answered(told: Result<(), Refused>) -> Result<(), ErrorKind> {
    told.map_err(|refused| match refused {
        Refused::NoSuchTank => ErrorKind::IllegalDataAddress,
        Refused::NoSuchTime => ErrorKind::IllegalDataValue,
        Refused::Barred => ErrorKind::SlaveDeviceBusy,
        _ => ErrorKind::NegativeAcknowledge,
    })
}

fn write_value<B: Board, const N: usize, const S: usize>(
    machine: &mut Machine<B, N, S>,
    what: Written,
    value: u32,
    uptime_ms: u64,
) -> Result<Result<(), ErrorKind>, PinFault<B>> {
    match what {
        Written::Ticket => Ok(Err(ErrorKind::IllegalDataValue)),
        Written::Key => {
            let rule = machine.controller().settings().locks.serial;
            let key = if rule == LockRule::Press && value == 0 { Key::Press } else { Key::Code(value) };
            machine.ask(uptime_ms, Input::Unlock { who: Who::Serial, key }).map(answered)
        }
        Written::Clock => {
            let civil = Civil(u64::from(value).saturating_mul(1_000));
            machine.set_clock(uptime_ms, civil, Who::Serial).map(|told| answered(told.map(|_taken| ())))
        }
    }
}

/// Which of the four tables a read is of, by its function code.
fn request_kind(frame: &[u8]) -> u8 {
    frame.get(1).copied().unwrap_or(0)
}

/// Fills an answer with what is read.
fn fill(wanted: &mut Read<'_>, function: u8, reading: &Reading) -> Result<(), ErrorKind> {
    match wanted {
        Read::Words(words) => {
            if words.count == 0 {
                return Err(ErrorKind::IllegalDataValue);
            }
            for (address, place) in (words.address..=u16::MAX).zip(words.buf.chunks_exact_mut(2)) {
                let value =
                    if function == 3 { registers::holding(address) } else { registers::input(reading, address) };
                place.copy_from_slice(&value.ok_or(ErrorKind::IllegalDataAddress)?.to_be_bytes());
            }
        }
        Read::Bits(bits) => {
            if bits.count == 0 {
                return Err(ErrorKind::IllegalDataValue);
            }
            for (address, place) in (bits.address..=u16::MAX).zip(0..bits.count) {
                let on = if function == 1 {
                    registers::coil(reading, address)
                } else {
                    registers::discrete(reading, address)
                };
                if on.ok_or(ErrorKind::IllegalDataAddress)?
                    && let Some(byte) = bits.buf.get_mut(usize::from(place / 8))
                {
                    *byte |= 1u8.checked_shl(u32::from(place % 8)).unwrap_or(0);
                }
            }
        }
    }
    // A range that runs past the last address has addresses that are not there.
    let (address, count) = match wanted {
        Read::Words(words) => (words.address, words.count),
        Read::Bits(bits) => (bits.address, bits.count),
    };
    match address.checked_add(count.saturating_sub(1)) {
        Some(_) => Ok(()),
        None => Err(ErrorKind::IllegalDataAddress),
    }
}

/// A frame for this address, undamaged, and as long as its function says (Modbus Application Protocol, 6).
fn is_whole(frame: &[u8], unit: u8) -> bool {
    let Some((content, sum)) = frame.split_last_chunk::<2>() else { return false };
    let (Some(address), Some(function)) = (content.first(), content.get(1)) else { return false };
    if *address != unit || CHECK.checksum(content) != u16::from_le_bytes(*sum) {
        return false;
    }
    match *function {
        1..=6 => content.len() == 6,
        15 | 16 => {
            content.get(6).is_some_and(|bytes| *bytes <= 246 && content.len() == usize::from(*bytes).saturating_add(7))
        }
        // Others are answered by an exception, whose code is the function's with the highest bit set.
        function => (1..0x80).contains(&function),
    }
}
