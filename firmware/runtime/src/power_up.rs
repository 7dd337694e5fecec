//! Power comes: which settings run (S11), and what is taken up from the store (S10, T3).

use bedkeeper::calendar::Civil;
use bedkeeper::controller::TooManyTanks;
use bedkeeper::image::{Image, ImageError};
use bedkeeper::retain::Retained;
use bedkeeper::settings::Faults;
use bedkeeper::units::Instant;
use bedkeeper::{Controller, Settings};
use embedded_storage::nor_flash::NorFlash;

use crate::plant::NotWired;
use crate::store::Log;

/// Why the settings image of a board does not run.
#[derive(Clone, Debug, PartialEq, Eq)]
#[allow(clippy::large_enum_variant, reason = "there is one, for a moment, and every fault is listed")]
pub enum Rejected {
    /// The place where it belongs is blank: the board has never been given one.
    Blank,
    /// It is no image that can be read.
    Image(ImageError),
    /// Its settings do not pass their check.
    Settings(Faults),
    /// They pass, and this board has not what they need.
    NotWired(NotWired),
}

/// What runs, and why that is not what was given.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chosen {
    /// The settings that run.
    pub settings: Settings,
    /// Why the settings that were given do not: the last good set runs, else the baseline (S11).
    pub rejected: Option<Rejected>,
}

/// Chooses between the image in its place, the last good one that was kept, and the baseline (S11).
///
/// An image that runs is kept. Where that fails it runs all the same, and is kept the next time.
pub fn choose<F: NorFlash, const B: usize>(
    place: &[u8],
    kept: &mut Log<F, B>,
    mut fits: impl FnMut(&Settings) -> Result<(), NotWired>,
) -> Chosen {
    match settings(place, &mut fits) {
        Ok(settings) => {
            let image = whole(place);
            if !matches!(kept.latest(), Ok(Some(bytes)) if bytes == image) {
                let _ = kept.append(image);
            }
            Chosen { settings, rejected: None }
        }
        Err(why) => {
            let last = kept.latest().ok().flatten().and_then(|bytes| settings(bytes, &mut fits).ok());
            Chosen { settings: last.unwrap_or_else(Settings::baseline), rejected: Some(why) }
        }
    }
}

/// Reads the settings image from the bytes of its place in flash; what follows the image is not looked at.
///
/// `fits` says whether the board has what the settings need.
///
/// # Errors
/// Why the baseline must run instead.
#[allow(clippy::result_large_err, reason = "every fault is listed")]
pub fn settings(place: &[u8], fits: impl FnOnce(&Settings) -> Result<(), NotWired>) -> Result<Settings, Rejected> {
    if place.iter().take(8).all(|byte| *byte == 0xff) {
        return Err(Rejected::Blank);
    }
    let image = image(place).map_err(Rejected::Image)?;
    let settings = image.settings().map_err(Rejected::Settings)?;
    fits(&settings).map_err(Rejected::NotWired)?;
    Ok(settings)
}

/// Reads the image at the front of its place, whatever its settings say; what follows it is not looked at.
///
/// # Errors
/// It cannot be read.
pub fn image(place: &[u8]) -> Result<Image, ImageError> {
    Image::decode(whole(place))
}

/// The image at the front of its place, by the length it states.
fn whole(place: &[u8]) -> &[u8] {
    let stated = place.get(6..8).and_then(|bytes| bytes.try_into().ok()).map_or(0, u16::from_le_bytes);
    place.get(..usize::from(stated).saturating_add(12)).unwrap_or(place)
}

/// What the store holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stored<'s> {
    /// Nothing was ever written: a new plant.
    Never,
    /// Something was, and none of it can be read.
    Lost,
    /// The latest record.
    Bytes(&'s [u8]),
}

/// Takes up the plant where power left it, and says at which instant.
///
/// Where the stored state is of another plant or cannot be read, every bed counts as spent (S10).
///
/// # Errors
/// The settings have more than `N` tanks.
pub fn controller<const N: usize>(
    settings: &Settings,
    stored: Stored<'_>,
    civil: Option<Civil>,
) -> Result<(Controller<N>, Instant), TooManyTanks> {
    let start = Instant::from_ticks(0);
    let lost = || Ok((Controller::after_loss(start, settings.clone())?, start));
    let bytes = match stored {
        Stored::Never => return Ok((Controller::new(start, settings.clone())?, start)),
        Stored::Lost => return lost(),
        Stored::Bytes(bytes) => bytes,
    };
    let Ok(retained) = Retained::<N>::decode(bytes) else { return lost() };
    let off_for = retained.off_for(civil);
    let now = retained.resumes_at(off_for);
    match Controller::restore(now, settings.clone(), &retained, off_for) {
        Ok(controller) => Ok((controller, now)),
        Err(_) => lost(),
    }
}
