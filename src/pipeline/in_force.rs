//! Limits of motion that the output sets over those of the file, and the words that set them and put them back.
//!
//! What a macro does is not to crawl: before a command that the program writes itself, the file's own limits are in
//! force, and behind it what was set over them again.

use super::drive::LinesBefore;
use super::edits::{accel_word, accels_put_back};
use crate::line::number::write_fixed;
use crate::motion::rules::{Held, MotionRules};
use crate::moves::limits::MotionLimits;
use crate::moves::named::RIGHT_ANGLE_SPEED;
use crate::passes::corners::CornerWord;
use crate::passes::soft::{Words, plane_accels};
use crate::profile::{AccelWords, Corner, Profile};

/// Decimals of a corner rule: as many as a file or a profile may have put there.
const CORNER_DECIMALS: u8 = 5;

/// Follows what is in force in the output.
#[derive(Clone, Debug)]
pub struct InForce {
    words: AccelWords,
    base: MotionRules,
    /// With what the file has set so far.
    file: MotionRules,
    /// What was set over the file's accelerations of beads and of travels, mm/s².
    accels: [Option<f64>; 2],
    held: Held,
    /// Lines with accelerations that were written.
    pub accels_written: u64,
    /// Lines with corner rules.
    pub corners_written: u64,
}

/// Accelerations of beads and of travels that were set over the file's at one place, mm/s².
#[derive(Clone, Copy, Debug)]
pub struct Before([Option<f64>; 2]);

impl InForce {
    /// At the start of a file.
    pub fn new(profile: &Profile) -> Self {
        let rules = MotionRules::of(profile);
        Self {
            words: profile.controller.accel_words.value,
            base: rules,
            file: rules,
            accels: [None; 2],
            held: Held::default(),
            accels_written: 0,
            corners_written: 0,
        }
    }

    /// The file sets limits itself.
    pub fn follow(&mut self, limits: &MotionLimits) {
        self.file = self.base.with(limits);
        for (accel, sets) in self.accels.iter_mut().zip(limits.sets_accel) {
            *accel = accel.filter(|_| !sets);
        }
        self.held.follow(limits, &self.file);
    }

    /// What machine and file allow, whatever was set over it.
    pub fn of_file(&self) -> &MotionRules {
        &self.file
    }

    /// Highest speed along a path, mm/s: the file may lower it and never raises it.
    pub fn path_speed(&self) -> f64 {
        self.base.path_speed.min(self.file.path_speed)
    }

    /// Acceleration of moves without extrusion, mm/s².
    pub fn travel_accel(&self) -> f64 {
        self.path_accels()[1]
    }

    /// Highest acceleration along X, Y and Z, mm/s².
    pub fn axis_accels(&self) -> [f64; 3] {
        let [x, y, z, _] = self.held.over(self.file).axis_accel;
        [x, y, z]
    }

    /// The acceleration of travels where a lower one is set than the file has, mm/s²: along the path, else along X or Y.
    pub fn lowered_accel(&self) -> Option<f64> {
        let own = plane_accels(&self.base, &self.file);
        let along = self.accels[1].filter(|accel| *accel < self.file.travel_accel);
        let by_axis =
            self.held.axis_accel.into_iter().zip(own).filter_map(|(held, own)| held.filter(|held| *held < own));
        along.or(by_axis.reduce(f64::min))
    }

    /// Accelerations of beads and of travels, mm/s².
    fn path_accels(&self) -> [f64; 2] {
        let [of_beads, of_travels] = self.accels;
        [of_beads.unwrap_or(self.file.print_accel), of_travels.unwrap_or(self.file.travel_accel)]
    }

    /// Writes what the part needs to be set.
    pub fn set(&mut self, Words { accels, corner }: Words, lines: &mut LinesBefore<'_>) {
        let own = plane_accels(&self.base, &self.file);
        for ((held, own), word) in self.held.axis_accel.iter_mut().zip(own).zip(accels) {
            *held = word.map_or(*held, |accel| Some(f64::from(accel)).filter(|accel| *accel != own));
        }
        self.by_axis(accels.map(|accel| accel.map(f64::from)), lines);
        if let Some(word) = corner {
            self.held.corner = Some(word.rule).filter(|rule| *rule != self.file.corner);
            self.corner(word, lines);
        }
    }

    /// Writes an acceleration of beads or of travels, mm/s²; where one word holds for all moves, it is set for both.
    pub fn set_accel(&mut self, accel: f64, is_travel: bool, lines: &mut LinesBefore<'_>) {
        let own = [self.file.print_accel, self.file.travel_accel];
        for ((set, own), of_travels) in self.accels.iter_mut().zip(own).zip([false, true]) {
            if self.words == AccelWords::AllMoves || of_travels == is_travel {
                *set = Some(accel).filter(|accel| *accel != own);
            }
        }
        lines.text.extend_from_slice(accel_word(self.words, is_travel).as_bytes());
        write_fixed(lines.text, accel, 0);
        lines.end();
        self.accels_written += 1;
    }

    /// What is in force by now, to be [taken up](Self::take_up) again.
    pub fn now(&self) -> Before {
        Before(self.accels)
    }

    /// Writes the accelerations of beads and of travels that were in force, where others are.
    pub fn take_up(&mut self, Before(accels): Before, lines: &mut LinesBefore<'_>) {
        let differ = [0, 1].map(|which| accels[which] != self.accels[which]);
        self.accels = accels;
        self.by_path(self.path_accels(), differ, lines);
    }

    /// Writes what the file has in force, where something else was set over it.
    pub fn put_back(&mut self, lines: &mut LinesBefore<'_>) {
        let own = plane_accels(&self.base, &self.file);
        self.by_axis([0, 1].map(|axis| self.held.axis_accel[axis].map(|_| own[axis])), lines);
        if let Some(held) = self.held.corner {
            self.corner(CornerWord { rule: self.file.corner, axes: differ(held, self.file.corner) }, lines);
        }
        let set = self.accels.map(|accel| accel.is_some());
        self.by_path([self.file.print_accel, self.file.travel_accel], set, lines);
    }

    /// The same where it stays so.
    pub fn put_back_for_good(&mut self, lines: &mut LinesBefore<'_>) {
        self.put_back(lines);
        (self.accels, self.held) = ([None; 2], Held::default());
    }

    /// Writes again what was set over the file's own, behind a command before which that was [put back](Self::put_back).
    pub fn set_again(&mut self, lines: &mut LinesBefore<'_>) {
        self.by_axis(self.held.axis_accel, lines);
        if let Some(held) = self.held.corner {
            self.corner(CornerWord { rule: held, axes: differ(held, self.file.corner) }, lines);
        }
        self.by_path(self.path_accels(), self.accels.map(|accel| accel.is_some()), lines);
    }

    /// Writes accelerations of beads and of travels, mm/s², those that are `named`.
    fn by_path(&mut self, [beads, travels]: [f64; 2], named: [bool; 2], lines: &mut LinesBefore<'_>) {
        let accels = match (self.words, named) {
            (_, [false, false]) => return,
            (AccelWords::AllMoves, _) if beads == travels => [Some(beads), None],
            (AccelWords::AllMoves, _) => [Some(beads), Some(travels)],
            (AccelWords::Beads, [of_beads, of_travels]) => [of_beads.then_some(beads), of_travels.then_some(travels)],
        };
        for word in accels_put_back(self.words, accels) {
            lines.text.extend_from_slice(word.as_bytes());
            lines.end();
            self.accels_written += 1;
        }
    }

    /// Writes accelerations along X and Y, mm/s².
    fn by_axis(&mut self, accels: [Option<f64>; 2], lines: &mut LinesBefore<'_>) {
        if accels == [None; 2] {
            return;
        }
        lines.text.extend_from_slice(b"M201");
        for (letter, accel) in b"XY".iter().zip(accels) {
            if let Some(accel) = accel {
                lines.text.extend_from_slice(&[b' ', *letter]);
                lines.text.extend_from_slice((accel as u32).to_string().as_bytes());
            }
        }
        lines.end();
        self.accels_written += 1;
    }

    /// Writes a corner rule.
    fn corner(&mut self, CornerWord { rule, axes }: CornerWord, lines: &mut LinesBefore<'_>) {
        let text = &mut *lines.text;
        match rule {
            Corner::RightAngleSpeed(speed) => {
                text.extend_from_slice(RIGHT_ANGLE_SPEED.as_bytes());
                write_fixed(text, speed, CORNER_DECIMALS);
            }
            Corner::Deviation(deviation) => {
                text.extend_from_slice(b"M205 J");
                write_fixed(text, deviation, CORNER_DECIMALS);
            }
            Corner::AxisStep(steps) => {
                text.extend_from_slice(b"M205");
                for ((letter, step), _) in b"XY".iter().zip(steps).zip(axes).filter(|(_, named)| *named) {
                    text.extend_from_slice(&[b' ', *letter]);
                    write_fixed(text, step, CORNER_DECIMALS);
                }
            }
        }
        lines.end();
        self.corners_written += 1;
    }
}

/// Along which of X and Y two rules differ that go by axis.
fn differ(one: Corner, other: Corner) -> [bool; 2] {
    match (one, other) {
        (Corner::AxisStep(one), Corner::AxisStep(other)) => [0, 1].map(|axis| one[axis] != other[axis]),
        _ => [false; 2],
    }
}
