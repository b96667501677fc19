//! The profile in force, written out.

use super::form::text_literal;
use super::keys::{KEYS, Key};
use super::load::DEFAULT;
use super::{Origin, Profile, Provenance};

/// One value of the profile in force.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Full name, `section.key`.
    pub key: &'static str,
    /// The value as TOML text.
    pub value: String,
    /// Measured or assumed.
    pub provenance: Provenance,
    /// Where it was set.
    pub origin: Origin,
    /// Note written beside it.
    pub note: Option<String>,
}

impl Entry {
    /// Section and key.
    fn parts(&self) -> (&'static str, &'static str) {
        self.key.split_once('.').unwrap_or(("", self.key))
    }

    /// The line of this value in its section of a profile, `key = value`.
    pub fn line(&self) -> String {
        format!("{} = {}", self.parts().1, self.stated())
    }

    /// The right-hand side in a profile: bare, or a table where provenance or note would be lost.
    fn stated(&self) -> String {
        if self.provenance == Provenance::Assumed && self.note.is_none() {
            return self.value.clone();
        }
        let note = self.note.as_deref().map_or_else(String::new, |note| format!(", note = {}", text_literal(note)));
        format!("{{ value = {}, provenance = \"{}\"{note} }}", self.value, self.provenance)
    }
}

impl Profile {
    fn entry_of(&self, key: &Key) -> Option<Entry> {
        let stated = (key.get)(self)?;
        Some(Entry {
            key: key.name,
            value: stated.value,
            provenance: stated.provenance,
            origin: stated.origin,
            note: self.notes.get(key.name).cloned(),
        })
    }

    /// Every value in force, in a fixed order. Of keys that exclude each other only the one in use is listed.
    pub fn entries(&self) -> Vec<Entry> {
        KEYS.iter().filter_map(|key| self.entry_of(key)).collect()
    }

    /// The value in force of a key such as `screw.melt_lag_s`; `None` if there is no such key or another one is
    /// in use in its place.
    pub fn entry(&self, key: &str) -> Option<Entry> {
        Key::find(key).and_then(|key| self.entry_of(key))
    }

    /// What a key means, with its unit; `None` if there is no such key.
    pub fn meaning(key: &str) -> Option<&'static str> {
        Key::find(key).map(|key| key.about)
    }

    /// The profile in force as TOML, provenance and origin in comments. Reads back to the same values.
    pub fn show(&self) -> String {
        const WIDEST: usize = 64;
        let entries = self.entries();
        let lines: Vec<String> = entries.iter().map(Entry::line).collect();
        let widths = lines.iter().map(|line| line.chars().count());
        // Lines longer than most do not push the comments of all others out of sight.
        let column = widths.filter(|width| *width <= WIDEST).max().unwrap_or(0);
        let mut text = String::new();
        let mut section = "";
        for (entry, line) in entries.iter().zip(&lines) {
            if entry.parts().0 != section {
                let gap = if section.is_empty() { "" } else { "\n" };
                section = entry.parts().0;
                text.push_str(&format!("{gap}[{section}]\n"));
            }
            text.push_str(&format!("{line:column$}  # {}, {}\n", entry.provenance, entry.origin));
        }
        text
    }

    /// An annotated profile to start from: the embedded defaults.
    pub const fn template() -> &'static str {
        DEFAULT
    }

    /// Eight hexadecimal digits that tell profiles with different values apart. Provenance, origin and notes do
    /// not count.
    ///
    /// FNV-1a over the bytes of `key=value` lines, 64 bits, folded to 32 by exclusive or. Same on every machine.
    pub fn fingerprint(&self) -> String {
        const OFFSET: u64 = 0xcbf2_9ce4_8422_2325;
        const PRIME: u64 = 0x0000_0100_0000_01b3;
        let mut hash = OFFSET;
        for entry in self.entries() {
            for byte in [entry.key, "=", &entry.value, "\n"].iter().flat_map(|part| part.bytes()) {
                hash = (hash ^ u64::from(byte)).wrapping_mul(PRIME);
            }
        }
        format!("{:08x}", (hash >> 32) ^ (hash & 0xffff_ffff))
    }
}
