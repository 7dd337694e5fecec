//! A curve of constant memory: however long the recording, at most a stated number of points.

/// Buckets a curve holds unless told otherwise: finer than a screen is wide, small enough for a page.
pub const DEFAULT_CURVE_CAPACITY: usize = 4096;

/// What a curve did within one bucket of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bucket {
    /// Where the bucket begins, ms: a multiple of the curve's bucket width.
    pub from_ms: u64,
    /// Lowest value pushed in it.
    pub min: f64,
    /// Highest value pushed in it.
    pub max: f64,
    /// Value pushed last in it: it holds until the next bucket.
    pub last: f64,
}

/// A series of values over time, thinned while it is recorded.
///
/// Each bucket keeps the lowest, highest and last value pushed within its width. When a push would need
/// more than `capacity` buckets the width doubles and neighbours merge, so that memory does not grow with
/// the recording and no extreme is ever lost.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    capacity: usize,
    /// The bucket width is 2 to this power, in ms.
    width_log2: u32,
    buckets: Vec<Bucket>,
}

impl Default for Curve {
    fn default() -> Self {
        Self::new(DEFAULT_CURVE_CAPACITY)
    }
}

impl Curve {
    /// An empty curve of at most `capacity` buckets (2 at least), of 1 ms each to begin with.
    #[must_use]
    pub fn new(capacity: usize) -> Self {
        Self { capacity: capacity.max(2), width_log2: 0, buckets: Vec::new() }
    }

    /// Adds a value that holds from `at_ms` on.
    ///
    /// A time earlier than the last bucket's counts as in that bucket. A value that is not finite has no
    /// place on a curve and is left out.
    pub fn push(&mut self, at_ms: u64, value: f64) {
        if !value.is_finite() {
            return;
        }
        loop {
            let from_ms = floor_to_multiple(at_ms, self.width_log2);
            let full = self.buckets.len() >= self.capacity;
            match self.buckets.last_mut() {
                Some(bucket) if from_ms <= bucket.from_ms => {
                    bucket.min = bucket.min.min(value);
                    bucket.max = bucket.max.max(value);
                    bucket.last = value;
                    return;
                }
                _ if !full => {
                    self.buckets.push(Bucket { from_ms, min: value, max: value, last: value });
                    return;
                }
                // Ends at the latest at a width of 2^63 ms, where two buckets cover all of time.
                _ => self.widen(),
            }
        }
    }

    /// The buckets, in order of time. There are gaps where nothing was pushed.
    #[must_use]
    pub fn buckets(&self) -> &[Bucket] {
        &self.buckets
    }

    /// The present width of a bucket, ms.
    #[must_use]
    pub fn bucket_width_ms(&self) -> u64 {
        1 << self.width_log2
    }

    /// Most buckets this curve ever holds.
    #[must_use]
    pub fn capacity(&self) -> usize {
        self.capacity
    }

    /// Lowest and highest value ever pushed; `None` while empty.
    #[must_use]
    pub fn extremes(&self) -> Option<(f64, f64)> {
        self.buckets
            .iter()
            .map(|bucket| (bucket.min, bucket.max))
            .reduce(|(low, high), (min, max)| (low.min(min), high.max(max)))
    }

    /// Doubles the bucket width and merges what now falls together.
    fn widen(&mut self) {
        self.width_log2 += 1;
        let width_log2 = self.width_log2;
        for bucket in &mut self.buckets {
            bucket.from_ms = floor_to_multiple(bucket.from_ms, width_log2);
        }
        self.buckets.dedup_by(|later, earlier| {
            let together = later.from_ms == earlier.from_ms;
            if together {
                earlier.min = earlier.min.min(later.min);
                earlier.max = earlier.max.max(later.max);
                earlier.last = later.last;
            }
            together
        });
    }
}

/// The greatest multiple of 2^`width_log2` that is not above `at_ms`.
fn floor_to_multiple(at_ms: u64, width_log2: u32) -> u64 {
    (at_ms >> width_log2) << width_log2
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn keeps_every_value_while_there_is_room() {
        let mut curve = Curve::new(4);
        for (at_ms, value) in [(0, 1.0), (5, -2.0), (5, 3.0), (9, 0.5)] {
            curve.push(at_ms, value);
        }
        let seen: Vec<_> = curve.buckets().iter().map(|b| (b.from_ms, b.min, b.max, b.last)).collect();
        assert_eq!(seen, [(0, 1.0, 1.0, 1.0), (5, -2.0, 3.0, 3.0), (9, 0.5, 0.5, 0.5)]);
        assert_eq!(curve.bucket_width_ms(), 1);
    }

    #[test]
    fn widens_by_doubling_and_merges_neighbours() {
        let mut curve = Curve::new(2);
        for at_ms in 0..4 {
            curve.push(at_ms, at_ms as f64);
        }
        assert_eq!(curve.bucket_width_ms(), 2);
        assert_eq!(
            curve.buckets(),
            [
                Bucket { from_ms: 0, min: 0.0, max: 1.0, last: 1.0 },
                Bucket { from_ms: 2, min: 2.0, max: 3.0, last: 3.0 },
            ]
        );
    }

    #[test]
    fn the_whole_range_of_time_fits_the_smallest_curve() {
        let mut curve = Curve::new(0);
        for at_ms in [0, 1, 2, u64::MAX - 1, u64::MAX] {
            curve.push(at_ms, 1.0);
        }
        assert_eq!(curve.capacity(), 2);
        assert_eq!(curve.buckets().len(), 2);
    }

    #[test]
    fn values_that_are_no_numbers_leave_no_trace() {
        let mut curve = Curve::new(2);
        curve.push(0, f64::NAN);
        curve.push(1, f64::INFINITY);
        assert_eq!(curve, Curve::new(2));
        assert_eq!(curve.extremes(), None);
    }

    #[test]
    fn a_time_that_goes_back_lands_in_the_last_bucket() {
        let mut curve = Curve::new(4);
        curve.push(10, 1.0);
        curve.push(3, 7.0);
        assert_eq!(curve.buckets(), [Bucket { from_ms: 10, min: 1.0, max: 7.0, last: 7.0 }]);
    }

    proptest! {
        #[test]
        fn extremes_and_last_survive_any_thinning(
            capacity in 0usize..40,
            pushes in proptest::collection::vec((0u64..100_000_000, -1e6f64..1e6), 1..400),
        ) {
            let mut curve = Curve::new(capacity);
            let mut at_ms = 0;
            for (gap_ms, value) in &pushes {
                at_ms += gap_ms;
                curve.push(at_ms, *value);
            }
            prop_assert!(curve.buckets().len() <= curve.capacity());
            let low = pushes.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
            let high = pushes.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max);
            prop_assert_eq!(curve.extremes(), Some((low, high)));
            prop_assert_eq!(curve.buckets().last().map(|b| b.last), pushes.last().map(|p| p.1));
            for pair in curve.buckets().windows(2) {
                prop_assert!(pair[0].from_ms < pair[1].from_ms);
            }
            for bucket in curve.buckets() {
                prop_assert_eq!(bucket.from_ms % curve.bucket_width_ms(), 0);
                prop_assert!(bucket.min <= bucket.last && bucket.last <= bucket.max);
            }
        }

        #[test]
        fn every_value_lies_within_the_bucket_of_its_time(
            pushes in proptest::collection::vec((0u64..1_000_000, -1e3f64..1e3), 1..200),
        ) {
            let mut curve = Curve::new(8);
            let mut at_ms = 0;
            let mut placed = Vec::new();
            for (gap_ms, value) in pushes {
                at_ms += gap_ms;
                curve.push(at_ms, value);
                placed.push((at_ms, value));
            }
            let width_ms = curve.bucket_width_ms();
            for (at_ms, value) in placed {
                let holding = curve.buckets().iter().find(|b| b.from_ms == at_ms - at_ms % width_ms);
                prop_assert!(holding.is_some_and(|b| b.min <= value && value <= b.max));
            }
        }
    }
}
