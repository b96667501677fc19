//! The words of one line, sorted by letter.

use crate::line::Word;

/// Most commands looked at in one line.
const MAX_COMMANDS: usize = 8;

/// A G or M command: letter, and number in tenths (`G92.1` is 921).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Command {
    /// `G` or `M`.
    pub letter: u8,
    /// Number in tenths.
    pub tenths: u32,
}

impl Command {
    /// The command of a letter and a number.
    pub fn new(letter: u8, value: f64) -> Self {
        Self { letter, tenths: tenths(value) }
    }
}

/// Values by letter. Filled anew for each line; only the bit sets are cleared.
#[derive(Clone, Debug)]
pub struct Words {
    values: [f64; 26],
    places: [u16; 26],
    with_number: u32,
    bare: u32,
    twice: u32,
    commands: [Command; MAX_COMMANDS],
    command_count: usize,
}

const fn bit(letter: u8) -> u32 {
    1 << (letter.wrapping_sub(b'A') & 31)
}

impl Default for Words {
    fn default() -> Self {
        Self {
            values: [0.0; 26],
            places: [0; 26],
            with_number: 0,
            bare: 0,
            twice: 0,
            commands: [Command { letter: b'G', tenths: 0 }; MAX_COMMANDS],
            command_count: 0,
        }
    }
}

impl Words {
    /// Sorts the words of a line.
    pub fn fill(&mut self, words: &[Word]) {
        self.with_number = 0;
        self.bare = 0;
        self.twice = 0;
        self.command_count = 0;
        for (place, word) in words.iter().enumerate() {
            if matches!(word.letter, b'G' | b'M') {
                if word.has_number() && self.command_count < MAX_COMMANDS {
                    self.commands[self.command_count] = Command::new(word.letter, word.value);
                    self.command_count += 1;
                }
                continue;
            }
            let bit = bit(word.letter);
            if !word.has_number() {
                self.bare |= bit;
                continue;
            }
            self.twice |= self.with_number & bit;
            self.with_number |= bit;
            if let Some(slot) = self.values.get_mut(usize::from(word.letter.wrapping_sub(b'A'))) {
                *slot = word.value;
                // A line has fewer words than that.
                self.places[usize::from(word.letter - b'A')] = place as u16;
            }
        }
    }

    /// The commands of the line, in order.
    pub fn commands(&self) -> &[Command] {
        &self.commands[..self.command_count]
    }

    /// The number after a letter (the last, if the letter stands twice).
    pub fn get(&self, letter: u8) -> Option<f64> {
        self.has(bit(letter)).then(|| self.values[usize::from(letter.wrapping_sub(b'A')) % 26])
    }

    /// Index of a letter's word among the words of the line.
    pub fn place(&self, letter: u8) -> Option<usize> {
        let place = self.places[usize::from(letter.wrapping_sub(b'A')) % 26];
        self.has(bit(letter)).then_some(usize::from(place))
    }

    fn has(&self, bits: u32) -> bool {
        self.with_number & bits != 0
    }

    /// Whether any of these letters has a number.
    pub fn has_any(&self, letters: &[u8]) -> bool {
        self.has(letters.iter().fold(0, |bits, &l| bits | bit(l)))
    }

    /// Whether a letter stands there, with or without a number.
    pub fn mentions(&self, letter: u8) -> bool {
        (self.with_number | self.bare) & bit(letter) != 0
    }

    /// The first of these letters that stands without a number.
    pub fn bare_among(&self, letters: &[u8]) -> Option<u8> {
        if self.bare == 0 {
            return None;
        }
        letters.iter().copied().find(|&l| self.bare & bit(l) != 0)
    }

    /// Whether any of these letters stands twice.
    pub fn twice_among(&self, letters: &[u8]) -> bool {
        self.twice != 0 && letters.iter().any(|&l| self.twice & bit(l) != 0)
    }

    /// Whether there is no word besides commands but that of a letter, if any.
    pub fn has_only(&self, letter: u8) -> bool {
        (self.with_number | self.bare) & !bit(letter) == 0
    }

    /// Whether there are no words besides commands.
    pub fn is_bare_command(&self) -> bool {
        self.with_number | self.bare == 0
    }
}

fn tenths(value: f64) -> u32 {
    let tenths = value * 10.0 + 0.5;
    if (0.0..1e8).contains(&tenths) { tenths as u32 } else { u32::MAX }
}
