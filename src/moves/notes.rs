//! What the comments of a sliced file say of the beads that follow: layer, height, role.
//!
//! Slicing programs write these in many forms; all forms seen are read here and nowhere else. A comment that
//! follows no form says nothing.

use super::Role;

/// What one comment says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Note {
    /// A layer begins.
    LayerBegins,
    /// Height of the layer or of the beads to come, mm.
    Height(f64),
    /// Role of the beads to come.
    Role(Role),
    /// Role of the bead on this very line.
    RoleOfLine(Role),
    /// Width and height of the beads to come, which begin a new run of beads.
    RunHeight(f64),
}

/// Reads one comment, its `;` or `(` included. `alone`: nothing but the comment is on the line.
pub fn read(comment: &[u8], alone: bool) -> Option<Note> {
    match comment.split_first()? {
        (b';', rest) if alone => read_line(rest),
        (b';', rest) => role_word(rest.trim_ascii()).map(Note::RoleOfLine),
        (b'(', rest) if alone => read_tag(rest),
        _ => None,
    }
}

/// A `;` comment that stands alone, without the `;`.
fn read_line(rest: &[u8]) -> Option<Note> {
    let spaced = rest.first() == Some(&b' ');
    let text = rest.trim_ascii();
    // The first byte decides quickly for the thousands of comments that say nothing.
    match text.first()? {
        b'T' => {
            if let Some(height) = text.strip_prefix(b"Thickness ") {
                return number(height).map(Note::Height);
            }
            after(text, b"TYPE:").map(|name| Note::Role(role(name)))
        }
        b'F' => after(text, b"FEATURE:").map(|name| Note::Role(role(name))),
        b'L' => {
            if text == b"LAYER_CHANGE" {
                return Some(Note::LayerBegins);
            }
            if let Some(height) = after(text, b"LAYER_HEIGHT:") {
                return number(height).map(Note::Height);
            }
            if let Some(height) = after(text, b"Layer height:") {
                return number(height).map(Note::Height);
            }
            after(text, b"LAYER:").filter(|n| starts_with_digit(n)).map(|_| Note::LayerBegins)
        }
        b'H' => number(after(text, b"HEIGHT:")?).map(Note::Height),
        b'C' => (text == b"CHANGE_LAYER").then_some(Note::LayerBegins),
        b'B' => text.starts_with(b"BEGIN_LAYER_OBJECT").then_some(Note::LayerBegins),
        b'-' => (text.starts_with(b"--- layer ")).then_some(Note::LayerBegins),
        b'f' => text.strip_prefix(b"feature ").map(|name| Note::Role(role(name))),
        b't' => run_height(text.strip_prefix(b"tool ")?).map(Note::RunHeight),
        b'l' if spaced => {
            if let Some(rest) = text.strip_prefix(b"layer ") {
                let digits = rest.iter().take_while(|b| b.is_ascii_digit()).count();
                let (number, tail) = rest.split_at(digits);
                return (!number.is_empty() && (tail.starts_with(b",") || tail.is_empty()))
                    .then_some(Note::LayerBegins);
            }
            None
        }
        b'\'' => {
            let end = text[1..].iter().position(|&b| b == b'\'')? + 1;
            Some(Note::Role(role(&text[1..end])))
        }
        _ if spaced => role_word(text).map(Note::Role),
        _ => None,
    }
}

/// A parenthesis comment that stands alone, without its `(`.
fn read_tag(rest: &[u8]) -> Option<Note> {
    let text = rest.trim_ascii_start().strip_prefix(b"<")?;
    let end = text.iter().position(|&b| b == b'>')?;
    let (name, tail) = (&text[..end], text[end + 1..].trim_ascii_start());
    match name {
        b"layer" => Some(Note::LayerBegins),
        b"perimeter" | b"loop" => {
            Some(Note::Role(if tail.starts_with(b"outer") { Role::OuterPerimeter } else { Role::InnerPerimeter }))
        }
        b"infill" => Some(Note::Role(Role::Infill)),
        b"/perimeter" | b"/loop" | b"/infill" | b"/surroundingLoop" => Some(Note::Role(Role::Unknown)),
        _ => None,
    }
}

/// `H0.2 W0.48` after `tool `.
fn run_height(text: &[u8]) -> Option<f64> {
    number(text.strip_prefix(b"H")?)
}

fn after<'a>(text: &'a [u8], key: &[u8]) -> Option<&'a [u8]> {
    text.strip_prefix(key).map(<[u8]>::trim_ascii)
}

fn starts_with_digit(text: &[u8]) -> bool {
    text.first().is_some_and(|b| b.is_ascii_digit() || *b == b'-')
}

/// The number at the start of `text`.
fn number(text: &[u8]) -> Option<f64> {
    let text = text.trim_ascii_start();
    let len = text.iter().take_while(|b| b.is_ascii_digit() || **b == b'.').count();
    std::str::from_utf8(&text[..len]).ok()?.parse().ok()
}

/// Longest name that is looked at; role names are a few words.
const MAX_NAME: usize = 48;

/// Role behind a name that is known to be a role's name.
fn role(name: &[u8]) -> Role {
    let mut buffer = [0; MAX_NAME];
    let name = lower_case(name, &mut buffer);
    let has = |word: &[u8]| memchr::memmem::find(name, word).is_some();
    if has(b"support") {
        if has(b"interface") || has(b"dense") { Role::SupportInterface } else { Role::Support }
    } else if has(b"bridge") {
        Role::Bridge
    } else if has(b"overhang") {
        Role::Overhang
    } else if has(b"tower") || has(b"pillar") {
        Role::Tower
    } else if has(b"skirt") || has(b"brim") || has(b"raft") {
        Role::Skirt
    } else if has(b"gap") || has(b"single extrusion") || has(b"crown") {
        Role::GapFill
    } else if has(b"outer") || has(b"external") {
        Role::OuterPerimeter
    } else if has(b"perimeter") || has(b"wall") || has(b"inner") || has(b"loop") || has(b"shell") {
        Role::InnerPerimeter
    } else if has(b"top") {
        Role::TopSurface
    } else if has(b"bottom") {
        Role::BottomSurface
    } else if has(b"solid") || has(b"skin") {
        Role::SolidLayer
    } else if has(b"infill") || has(b"fill") {
        Role::Infill
    } else if name.is_empty() {
        Role::Unknown
    } else {
        Role::Other
    }
}

/// Role behind words that are a role only if nothing else stands there (`; perimeter`).
fn role_word(text: &[u8]) -> Option<Role> {
    if text.len() > MAX_NAME || text.is_empty() {
        return None;
    }
    let mut buffer = [0; MAX_NAME];
    Some(match lower_case(text, &mut buffer) {
        b"perimeter" | b"inner perimeter" => Role::InnerPerimeter,
        b"outer perimeter" | b"external perimeter" => Role::OuterPerimeter,
        b"infill" | b"fill" => Role::Infill,
        b"infill (bridge)" | b"bridge" => Role::Bridge,
        b"solid layer" | b"solid infill" => Role::SolidLayer,
        b"gap fill" | b"internal single extrusion" | b"external single extrusion" => Role::GapFill,
        b"skirt" | b"brim" | b"raft" => Role::Skirt,
        b"support" => Role::Support,
        b"dense support" => Role::SupportInterface,
        b"prime pillar" => Role::Tower,
        _ => return None,
    })
}

fn lower_case<'a>(text: &[u8], buffer: &'a mut [u8; MAX_NAME]) -> &'a [u8] {
    let len = text.len().min(MAX_NAME);
    for (to, from) in buffer.iter_mut().zip(text) {
        *to = from.to_ascii_lowercase();
    }
    &buffer[..len]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(comment: &str, alone: bool, want: Option<Note>) {
        assert_eq!(read(comment.as_bytes(), alone), want, "{comment}");
    }

    #[test]
    fn every_form_of_layer_mark() {
        for mark in [
            ";LAYER_CHANGE",
            "; CHANGE_LAYER",
            ";LAYER:0",
            ";LAYER:-2",
            "; layer 1, Z = 0.2",
            "; BEGIN_LAYER_OBJECT z=0.25",
            "; --- layer 3/100 z=0.6 ---",
            "(<layer> 0.135 )",
        ] {
            check(mark, true, Some(Note::LayerBegins));
        }
        for other in [
            ";LAYER_COUNT:418",
            ";BEFORE_LAYER_CHANGE",
            "; layer end",
            ";LAYER_X",
            "; layer num/total_layer_count: 1/25",
            "(</layer>)",
            "; layer_height = 0.2",
        ] {
            check(other, true, None);
        }
        check(";LAYER:0", false, None);
    }

    #[test]
    fn heights() {
        check(";HEIGHT:0.35", true, Some(Note::Height(0.35)));
        check("; LAYER_HEIGHT: 0.2", true, Some(Note::Height(0.2)));
        check(";Layer height: 0.1", true, Some(Note::Height(0.1)));
        check("; tool H0.25 W0.5", true, Some(Note::RunHeight(0.25)));
        check(";HEIGHT:", true, None);
    }

    #[test]
    fn roles() {
        let role = |text, role| check(text, true, Some(Note::Role(role)));
        role(";TYPE:WALL-OUTER", Role::OuterPerimeter);
        role(";TYPE:WALL-INNER", Role::InnerPerimeter);
        role(";TYPE:External perimeter", Role::OuterPerimeter);
        role(";TYPE:Overhang perimeter", Role::Overhang);
        role("; FEATURE: Sparse infill", Role::Infill);
        role("; FEATURE: Internal solid infill", Role::SolidLayer);
        role("; FEATURE: Support interface", Role::SupportInterface);
        role(";TYPE:Top solid infill", Role::TopSurface);
        role(";TYPE:FILL", Role::Infill);
        role(";TYPE:SKIN", Role::SolidLayer);
        role(";TYPE:Custom", Role::Other);
        role("; feature gap fill", Role::GapFill);
        role("; 'Perimeter Path', 25 [feed mm/s], 20 [head mm/s]", Role::InnerPerimeter);
        role("; solid layer", Role::SolidLayer);
        role("(<perimeter> outer )", Role::OuterPerimeter);
        role("(</perimeter>)", Role::Unknown);
        check("; infill", false, Some(Note::RoleOfLine(Role::Infill)));
        check("; move to first infill point", false, None);
        check("; 'unfinished", true, None);
        check(";", true, None);
    }
}
