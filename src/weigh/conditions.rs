//! Under which conditions a calibration holds.

use std::fmt;
use std::str::FromStr;

use serde::Serialize;

use crate::profile::Profile;

/// How granules get into the screw; a curve measured one way says nothing about the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum FeedMode {
    /// They fall in by their own weight.
    Gravity,
    /// Something pushes them: a crammer, a feeding screw, air.
    Forced,
}

impl FeedMode {
    /// Every mode with its word.
    pub const ALL: [(&'static str, Self); 2] = [("gravity", Self::Gravity), ("forced", Self::Forced)];
}

impl fmt::Display for FeedMode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Gravity => "gravity",
            Self::Forced => "forced",
        })
    }
}

/// What a calibration was measured with.
///
/// Written by `Display` as `date=2026-11-20; lot=2024-117; temperature_c=205; nozzle_mm=1.2; feed_mode=gravity`, which
/// stands at the start of the notes beside measured values, and read back by `parse`.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Conditions {
    /// Day of the weighing, year-month-day.
    pub date: String,
    /// Lot of the feedstock.
    pub lot: Option<String>,
    /// Temperature of the nozzle, °C.
    pub temperature_c: f64,
    /// Bore of the nozzle, mm.
    pub nozzle_mm: f64,
    /// How granules get into the screw.
    pub feed_mode: FeedMode,
}

/// Lengths and temperatures closer than this are the same as typed.
const SAME: f64 = 1e-6;
/// Temperatures further apart than this belong to different calibrations, K. Common practice, no source: heaters hold
/// a few kelvins, and melt of ten kelvins more is clearly thinner.
const TEMPERATURE_K: f64 = 5.0;

impl fmt::Display for Conditions {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "date={}", self.date)?;
        if let Some(lot) = &self.lot {
            write!(f, "; lot={lot}")?;
        }
        write!(f, "; temperature_c={}; nozzle_mm={}; feed_mode={}", self.temperature_c, self.nozzle_mm, self.feed_mode)
    }
}

/// A note that does not state all conditions.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the note does not state date, temperature, nozzle and way of feeding")]
pub struct NotStated;

impl FromStr for Conditions {
    type Err = NotStated;

    /// Reads the conditions out of a note; parts that are none of them are passed over.
    fn from_str(note: &str) -> Result<Self, NotStated> {
        let stated = |name: &str| {
            let mut parts = note.split(';').filter_map(|part| part.split_once('='));
            parts.find(|(key, _)| key.trim() == name).map(|(_, value)| value.trim())
        };
        let number = |name: &str| {
            let value = stated(name).and_then(|value| value.parse::<f64>().ok());
            value.filter(|value| value.is_finite()).ok_or(NotStated)
        };
        let mode = stated("feed_mode").ok_or(NotStated)?;
        Ok(Self {
            date: stated("date").ok_or(NotStated)?.to_owned(),
            lot: stated("lot").map(str::to_owned),
            temperature_c: number("temperature_c")?,
            nozzle_mm: number("nozzle_mm")?,
            feed_mode: FeedMode::ALL.iter().find(|(word, _)| *word == mode).map(|(_, mode)| *mode).ok_or(NotStated)?,
        })
    }
}

impl Conditions {
    /// Conditions stated in the note of the output in force; `None` if it has none.
    pub fn of_profile(profile: &Profile) -> Option<Self> {
        let keys = ["screw.specific_output_mm3_rev", "screw.output_curve"];
        keys.iter().filter(|key| profile.entry(key).is_some()).find_map(|key| profile.notes.get(*key)?.parse().ok())
    }

    /// Where a profile is set up for something else than was weighed, each in words; empty if nothing differs.
    ///
    /// Nozzle and lot are compared, and the temperature with the range of the feedstock. A lot that one of the two
    /// does not name is no difference.
    pub fn differences(&self, profile: &Profile) -> Vec<String> {
        let mut found = Vec::new();
        let nozzle = profile.nozzle.diameter_mm.value;
        if (self.nozzle_mm - nozzle).abs() > SAME {
            found.push(format!("weighed with a nozzle of {} mm, the profile has {nozzle} mm", self.nozzle_mm));
        }
        let feedstock = &profile.feedstock;
        if let (Some(weighed), Some(set)) = (&self.lot, &feedstock.lot.value)
            && weighed != set
        {
            found.push(format!("weighed with lot {weighed}, the profile names lot {set}"));
        }
        let (least, most) = (feedstock.nozzle_temperature_min_c.value, feedstock.nozzle_temperature_max_c.value);
        if self.temperature_c < least || self.temperature_c > most {
            found.push(format!(
                "weighed at {} °C, the profile's feedstock is printed at {least} to {most} °C",
                self.temperature_c
            ));
        }
        found
    }

    /// Where two calibrations were measured under different conditions, each in words; the date does not count.
    pub fn differences_from(&self, earlier: &Self) -> Vec<String> {
        let mut found = Vec::new();
        if self.feed_mode != earlier.feed_mode {
            found.push(format!("{} feed, before {} feed", self.feed_mode, earlier.feed_mode));
        }
        if (self.nozzle_mm - earlier.nozzle_mm).abs() > SAME {
            found.push(format!("nozzle of {} mm, before {} mm", self.nozzle_mm, earlier.nozzle_mm));
        }
        if let (Some(now), Some(before)) = (&self.lot, &earlier.lot)
            && now != before
        {
            found.push(format!("lot {now}, before lot {before}"));
        }
        if (self.temperature_c - earlier.temperature_c).abs() > TEMPERATURE_K {
            found.push(format!("{} °C, before {} °C", self.temperature_c, earlier.temperature_c));
        }
        found
    }
}

/// Where a profile has left the conditions its own calibration was measured under, each in words: another nozzle, lot
/// or temperature than stands in the notes of its output and its melt lag, or these two weighed under different
/// conditions. Empty if nothing differs or no note states conditions.
pub fn stale(profile: &Profile) -> Vec<String> {
    let output = Conditions::of_profile(profile);
    let lag: Option<Conditions> = profile.notes.get("screw.melt_lag_s").and_then(|note| note.parse().ok());
    let mut found = output.as_ref().map_or_else(Vec::new, |weighed| weighed.differences(profile));
    let Some(lag) = lag else { return found };
    match output {
        None => found.extend(lag.differences(profile).into_iter().map(|words| format!("melt lag: {words}"))),
        // Where both were weighed alike, what is said of one holds for the other.
        Some(output) => {
            let apart = lag.differences_from(&output).into_iter();
            found.extend(apart.map(|words| format!("melt lag and output were weighed apart: {words}")));
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pads() -> Conditions {
        Conditions {
            date: "2026-11-20".to_owned(),
            lot: Some("2024-117".to_owned()),
            temperature_c: 205.0,
            nozzle_mm: 1.2,
            feed_mode: FeedMode::Gravity,
        }
    }

    fn profile(text: &str) -> Profile {
        Profile::load(text, "shop.toml").expect("a sound profile")
    }

    #[test]
    fn written_and_read_back() {
        let mut conditions = pads();
        assert_eq!(conditions.to_string().parse(), Ok(conditions.clone()));
        conditions.lot = None;
        conditions.feed_mode = FeedMode::Forced;
        assert_eq!(format!("{conditions}; 15 weighings, by = hand").parse(), Ok(conditions));
        for note in ["", "20 turns at 60 rpm", "date=2026-11-20; temperature_c=hot; nozzle_mm=1; feed_mode=gravity"] {
            assert_eq!(note.parse::<Conditions>(), Err(NotStated), "{note}");
        }
    }

    #[test]
    fn differences_are_told_in_words() {
        let same = profile("[nozzle]\ndiameter_mm = 1.2\n[feedstock]\nlot = \"2024-117\"\n");
        assert!(pads().differences(&same).is_empty());
        let other = profile("[feedstock]\nlot = \"2024-118\"\nnozzle_temperature_max_c = 200\n");
        assert_eq!(
            pads().differences(&other),
            [
                "weighed with a nozzle of 1.2 mm, the profile has 1 mm",
                "weighed with lot 2024-117, the profile names lot 2024-118",
                "weighed at 205 °C, the profile's feedstock is printed at 190 to 200 °C",
            ]
        );
        let mut now = pads();
        assert!(now.differences_from(&pads()).is_empty());
        now = Conditions { feed_mode: FeedMode::Forced, temperature_c: 211.0, nozzle_mm: 1.0, lot: None, ..now };
        assert_eq!(
            now.differences_from(&pads()),
            ["forced feed, before gravity feed", "nozzle of 1 mm, before 1.2 mm", "211 °C, before 205 °C"]
        );
    }

    #[test]
    fn a_profile_knows_when_its_calibration_is_stale() {
        let stated = |nozzle: &str| {
            let value = format!("{{ value = 21.0, provenance = \"measured\", note = \"{}; 15 weighings\" }}", pads());
            profile(&format!("[screw]\nspecific_output_mm3_rev = {value}\n[nozzle]\ndiameter_mm = {nozzle}\n"))
        };
        assert!(stale(&stated("1.2")).is_empty());
        assert_eq!(stale(&stated("2.0")), ["weighed with a nozzle of 1.2 mm, the profile has 2 mm"]);
        assert!(stale(&Profile::embedded()).is_empty());
        let lag = |conditions: &Conditions, output: &str| {
            let value = format!("{{ value = 0.5, provenance = \"measured\", note = \"{conditions}; 20 stops\" }}");
            profile(&format!("[screw]\nmelt_lag_s = {value}\n{output}[nozzle]\ndiameter_mm = 1.2\n"))
        };
        let output = format!("specific_output_mm3_rev = {{ value = 21.0, note = \"{}\" }}\n", pads());
        assert!(stale(&lag(&pads(), &output)).is_empty());
        let forced = Conditions { feed_mode: FeedMode::Forced, ..pads() };
        assert_eq!(
            stale(&lag(&forced, &output)),
            ["melt lag and output were weighed apart: forced feed, before gravity feed"]
        );
        let other = Conditions { nozzle_mm: 2.0, ..pads() };
        assert_eq!(stale(&lag(&other, "")), ["melt lag: weighed with a nozzle of 2 mm, the profile has 1.2 mm"]);
    }
}
