//! Commands that some controller of printers or mills knows, whatever it does with them.
//!
//! Source: the public wiki of self-replicating printers, page on G-code, and RS274/NGC, both from memory. What one
//! controller makes of them stands in the lists of the profile; here it only counts that a number is no slip.

use super::words::Command;

/// G commands.
const G: &[(u32, u32)] = &[(0, 99), (130, 132), (161, 162), (380, 380), (425, 425)];

/// M commands.
const M: &[(u32, u32)] = &[
    (0, 52),
    (60, 86),
    (92, 99),
    (101, 166),
    (190, 193),
    (200, 232),
    (240, 241),
    (245, 246),
    (250, 263),
    (280, 310),
    (320, 324),
    (340, 381),
    (400, 425),
    (428, 428),
    (450, 473),
    (482, 510),
    (524, 524),
    (530, 532),
    (540, 610),
    (615, 624),
    (650, 675),
    (700, 713),
    (749, 756),
    (771, 778),
    (800, 825),
    (851, 876),
    (900, 930),
    (950, 957),
    (970, 999),
    (1001, 1006),
];

/// Whether any controller is known to know it.
pub fn is_known(command: Command) -> bool {
    let list = match command.letter {
        b'G' => G,
        b'M' => M,
        _ => return true,
    };
    let number = command.tenths / 10;
    list.iter().any(|(first, last)| (*first..=*last).contains(&number))
}
