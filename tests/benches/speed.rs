//! How fast the logic goes on this computer:  cargo bench -p bedkeeper-tests --bench speed
//!
//! One module per subject; times are per call.

use divan::{Bencher, counter::ItemsCount};

#[path = "support/site.rs"]
mod site;

fn main() {
    divan::main();
}

/// The controller alone, two alternating tanks.
mod logic {
    use super::*;
    use bedkeeper::Input;

    /// Pulses that leave nothing to decide.
    #[divan::bench]
    fn quiet_pulses(bencher: Bencher<'_, '_>) {
        const PULSES: u32 = 1_000;
        bencher.counter(ItemsCount::new(PULSES)).with_inputs(site::serving).bench_refs(|site| {
            for _ in 0..PULSES {
                site.after(3_000, Input::Pulses { meter: 0, count: 1 });
            }
        });
    }

    /// One call that brings a thousand pulses.
    #[divan::bench]
    fn batch_of_pulses(bencher: Bencher<'_, '_>) {
        bencher
            .counter(ItemsCount::new(1_000u32))
            .with_inputs(site::serving)
            .bench_refs(|site| site.after(3_000_000, Input::Pulses { meter: 0, count: 1_000 }));
    }

    /// A call that decides, with nothing to be done.
    #[divan::bench]
    fn decision(bencher: Bencher<'_, '_>) {
        let opens = Input::Contact { contact: bedkeeper::contact::Contact::LowPressure, closed: false };
        bencher.with_inputs(site::serving).bench_refs(|site| site.after(3_000, opens));
    }

    /// A call that decides while a tank waits among eight blackout windows.
    #[divan::bench]
    fn decision_among_windows(bencher: Bencher<'_, '_>) {
        let opens = Input::Contact { contact: bedkeeper::contact::Contact::LowPressure, closed: false };
        bencher.with_inputs(site::waiting_among_windows).bench_refs(|site| site.after(3_000, opens));
    }
}
