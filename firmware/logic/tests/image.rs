//! Settings images: read whole as they were written, or refused with the reason (S11, O4).
#![allow(missing_docs, clippy::unwrap_used, clippy::arithmetic_side_effects, clippy::indexing_slicing, clippy::panic)]

mod support;

use bedkeeper::image::{Image, ImageError, MAX_BYTES, SiteName, SiteNote, VERSION, checksum};
use proptest::prelude::*;
use support::*;

fn image() -> Image {
    let mut raw = alternating();
    raw.backup_days = 4;
    Image {
        name: SiteName::try_from("Invented").unwrap(),
        note: SiteNote::try_from("Nobody to call; no shut-off to find.").unwrap(),
        raw,
    }
}

fn encoded(image: &Image) -> Vec<u8> {
    image.encode(&mut [0; MAX_BYTES]).unwrap().to_vec()
}

/// O4: what was written is read, to the last field, and its settings pass.
#[test]
fn an_image_reads_back_whole() {
    let bytes = encoded(&image());
    println!("{} bytes", bytes.len());
    assert_eq!(Image::decode(&bytes), Ok(image()));
    assert!(image().settings().is_ok());
    let mut other = image();
    other.raw.backup_days = 5;
    assert_ne!(checksum(&bytes), checksum(&encoded(&other)));
}

/// S11: no cut, no added byte and no flipped bit passes for an image.
#[test]
fn s11_a_damaged_image_is_refused() {
    let bytes = encoded(&image());
    for end in 0..bytes.len() {
        let found = Image::decode(&bytes[..end]);
        assert!(matches!(found, Err(ImageError::NotAnImage | ImageError::WrongLength)), "{end}: {found:?}");
    }
    let longer = [bytes.clone(), vec![0]].concat();
    assert_eq!(Image::decode(&longer), Err(ImageError::WrongLength));
    for bit in 0..bytes.len() * 8 {
        let mut damaged = bytes.clone();
        damaged[bit / 8] ^= 1 << (bit % 8);
        assert!(Image::decode(&damaged).is_err(), "bit {bit}");
    }
}

/// S11: a later version is refused by its number, before anything of it is read.
#[test]
fn s11_a_newer_version_is_refused_with_the_reason() {
    let mut bytes = encoded(&image());
    bytes[4] = 9;
    assert_eq!(Image::decode(&bytes), Err(ImageError::NewerVersion { found: 9 }));
    assert!(ImageError::NewerVersion { found: 9 }.to_string().contains("version 9"));
    bytes[4] = 0;
    assert_eq!(Image::decode(&bytes), Err(ImageError::OlderVersion { found: 0 }));
    assert_eq!(u16::from_le_bytes([encoded(&image())[4], encoded(&image())[5]]), VERSION);
}

/// S11: an image whose settings have faults is read, and its settings are refused by field.
#[test]
fn s11_the_settings_of_an_image_are_checked_whole() {
    let mut bad = image();
    bad.raw.tanks = 1;
    let read = Image::decode(&encoded(&bad)).unwrap();
    assert_eq!(read.settings().unwrap_err().listed()[0].field, "tanks");
}

#[test]
fn too_little_room_is_said() {
    assert_eq!(image().encode(&mut [0; 40]), Err(ImageError::TooLarge));
    assert_eq!(image().encode(&mut []), Err(ImageError::TooLarge));
}

proptest! {
    /// S11: no bytes make it panic.
    #[test]
    fn s11_no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..600)) {
        let _ = Image::decode(&bytes);
        let mut framed = encoded(&image());
        for (place, byte) in framed.iter_mut().skip(8).zip(&bytes) {
            *place ^= byte;
        }
        prop_assert!(Image::decode(&framed).is_err() || bytes.iter().take(framed.len() - 8).all(|b| *b == 0));
    }
}
