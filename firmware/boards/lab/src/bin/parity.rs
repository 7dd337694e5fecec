//! Makes every call again that the host wrote down, and prints what the logic said, a line for each run: its name, the
//! number of calls, the digests of answers and of records. The file is `calls.bin` in the folder where the emulator
//! runs, and is read through semihosting; `bedkeeper_tests::parity` tells its form.
#![cfg_attr(target_os = "none", no_std, no_main)]

#[cfg(target_os = "none")]
mod image {
    use core::fmt::Write;

    use bedkeeper::calls::{Call, LONGEST_CALL_BYTES, Player};
    use cortex_m_semihosting::{debug, hio, syscall};

    #[panic_handler]
    fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
        loop {
            debug::exit(debug::EXIT_FAILURE);
        }
    }

    const LONGEST_NAME: usize = 256;
    const BUFFER: usize = 65_536;

    /// A file of the host, read piece by piece.
    struct HostFile {
        handle: usize,
        buffer: [u8; BUFFER],
        from: usize,
        to: usize,
    }

    impl HostFile {
        /// Opens a file for reading; `name` ends in a zero.
        fn open(name: &'static [u8]) -> Option<Self> {
            const READ_BINARY: usize = 1;
            // SAFETY: the name lives for ever and its length is told without its last zero.
            let handle = unsafe { syscall!(OPEN, name.as_ptr(), READ_BINARY, name.len() - 1) };
            (handle != usize::MAX).then_some(Self { handle, buffer: [0; BUFFER], from: 0, to: 0 })
        }

        fn fill(&mut self) {
            // SAFETY: the buffer is ours and as long as is told; the host writes no further.
            let left = unsafe { syscall!(READ, self.handle, self.buffer.as_mut_ptr(), BUFFER) };
            self.from = 0;
            self.to = BUFFER.saturating_sub(left);
        }

        /// Reads exactly so many bytes; `None` if the file ends before.
        fn read(&mut self, bytes: &mut [u8]) -> Option<()> {
            for byte in bytes {
                if self.from == self.to {
                    self.fill();
                }
                *byte = *self.buffer.get(self.from..self.to)?.first()?;
                self.from += 1;
            }
            Some(())
        }

        fn length(&mut self) -> Option<usize> {
            let mut bytes = [0; 2];
            self.read(&mut bytes)?;
            Some(usize::from(u16::from_le_bytes(bytes)))
        }
    }

    /// Makes every run; `None` if the file is not whole.
    fn play(out: &mut impl Write) -> Option<()> {
        let mut file = HostFile::open(b"calls.bin\0")?;
        let mut name = [0; LONGEST_NAME];
        let mut bytes = [0; LONGEST_CALL_BYTES];
        loop {
            let length = file.length()?;
            if length == 0 {
                return Some(());
            }
            let name = name.get_mut(..length)?;
            file.read(name)?;
            let name = core::str::from_utf8(name).ok()?;
            let mut player = Player::<8>::new();
            loop {
                let length = file.length()?;
                if length == 0 {
                    break;
                }
                let bytes = bytes.get_mut(..length)?;
                file.read(bytes)?;
                player.make(postcard::from_bytes::<Call>(bytes).ok()?);
            }
            let (calls, answers, records) = player.said().figures();
            writeln!(out, "{name} {calls} {answers:016x} {records:016x}").ok()?;
        }
    }

    #[cortex_m_rt::entry]
    fn main() -> ! {
        let Ok(mut out) = hio::hstdout() else { panic!() };
        let whole = play(&mut out).is_some();
        loop {
            debug::exit(if whole { debug::EXIT_SUCCESS } else { debug::EXIT_FAILURE });
        }
    }
}

#[cfg(not(target_os = "none"))]
fn main() {
    // On a host the example `parity` of the tests makes the calls again itself.
}
