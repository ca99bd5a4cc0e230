//! SVG 1.1 (W3C Recommendation, second edition), with title and desc as its text alternative.

use std::fmt::Write as _;

use super::hatch::TILE;
use super::{Hatch, Item, Picture};

/// How far below the middle of a line its letters stand, in pixels.
const BASELINE: u32 = 5;
/// A size at which most fonts of fixed pitch are [`super::CELL`] wide: 0.6 of it.
const FONT_SIZE: u32 = 15;
/// Colours for a file that is looked at by itself; within a page it takes the page's own.
const STYLE: &str = "svg:root{color:#1c2226;background:#fff}\
@media(prefers-color-scheme:dark){svg:root{color:#d9dcd6;background:#16191b}}";

impl Picture {
    /// The drawing as SVG: a file by itself, or to stand in a page. Its colour is that of the text around
    /// it, or suits light and dark by itself; fonts are the viewer's own, of fixed pitch.
    #[must_use]
    pub fn svg(&self) -> String {
        let id = self.id();
        let (width, height) = (self.width, self.height);
        let mut svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" width=\"{width}\" \
             height=\"{height}\" role=\"img\" aria-labelledby=\"{id}-title\" aria-describedby=\"{id}-desc\" \
             fill=\"currentColor\" font-family=\"ui-monospace, monospace\" font-size=\"{FONT_SIZE}\">\n\
             <title id=\"{id}-title\">{}</title>\n<desc id=\"{id}-desc\">{}</desc>\n<style>{STYLE}</style>\n",
            escaped(&self.title),
            escaped(&self.description)
        );
        svg.push_str(&self.patterns(&id));
        for item in &self.items {
            svg.push_str(&element(item, &id));
        }
        svg.push_str("</svg>\n");
        svg
    }

    /// The title as an id.
    fn id(&self) -> String {
        let plain = |c: char| {
            if c.is_ascii_alphanumeric() {
                c.to_ascii_lowercase()
            } else {
                '-'
            }
        };
        // Letters first, as an id must begin with one.
        format!(
            "picture-{}",
            self.title.chars().map(plain).collect::<String>()
        )
    }

    /// The hatches that are used, each once.
    fn patterns(&self, id: &str) -> String {
        let mut used: Vec<Hatch> = self.items.iter().filter_map(hatch_of).collect();
        used.sort_unstable();
        used.dedup();
        let patterns = used.iter().filter(|hatch| !hatch.lines().is_empty());
        let patterns: String = patterns.map(|hatch| pattern(*hatch, id)).collect();
        match patterns.is_empty() {
            true => patterns,
            false => format!("<defs>\n{patterns}</defs>\n"),
        }
    }
}

fn hatch_of(item: &Item) -> Option<Hatch> {
    match item {
        Item::Area { hatch, .. } => Some(*hatch),
        _ => None,
    }
}

/// A line is drawn in the neighbouring tiles too, so that its ends are whole in the corners.
fn pattern(hatch: Hatch, id: &str) -> String {
    let mut path = String::new();
    for ((x, y), (to_x, to_y)) in hatch.lines() {
        for beside in [-8, 0, 8] {
            // Writing to a String cannot fail.
            let _ = write!(path, "M{} {y}L{} {to_y}", x + beside, to_x + beside);
        }
    }
    let width = if hatch == Hatch::Dotted { 2 } else { 1 };
    format!(
        "<pattern id=\"{id}-{}\" width=\"{TILE}\" height=\"{TILE}\" patternUnits=\"userSpaceOnUse\">\
         <path d=\"{path}\" stroke=\"currentColor\" stroke-width=\"{width}\"/></pattern>\n",
        hatch.name()
    )
}

fn element(item: &Item, id: &str) -> String {
    match item {
        Item::Words { x, y, text, bold } => {
            let weight = if *bold { " font-weight=\"bold\"" } else { "" };
            let (y, text) = (y + BASELINE, escaped(text));
            format!("<text x=\"{x}\" y=\"{y}\"{weight}>{text}</text>\n")
        }
        Item::Stroke {
            x,
            y,
            width,
            height,
        } => format!("<rect x=\"{x}\" y=\"{y}\" width=\"{width}\" height=\"{height}\"/>\n"),
        Item::Dot { x, y, radius } => {
            format!("<circle cx=\"{x}\" cy=\"{y}\" r=\"{radius}\"/>\n")
        }
        Item::Area {
            x,
            y,
            width,
            height,
            hatch,
        } => {
            let fill = match hatch.lines() {
                [] => "none".to_owned(),
                _ => format!("url(#{id}-{})", hatch.name()),
            };
            // The outline lies within, on whole pixels.
            let (width, height) = (width.saturating_sub(1), height.saturating_sub(1));
            format!(
                "<rect x=\"{x}.5\" y=\"{y}.5\" width=\"{width}\" height=\"{height}\" fill=\"{fill}\" \
                 stroke=\"currentColor\"/>\n"
            )
        }
    }
}

/// Text that XML takes: what means something there is escaped, and what it may not hold
/// (XML 1.0, production 2) becomes U+FFFD.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\n' => out.push(c),
            c if c.is_control() || matches!(c, '\u{FFFE}' | '\u{FFFF}') => out.push('\u{FFFD}'),
            c => out.push(c),
        }
    }
    out
}
