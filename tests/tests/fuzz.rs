//! The fuzzer's targets with the inputs that it kept, whole and spoilt: a little of what `tests/fuzz` does for hours.
#![allow(missing_docs)]

use std::path::Path;

use bedkeeper_tests::fuzz::TARGETS;
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::Index;

/// A change of an input: bytes from one place on are taken out, and others put there.
type Edit = (Index, u8, Vec<u8>);

/// The inputs that are kept for a target, in the order of their names.
fn corpus(target: &str) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus").join(target);
    let files = std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let mut paths: Vec<_> = files.map(|file| file.unwrap().path()).collect();
    paths.sort();
    paths.iter().map(|path| std::fs::read(path).unwrap()).collect()
}

fn spoilt(mut input: Vec<u8>, edits: &[Edit]) -> Vec<u8> {
    for (place, out, put) in edits {
        let from = place.index(input.len() + 1);
        let to = input.len().min(from + usize::from(out % 8));
        input.splice(from..to, put.iter().copied());
    }
    input
}

fn edit() -> impl Strategy<Value = Edit> {
    let put = prop_oneof![
        2 => vec(any::<u8>(), 0..4),
        2 => "[0-9.,:;|#=\"\\[\\]\n -]{0,6}".prop_map(String::into_bytes),
        1 => vec(any::<u8>(), 0..40),
    ];
    (any::<Index>(), any::<u8>(), put)
}

/// S5, S6, S7, S11: what the fuzzer kept does no harm, its findings among it.
#[test]
fn what_was_kept_does_no_harm() {
    for (name, target) in TARGETS {
        let inputs = corpus(name);
        assert!(!inputs.is_empty(), "nothing is kept for {name}");
        for input in inputs {
            target(&input);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// S5, S6, S7, S11: neither do inputs made of those, nor any bytes.
    #[test]
    fn what_was_spoilt_does_no_harm(
        which in any::<[Index; 8]>(),
        edits in vec(edit(), 1..6),
        bytes in vec(any::<u8>(), 0..400),
    ) {
        for ((name, target), which) in TARGETS.iter().zip(which) {
            let inputs = corpus(name);
            target(&spoilt(inputs[which.index(inputs.len())].clone(), &edits));
            target(&bytes);
        }
    }
}
