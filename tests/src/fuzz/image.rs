//! Settings images, as a board is given them.

use bedkeeper::Settings;
use bedkeeper::image::{Image, MAX_BYTES, checksum};
use bedkeeper::settings::RawSettings;
use bedkeeper_runtime::power_up;

use super::Script;
use super::text::runs;

/// Bytes as the place of an image: as they are, or with the head and the checksum put right, so that a fuzzer comes past
/// them; the first byte says which.
///
/// # Panics
/// What is read does not come out again as it was, or settings that pass do not run.
pub fn image(bytes: &[u8]) {
    let mut script = Script(bytes);
    match script.byte() % 3 {
        0 => place(script.0),
        1 => {
            if let Some(image) = script.value::<Image>() {
                written(&image);
            }
        }
        _ => {
            if let Some(raw) = script.value::<RawSettings>() {
                written(&Image { name: Default::default(), note: Default::default(), raw });
            }
            // Settings are checked again when they are read from a store.
            if let Some(settings) = script.value::<Settings>() {
                assert_eq!(Settings::try_from(settings.raw().clone()).as_ref(), Ok(&settings));
                runs(settings);
            }
        }
    }
}

fn place(bytes: &[u8]) {
    let read = power_up::image(bytes);
    let chosen = power_up::settings(bytes, |_| Ok(()));
    match &read {
        Ok(image) => {
            let mut buffer = [0; MAX_BYTES];
            let again = image.encode(&mut buffer).expect("what was read can be written");
            assert_eq!(Image::decode(again).as_ref(), Ok(image));
        }
        Err(error) => assert!(chosen.is_err() && !error.to_string().is_empty()),
    }
    assert_eq!(checksum(bytes).is_ok(), Image::decode(bytes).is_ok());
    if let Ok(settings) = chosen {
        runs(settings);
    }
}

fn written(image: &Image) {
    let mut buffer = [0; MAX_BYTES];
    let Ok(bytes) = image.encode(&mut buffer) else { return };
    let length = bytes.len();
    assert_eq!(Image::decode(bytes).as_ref(), Ok(image));
    match image.settings() {
        Ok(settings) => {
            assert_eq!(power_up::settings(&buffer[..length], |_| Ok(())).as_ref(), Ok(&settings));
            runs(settings);
        }
        Err(faults) => {
            assert!(faults.count() > 0);
            for fault in faults.listed() {
                assert!(!fault.field.is_empty() && !fault.problem.slug().is_empty());
            }
            assert!(power_up::settings(&buffer[..length], |_| Ok(())).is_err());
        }
    }
}
