//! The first line through the house, as a timed conversation.
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing)]

mod support;

use bedkeeper::duty::DutyKind;
use support::*;

/// A2, S3: at the switching point the other tank takes over, then the spent one regenerates.
#[test]
fn a2_two_tanks_take_turns() {
    let mut site = Site::<2>::new(alternating());
    assert_eq!(site.duty(1), DutyKind::Serving);
    assert_eq!(site.duty(2), DutyKind::Ready);
    site.run_to(HOUR);
    site.draw(9_999, 1_000);
    site.hear();
    assert_eq!(site.duty(1), DutyKind::Serving);
    site.draw(1, 1_000);
    site.run_for(5 * MIN);
    for (at, e) in site.hear() {
        std::println!("{at} {e:?}");
    }
    assert_eq!(site.duty(1), DutyKind::Regenerating);
    assert_eq!(site.duty(2), DutyKind::Serving);
    site.run_for(3 * HOUR);
    for (at, e) in site.hear() {
        std::println!("{at} {e:?}");
    }
    assert_eq!(site.duty(1), DutyKind::Ready);
}
