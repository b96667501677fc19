//! Settings that a sliced file states in its own comments, mostly in a block at its start or end.

use super::notes;

/// What the comments state; `None` where they do not.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FileSettings {
    /// Diameter of the strand E is counted in, by tool, mm.
    pub strand_diameters_mm: Vec<f64>,
    /// Nozzle bore, mm.
    pub nozzle_diameter_mm: Option<f64>,
    /// Layer height, mm.
    pub layer_height_mm: Option<f64>,
    /// This program wrote the file: it carries the marker of an earlier run.
    pub is_rewritten: bool,
    /// Fingerprint of the profile it was written with.
    pub written_with: Option<String>,
    /// How that output makes up for the lag of the melt.
    pub lead: Lead,
    /// Volume of one unit of E as this program stated it when it wrote the file, mm³.
    pub stated_e_mm3: Option<f64>,
    /// That output counts turns of a screw whose output goes by a curve, so that no one volume could be stated.
    pub counts_turns: bool,
    /// Most lines of the file with a command have a number.
    pub is_numbered: bool,
    /// The file marks its layers by comments.
    pub marks_layers: bool,
}

/// How E of a file makes up for the lag of the melt, as far as this program wrote it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Lead {
    /// It does not: beads have the E that they lay.
    #[default]
    None,
    /// By turns of the screw at rest, some of which beads refill.
    AtRest,
    /// By E that leads the flow along the path: it tells neither how wide beads are nor what the part bears.
    AlongPath,
}

/// Strands outside this range are no plausible diameter, mm.
const STRAND_MM: std::ops::RangeInclusive<f64> = 0.5..=50.0;
/// Nozzle bores outside this range are in another unit or a placeholder, mm.
const NOZZLE_MM: std::ops::RangeInclusive<f64> = 0.05..=20.0;
/// Layer heights outside this range are in another unit or a placeholder, mm.
const LAYER_MM: std::ops::RangeInclusive<f64> = 0.01..=10.0;

impl FileSettings {
    /// Reads the comment lines of `text`; what is stated later wins, so give the start of a file before its end.
    pub fn read(&mut self, text: &[u8]) {
        let mut rest = text;
        while let Some(at) = memchr::memchr2(b';', b'(', rest) {
            let (before, comment) = rest.split_at(at);
            let (comment, behind) = comment.split_at(memchr::memchr(b'\n', comment).unwrap_or(comment.len()));
            // What stands behind words is no line of its own.
            if before.iter().rfind(|byte| !byte.is_ascii_whitespace() || **byte == b'\n').is_none_or(|b| *b == b'\n') {
                self.read_line(comment.trim_ascii_end());
            }
            rest = behind;
        }
    }

    fn read_line(&mut self, line: &[u8]) {
        if let Some(comment) = line.strip_prefix(b";") {
            self.read_comment(comment);
        }
        if !self.marks_layers {
            self.marks_layers = matches!(notes::read(line, true), Some(notes::Note::LayerBegins));
        }
    }

    /// Strand diameter of a tool: its own entry, else the first.
    pub fn strand_diameter_mm(&self, tool: u32) -> Option<f64> {
        let own = self.strand_diameters_mm.get(tool as usize);
        own.or_else(|| self.strand_diameters_mm.first()).copied()
    }

    fn read_comment(&mut self, comment: &[u8]) {
        // Settings are short keys; encoded blocks and dumps of start scripts are not searched.
        let Some(cut) = comment.iter().take(64).position(|&b| matches!(b, b'=' | b':' | b',')) else { return };
        let (key, value) = (&comment[..cut], &comment[cut + 1..]);
        match normalised(key).as_str() {
            "filamentdiameter" | "filamentdiameters" | "materialdiameter" | "fiberdiamm" | "stranddiameter" => {
                let diameters: Vec<f64> = numbers(value).filter(|d| STRAND_MM.contains(d)).collect();
                if !diameters.is_empty() {
                    self.strand_diameters_mm = diameters;
                }
            }
            "nozzlediameter" | "extruderdiameter" => {
                if let Some(d) = numbers(value).next().filter(|d| NOZZLE_MM.contains(d)) {
                    self.nozzle_diameter_mm = Some(d);
                }
            }
            "layerheight" => {
                if let Some(h) = numbers(value).next().filter(|h| LAYER_MM.contains(h)) {
                    self.layer_height_mm = Some(h);
                }
            }
            numbered => {
                // One line a tool: `Filament Diameter #1: 1.750`.
                let tool = numbered.strip_prefix("filamentdiameter").and_then(|n| n.parse::<usize>().ok());
                if let (Some(tool @ 1..=16), Some(d)) = (tool, numbers(value).next().filter(|d| STRAND_MM.contains(d)))
                {
                    self.strand_diameters_mm.resize(self.strand_diameters_mm.len().max(tool), d);
                    self.strand_diameters_mm[tool - 1] = d;
                }
            }
        }
    }
}

/// Letters and digits of a key in lower case: `Filament Diameter #1` and `filament_diameter` differ only by spelling.
fn normalised(key: &[u8]) -> String {
    key.iter().filter(|b| b.is_ascii_alphanumeric()).map(|b| b.to_ascii_lowercase() as char).collect()
}

/// The numbers of a list, whatever separates them; stops at the first entry that is no number.
fn numbers(value: &[u8]) -> impl Iterator<Item = f64> {
    value
        .split(|b| matches!(b, b',' | b';' | b'|' | b'/'))
        .map_while(|entry| std::str::from_utf8(entry.trim_ascii()).ok()?.parse::<f64>().ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> FileSettings {
        let mut settings = FileSettings::default();
        settings.read(text.as_bytes());
        settings
    }

    #[test]
    fn spellings_of_the_strand_diameter() {
        for text in [
            "; filament_diameter = 1.75",
            "; filament_diameter: 1.75,1.75\r",
            ";   filamentDiameters,1.75|1.75|1.75",
            ";Material Diameter:1.75",
            "; fiber_dia_mm = 1.75",
            ";Filament Diameter #1: 1.750",
        ] {
            assert_eq!(read(text).strand_diameter_mm(0), Some(1.75), "{text}");
        }
        assert_eq!(read("; filament_diameter = 1.75,2.85").strand_diameter_mm(1), Some(2.85));
        assert_eq!(read(";Filament Diameter #1: 1.75\n;Filament Diameter #2: 2.85").strand_diameter_mm(1), Some(2.85));
    }

    #[test]
    fn traps() {
        assert_eq!(read("; filament_diameter = 0").strand_diameter_mm(0), None);
        assert_eq!(read(";ExtruderParams[0] Nozzle Diameter:1000").nozzle_diameter_mm, None);
        assert_eq!(read("; tree_support_branch_diameter = 2").strand_diameter_mm(0), None);
        assert_eq!(read("; start_gcode = M862 ; filament_diameter = 3").strand_diameter_mm(0), None);
        assert_eq!(read("G1 X1 ; filament_diameter = 3").strand_diameter_mm(0), None);
        assert_eq!(read(";Layer height: 200").layer_height_mm, None);
    }

    #[test]
    fn later_statements_win_and_layer_marks_are_seen() {
        let settings = read("; nozzle_diameter = 0.4\n;LAYER_CHANGE\n; nozzle_diameter = 1.0\n; layer_height = 0.6");
        assert_eq!(settings.nozzle_diameter_mm, Some(1.0));
        assert_eq!(settings.layer_height_mm, Some(0.6));
        assert!(settings.marks_layers);
        assert!(!read("; layer_height = 0.6").marks_layers);
    }
}
