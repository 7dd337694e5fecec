//! How much water a profile takes a day.

use super::draws::MOST_ML_A_DAY;
use super::profile::Profile;

/// What a person says of it; at most one of these.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Size {
    /// Mean use of a day, mL.
    pub ml_a_day: Option<u64>,
    /// People who live, eat or learn there.
    pub people: Option<u32>,
    /// Rooms of a hotel.
    pub rooms: Option<u32>,
}

impl Size {
    /// The mean use of a day, mL, and in words what it comes from.
    ///
    /// # Errors
    /// Two sizes at once, one that does not fit the profile, or one out of range; in words.
    pub fn of(self, profile: Profile) -> Result<(u64, String), String> {
        let counted = profile.shape().counted;
        let given = [self.ml_a_day.is_some(), self.people.is_some(), self.rooms.is_some()];
        if given.iter().filter(|given| **given).count() > 1 {
            return Err("is sized twice: give one of litres a day, people, rooms".to_owned());
        }
        if let Some(ml) = self.ml_a_day {
            return match ml {
                1..=MOST_ML_A_DAY => Ok((ml, format!("{} L a day", ml as f64 / 1e3))),
                _ => Err("takes from 1 mL to 100 000 m3 a day".to_owned()),
            };
        }
        for (what, number) in [("people", self.people), ("rooms", self.rooms)] {
            let Some(number) = number else { continue };
            let counted = counted.filter(|counted| counted.what == what);
            let Some(counted) = counted else {
                let instead = profile.shape().counted.map_or("litres a day", |counted| counted.what);
                return Err(format!("is not sized by {what}: give {instead}"));
            };
            let ml = counted.ml_a_day.saturating_mul(u64::from(number));
            if number == 0 || ml > MOST_ML_A_DAY {
                return Err(format!("takes from 1 to {} {what}", MOST_ML_A_DAY / counted.ml_a_day));
            }
            return Ok((ml, words(number, what, counted.ml_a_day)));
        }
        let usual = profile.usual_ml_a_day();
        Ok((
            usual,
            counted.map_or_else(
                || format!("{} L a day", usual / 1_000),
                |counted| words(counted.usual, counted.what, counted.ml_a_day),
            ),
        ))
    }
}

fn words(number: u32, what: &str, ml_a_day: u64) -> String {
    let one = what.strip_suffix('s').unwrap_or("person");
    let what = if number == 1 { one } else { what };
    format!("{number} {what} of {:.0} L a day", ml_a_day as f64 / 1e3)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_fit_their_profile_or_are_refused() {
        let people = |people| Size { people: Some(people), ..Size::default() };
        let rooms = |rooms| Size { rooms: Some(rooms), ..Size::default() };
        assert_eq!(people(2).of(Profile::Household), Ok((443_650, "2 people of 222 L a day".to_owned())));
        assert_eq!(rooms(1).of(Profile::Hotel), Ok((250_000, "1 room of 250 L a day".to_owned())));
        assert_eq!(Size::default().of(Profile::Leak), Ok((1_080_000, "1080 L a day".to_owned())));
        assert!(people(2).of(Profile::Hotel).is_err_and(|why| why.contains("rooms")));
        assert!(rooms(2).of(Profile::Laundry).is_err_and(|why| why.contains("litres a day")));
        assert!(people(0).of(Profile::Household).is_err() && people(u32::MAX).of(Profile::School).is_err());
        assert!(Size { people: Some(1), ..rooms(1) }.of(Profile::Hotel).is_err());
        assert!(Size { ml_a_day: Some(0), ..Size::default() }.of(Profile::Hotel).is_err());
    }
}
